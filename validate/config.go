package validate

import (
	"maps"
	"regexp"
	"slices"
	"strings"
	"time"

	"tidegate/poct"
)

// Config is the `checks:` block as decoded from YAML: a check's code to its
// keys, and under "sites" the same once more for each site:
//
//	critical: {limit: "5.0"}
//	sites: {saltmarsh: {qc-overdue: {interval: 24h}}}
//
// `local` holds the laboratory's own rules, see LocalKeys.
//
// Every check that can be weakened takes `severity` (hold, flag or note) and
// `off` (true); its other keys are listed by Checks. Limits are quoted, so
// that "5.0" stays the decimal that was written.
type Config map[string]any

// sitesKey and localKey are the only keys of Config that are no checks.
const sitesKey = "sites"

const codeCritical = "critical"

// Rules are the checks with their limits, compiled. Safe for concurrent use.
type Rules struct {
	base  []*rule // by place in the table, then the laboratory's own
	sites map[string][]*rule
	local map[string]Info // the laboratory's own, by code
}

// rule is a check with its limits at one site.
type rule struct {
	*check
	named   bool // the configuration has an entry for it
	off     bool
	sev     poct.Severity   // set by the configuration, else ""
	own     map[string]bool // keys that the configuration sets
	numbers map[string]poct.Number
	spans   map[string]time.Duration
	texts   map[string][]string
	choices map[string]string
	forms   map[string]idForm
	charts  *charts // of check 29, kept between results
	limit   string  // all limits in words, with their source
}

// at gives the rules of a site, in the order of the table.
func (ru *Rules) at(site string) []*rule {
	if s, ok := ru.sites[site]; ok {
		return s
	}
	return ru.base
}

// Compile checks the whole configuration and reports everything that is wrong
// with it at once. Keys of faults are relative to the block, such as
// "sites.saltmarsh.qc-overdue.interval". Rules are nil if there are faults.
func Compile(cfg Config) (*Rules, []poct.KeyFault) {
	ru := &Rules{sites: map[string][]*rule{}, local: map[string]Info{}}
	c := &compiler{ru: ru}
	defaults := make([]*rule, len(table))
	for i := range table {
		defaults[i] = byDefault(&table[i])
	}
	ru.base = c.level("", cfg, defaults)
	if raw, ok := cfg[sitesKey]; ok {
		sites, isMap := asMap(raw)
		if !isMap {
			c.fault(sitesKey, "is not a list of sites", "write sites: {site: {check: {limit: \"...\"}}}")
		}
		for _, site := range sortedKeys(sites) {
			key := sitesKey + "." + site
			block, isMap := asMap(sites[site])
			if !isMap {
				c.fault(key, "is not a list of checks", "write "+site+": {check: {limit: \"...\"}}")
				continue
			}
			if _, nested := block[sitesKey]; nested {
				c.fault(key+"."+sitesKey, "sites cannot stand inside a site", "move it one level up")
			}
			ru.sites[site] = c.level(key+".", block, ru.base)
		}
	}
	if len(c.faults) > 0 {
		return nil, c.faults
	}
	return ru, nil
}

type compiler struct {
	ru     *Rules
	faults []poct.KeyFault
}

func (c *compiler) fault(key, what, instead string) {
	c.faults = append(c.faults, poct.KeyFault{Key: key, What: what, Instead: instead})
}

// level lays one block of checks over the settings below it.
func (c *compiler) level(path string, block map[string]any, under []*rule) []*rule {
	out := slices.Clone(under)
	for _, code := range sortedKeys(block) {
		if code == sitesKey || code == localKey {
			continue
		}
		i, ok := place[code]
		if !ok {
			if code == "" {
				code = `""`
			}
			c.fault(path+code, "no check has this code", nearestCode(code))
			continue
		}
		keys, isMap := asMap(block[code])
		if !isMap {
			c.fault(path+code, "is not a set of keys", "write "+code+": {"+example(&table[i])+"}")
			continue
		}
		out[i] = c.check(path+code+".", keys, under[i])
	}
	if raw, ok := block[localKey]; ok {
		out = c.locals(path, raw, out)
	}
	return out
}

// check lays the keys of one check over its setting below.
func (c *compiler) check(path string, keys map[string]any, under *rule) *rule {
	s := under.clone()
	ch := s.check
	s.named = true
	for _, name := range sortedKeys(keys) {
		switch name {
		case "off":
			c.off(path, keys[name], s)
		case "severity":
			c.severity(path, keys[name], s)
		default:
			i := slices.IndexFunc(ch.Keys, func(k Key) bool { return k.Name == name })
			if i < 0 {
				c.fault(path+name, "this check has no such key", "it takes "+strings.Join(keyNames(ch), ", "))
				continue
			}
			s.own[name] = true
			c.value(path+name, ch.Keys[i], keys[name], s)
		}
	}
	if ch.fits != nil {
		if what, instead := ch.fits(s); what != "" {
			c.fault(strings.TrimSuffix(path, "."), what, instead)
		}
	}
	s.limit = limitText(s)
	return s
}

func (c *compiler) off(path string, raw any, s *rule) {
	off, ok := raw.(bool)
	switch {
	case !ok:
		c.fault(path+"off", "is neither true nor false", "write off: true or leave it out")
	case off && !s.weakens():
		c.fault(path+"off", "this check cannot be switched off", s.whyFirm())
	default:
		s.off = off
	}
}

func (c *compiler) severity(path string, raw any, s *rule) {
	text, _ := raw.(string)
	sev := poct.Severity(text)
	switch {
	case sev != poct.Hold && sev != poct.Flag && sev != poct.Note:
		c.fault(path+"severity", "is no severity", "write hold, flag or note")
	case s.twoStep():
		c.fault(path+"severity", "this check flags and holds at limits of its own", "set its keys flag and hold")
	case s.Code == codeResent:
		c.fault(path+"severity", "a resend is set aside, not judged", "leave it out")
	case weight(sev) < weight(s.Severity) && !s.weakens():
		c.fault(path+"severity", "cannot be lowered for this check", s.whyFirm())
	default:
		s.sev = sev
	}
}

// value reads one limit.
func (c *compiler) value(path string, k Key, raw any, s *rule) {
	text, isText := raw.(string)
	switch k.Kind {
	case Decimal:
		if !isText {
			c.fault(path, "is not a quoted decimal", "write it in quotes, such as \""+orExample(k.Default, "5.0")+"\"")
			return
		}
		n, err := poct.ParseNumber(text)
		if err != nil || !n.Exact() {
			c.fault(path, "is not a decimal number", "write digits with a point, such as \""+orExample(k.Default, "5.0")+"\"")
			return
		}
		s.numbers[k.Name] = n
	case Duration:
		d, err := time.ParseDuration(text)
		if !isText || err != nil || d <= 0 {
			c.fault(path, "is not a duration above zero", "write hours, minutes or seconds, such as "+orExample(k.Default, "24h"))
			return
		}
		s.spans[k.Name] = d
	case Texts:
		list, ok := asTexts(raw)
		if !ok {
			c.fault(path, "is not a list of texts", "write ["+`"T-1", "T-2"`+"], each in quotes")
			return
		}
		s.texts[k.Name] = list
	case Choice:
		if !slices.Contains(k.Options, text) {
			c.fault(path, "is none of its words", "write "+strings.Join(k.Options, " or "))
			return
		}
		s.choices[k.Name] = text
	case IDForms:
		c.idForms(path, raw, s)
	}
}

// idForms reads authority -> {form, scheme}.
func (c *compiler) idForms(path string, raw any, s *rule) {
	const instead = `write {MILLRACE: {form: "[0-9]{8}", scheme: mod10}}`
	all, ok := asMap(raw)
	if !ok {
		c.fault(path, "is not a list of assigning authorities", instead)
		return
	}
	s.forms = map[string]idForm{}
	for _, authority := range sortedKeys(all) {
		at := path + "." + authority
		keys, ok := asMap(all[authority])
		if !ok || len(keys) == 0 {
			c.fault(at, "says neither form nor scheme", instead)
			continue
		}
		var f idForm
		for _, name := range sortedKeys(keys) {
			text, _ := keys[name].(string)
			switch name {
			case "form":
				re, err := regexp.Compile(`^(?:` + text + `)$`)
				if text == "" || err != nil {
					c.fault(at+".form", "is not a pattern", `write a regular expression of the whole identifier, such as "[0-9]{8}"`)
					continue
				}
				f.form = re
			case "scheme":
				if f.check = schemes[text]; f.check == nil {
					c.fault(at+".scheme", "is no check digit scheme that is known here", "write "+strings.Join(sortedKeys(schemes), " or ")+", or leave it out")
				}
				f.scheme = text
			default:
				c.fault(at+"."+name, "is not known here", "it takes form and scheme")
			}
		}
		s.forms[authority] = f
	}
}

// byDefault is a check's setting without any configuration.
func byDefault(ch *check) *rule {
	s := (&rule{check: ch}).clone()
	c := &compiler{}
	for _, k := range ch.Keys {
		switch {
		case k.Default == "":
		case k.Kind == Texts:
			s.texts[k.Name] = strings.Split(k.Default, ", ")
		default:
			c.value(k.Name, k, k.Default, s)
		}
	}
	if len(c.faults) > 0 {
		panic("validate: default of " + ch.Code + ": " + c.faults[0].What)
	}
	s.limit = limitText(s)
	return s
}

func (s *rule) clone() *rule {
	n := *s
	n.own, n.numbers, n.spans, n.texts, n.choices = copied(s.own), copied(s.numbers), copied(s.spans), copied(s.texts), copied(s.choices)
	if s.Code == multiruleCheck.Code {
		n.charts = &charts{}
	}
	return &n
}

// copied is a map of its own, never nil.
func copied[V any](m map[string]V) map[string]V {
	n := make(map[string]V, len(m))
	maps.Copy(n, m)
	return n
}

// limitText says all limits of a check and where they come from.
func limitText(s *rule) string {
	var parts []string
	set := false
	for _, k := range s.Keys {
		v := ""
		switch k.Kind {
		case Decimal:
			v = s.numbers[k.Name].String()
		case Duration:
			switch d := s.spans[k.Name]; {
			case d%time.Minute != 0:
				v = seconds(d)
			case d > 0:
				v = span(d)
			}
		case Choice:
			v = s.choices[k.Name]
		}
		if v != "" {
			parts = append(parts, strings.ReplaceAll(k.Name, "_", " ")+" "+v)
		}
		set = set || s.own[k.Name]
	}
	if len(parts) == 0 {
		return ""
	}
	source, _, _ := strings.Cut(s.Source, ";") // kept with every answer, so in short
	if set {
		source = "set in the configuration"
	}
	return strings.Join(parts, ", ") + " (" + source + ")"
}

// weakens reports whether the configuration may lower or switch off a check:
// only where a person may release what it holds. The alert for a critical
// value always stays.
func (ch *check) weakens() bool {
	if ch.Code == codeCritical {
		return false
	}
	return ch.Severity != poct.Hold && ch.Code != codeResent || ch.May(poct.ActRelease)
}

func (ch *check) whyFirm() string {
	switch ch.Code {
	case codeCritical:
		return "a critical value alerts a person always; set its limit instead"
	case codeResent:
		return "a resend is set aside always; leave it out"
	}
	return "nobody may release what it finds, so no setting may either; leave it out"
}

// twoStep reports whether a check flags at one limit and holds at another.
func (ch *check) twoStep() bool {
	return slices.ContainsFunc(ch.Keys, func(k Key) bool { return strings.HasPrefix(k.Name, "hold") })
}

func weight(s poct.Severity) int {
	return slices.Index([]poct.Severity{poct.Note, poct.Flag, poct.Hold}, s)
}

func keyNames(ch *check) []string {
	var names []string
	if !ch.twoStep() && ch.Code != codeResent {
		names = append(names, "severity")
	}
	for _, k := range ch.Keys {
		names = append(names, k.Name)
	}
	if ch.weakens() {
		names = append(names, "off")
	}
	return names
}
