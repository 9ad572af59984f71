package validate

import (
	"cmp"
	"fmt"
	"regexp"
	"slices"
	"strings"

	"cel.dev/cel-go/cel"

	"tidegate/poct"
)

// localKey holds the laboratory's own rules in Config, for the group and under
// a site:
//
//	local:
//	  - code: no-sunday
//	    severity: hold
//	    when: weekday == 0
//	    text: Nobody is on duty on Sundays to act on a result.
//	    remedy: Ask the clinician on call.
const localKey = "local"

// Number under which local rules stand in traces.
const localNumber = "local"

const (
	localCost   = 20_000 // what one expression may cost when it is asked, in CEL's units
	localLength = 2_000  // characters of one expression
	localMost   = 100    // rules in one list
)

// LocalKeys lists what a local rule takes, for the documentation and editors.
func LocalKeys() []Key {
	return []Key{
		{Name: "code", Means: "its name, of small letters, digits and dashes; no built-in check may have it"},
		{Name: "when", Means: "a CEL expression that is true for a problem"},
		{Name: "severity", Kind: Choice, Options: []string{"hold", "flag", "note"}, Default: "flag", Means: "what a problem does"},
		{Name: "text", Means: "what it says to a clinician"},
		{Name: "remedy", Means: "what to do"},
		{Name: "field", Means: "the field that it is about, such as inr or strip_lot"},
		{Name: "of", Kind: Choice, Options: []string{"patient", "control", "comparison"}, Default: "patient", Means: "the kind of reading that it is asked of"},
		{Name: "acts", Default: "RD", Means: "what a reviewer may do: letters of CRD"},
		{Name: "desk", Kind: Choice, Options: desks, Default: RoleReviewer, Means: "who releases"},
		{Name: "off", Means: "true leaves it unasked; at a site, code and off are enough"},
	}
}

var (
	localCode = regexp.MustCompile(`^[a-z][a-z0-9]*(-[a-z0-9]+)*$`)
	localActs = regexp.MustCompile(`^C?R?D?$`)
	localOf   = map[string]kinds{"patient": patient, "control": control, "comparison": comparison}
)

// calm puts the compiler's messages into this program's words.
func calm(message string) string {
	message, _, _ = strings.Cut(message, " expecting ") // a list of all that the grammar allows
	return strings.NewReplacer(
		"Syntax error: ", "", "mismatched input '<EOF>'", "it ends too early", "extraneous input", "unexpected", "mismatched input", "unexpected",
		"invalid matches argument", "no pattern that matches can take (RE2)", "invalid", "unusable",
	).Replace(message)
}

// locals reads the list of local rules in a block and lays them over those
// below: a rule of a site takes the place of the group's of the same code.
func (c *compiler) locals(path string, raw any, under []*rule) []*rule {
	path += localKey
	list, ok := raw.([]any)
	if !ok || len(list) > localMost {
		c.fault(path, "is not a list of rules", fmt.Sprintf(`write local: [{code: no-sunday, severity: hold, when: "weekday == 0", text: "...", remedy: "..."}], at most %d of them`, localMost))
		return under
	}
	out := slices.Clone(under)
	seen := map[string]bool{}
	for i, e := range list {
		at := fmt.Sprintf("%s[%d]", path, i)
		keys, ok := asMap(e)
		if !ok {
			c.fault(at, "is not a rule", `write {code: no-sunday, severity: hold, when: "weekday == 0", text: "...", remedy: "..."}`)
			continue
		}
		code, _ := keys["code"].(string)
		below := slices.IndexFunc(out, func(k *rule) bool { return k.Code == code && k.Number == localNumber })
		var base *rule
		if below >= 0 {
			base = out[below]
		}
		_, builtIn := place[code]
		switch {
		case !localCode.MatchString(code) || len(code) > 60:
			c.fault(at+".code", "is no name of a rule", "write small letters, digits and dashes, such as no-sunday")
			continue
		case builtIn:
			c.fault(at+".code", "is the name of a built-in check", "write another name; the built-in check is set under its own code")
			continue
		case seen[code]:
			c.fault(at+".code", "stands in this list twice", "write each rule once")
			continue
		}
		seen[code] = true
		k := c.local(at+".", keys, base)
		switch {
		case k == nil:
		case below >= 0:
			out[below] = k
		default:
			out = append(out, k)
		}
	}
	return out
}

// local reads one rule; nil if something is wrong with it.
func (c *compiler) local(path string, keys map[string]any, base *rule) *rule {
	faults := len(c.faults)
	texts := map[string]string{}
	for _, name := range sortedKeys(keys) {
		known := slices.ContainsFunc(LocalKeys(), func(k Key) bool { return k.Name == name })
		text, isText := keys[name].(string)
		switch {
		case !known:
			c.fault(path+name, "a local rule has no such key", "it takes code, when, severity, text, remedy, field, of, acts, desk, off")
		case name == "off":
			if _, ok := keys[name].(bool); !ok {
				c.fault(path+name, "is neither true nor false", "write off: true or leave it out")
			}
		case !isText || strings.TrimSpace(text) == "":
			c.fault(path+name, "is not a text", "write it in quotes")
		default:
			texts[name] = text
		}
	}
	off, _ := keys["off"].(bool)
	if off && base != nil && len(keys) == 2 {
		k := base.clone()
		k.off = true
		return k
	}
	for _, k := range LocalKeys() {
		if k.Kind == Choice && texts[k.Name] != "" && !slices.Contains(k.Options, texts[k.Name]) {
			c.fault(path+k.Name, "is none of its words", "write "+strings.Join(k.Options, " or "))
		}
	}
	if texts["acts"] != "" && !localActs.MatchString(texts["acts"]) {
		c.fault(path+"acts", "is no list of acts", "write letters of CRD in this order: correct, release, discard")
	}
	for _, name := range []string{"when", "text", "remedy"} {
		if _, ok := keys[name]; !ok {
			c.fault(path+name, "is missing", map[string]string{"when": `write a CEL expression that is true for a problem, such as "weekday == 0"`,
				"text": "write what the problem says to a clinician", "remedy": "write what to do"}[name])
		}
	}
	var program cel.Program
	if texts["when"] != "" {
		program = c.expression(path+"when", texts["when"])
	}
	ch := &check{of: localOf[cmp.Or(texts["of"], "patient")], Info: Info{
		Number: localNumber, Code: texts["code"], Title: texts["text"], Asks: "whether the rule " + texts["code"] + " of this laboratory is kept",
		Compares: texts["when"], Text: texts["text"], Remedy: texts["remedy"], Severity: poct.Severity(cmp.Or(texts["severity"], "flag")),
		Source: "set in the configuration", Acts: cmp.Or(texts["acts"], "RD"), Desk: cmp.Or(texts["desk"], RoleReviewer),
	}}
	if info, ok := c.ru.local[ch.Code]; ok && (info.Acts != ch.Acts || info.Desk != ch.Desk) {
		c.fault(path+"code", "has other acts or another desk elsewhere", "write the same acts and desk wherever this code stands")
	}
	if len(c.faults) > faults {
		return nil
	}
	if _, known := c.ru.local[ch.Code]; !known {
		c.ru.local[ch.Code] = ch.Info
	}
	ch.ask = func(s *subject, k *rule) reply { return askLocal(s, k, program, texts["field"]) }
	k := (&rule{check: ch, off: off, named: true}).clone()
	k.limit = quote(texts["when"]) + " (set in the configuration)"
	return k
}

// expression compiles one expression, or tells where in it what is wrong.
func (c *compiler) expression(path, text string) cel.Program {
	const instead = "write a CEL expression over the variables of docs/checks.md, such as \"weekday == 0\" or \"inr > 4.0 && strip_lot == '7K40231'\""
	if len(text) > localLength {
		c.fault(path, "is too long", fmt.Sprintf("write at most %d characters, in several rules if need be", localLength))
		return nil
	}
	ast, issues := language().Compile(text)
	if issues.Err() != nil {
		for _, e := range issues.Errors()[:min(3, len(issues.Errors()))] {
			c.fault(path, fmt.Sprintf("line %d, column %d of the expression: %s", e.Location.Line(), e.Location.Column()+1, calm(e.Message)), instead)
		}
		return nil
	}
	if ast.OutputType() != cel.BoolType {
		c.fault(path, "gives "+ast.OutputType().String()+", not true or false", instead)
		return nil
	}
	if worst, err := language().EstimateCost(ast, sizes{}); err != nil || worst.Max > localCost {
		c.fault(path, "may take too long: it is asked of every result while others wait", "write fewer loops over lists, and none inside another")
		return nil
	}
	program, err := language().Program(ast, cel.EvalOptions(cel.OptOptimize), cel.CostLimit(localCost))
	if err != nil {
		c.fault(path, "cannot be prepared: "+err.Error(), instead)
		return nil
	}
	return program
}

// askLocal asks a rule. One that cannot be worked out, since something is
// missing or it costs too much, cannot tell.
func askLocal(s *subject, k *rule, program cel.Program, field string) reply {
	out, _, err := program.Eval(s.variables())
	if err != nil {
		return k.unsure(field, "the expression could not be worked out ("+quote(err.Error())+")",
			"Find out what is missing in the result. Guard the rule against it, such as with has_inr, if it need not be there.")
	}
	if broken, ok := out.Value().(bool); ok && !broken {
		return pass
	}
	return found(field, k.Text)
}

// Local lists the laboratory's own rules like built-in checks, by code.
func (ru *Rules) Local() []Info {
	infos := make([]Info, 0, len(ru.local))
	for _, code := range sortedKeys(ru.local) {
		infos = append(infos, ru.local[code])
	}
	return infos
}

// about finds the entry of the check that found a problem. A local rule is
// known by its number too: other rooms have codes of their own, and no rule
// may speak for them.
func (ru *Rules) about(p poct.Problem) (Info, bool) {
	if p.Check == localNumber {
		info, ok := ru.local[p.Code]
		return info, ok
	}
	return Lookup(p.Code)
}
