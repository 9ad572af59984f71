package standin

import (
	"fmt"
	"strings"
	"time"
)

// issue is one finding about a resource, as an OperationOutcome tells it.
type issue struct {
	code string // IssueType: structure, required, value, invariant, code-invalid, business-rule ...
	at   string // FHIRPath of the element
	text string
}

// link is a reference found in a resource, to be resolved when it is applied.
type link struct {
	ref     *node // the string node, rewritten in place
	targets map[string]bool
	at      string
}

// examined is a resource after judging.
type examined struct {
	tree   *node
	typ    string
	id     string
	issues []issue
	links  []link
}

const mostIssues = 20

// examine judges everything that one resource can be judged by alone:
// elements, types, cardinalities, required sets, dates, invariants.
func examine(tree *node) *examined {
	x := &examined{tree: tree, typ: tree.str("resourceType"), id: tree.str("id")}
	if !keeps(x.typ) {
		x.say("not-supported", "resourceType", "this record keeps no such resource")
		return x
	}
	x.resource(tree, x.typ, true)
	if len(x.issues) == 0 {
		x.invariants()
	}
	return x
}

func (x *examined) say(code, at, format string, args ...any) {
	if len(x.issues) < mostIssues {
		x.issues = append(x.issues, issue{code, at, fmt.Sprintf(format, args...)})
	}
}

func (x *examined) resource(n *node, typ string, outer bool) {
	x.object(n, typ, typ)
	contained := n.list("contained")
	if len(contained) > 0 && !outer {
		x.say("invariant", typ+".contained", "dom-2: a contained resource contains none")
	}
	ids := map[string]bool{}
	for _, c := range contained {
		inner := c.str("resourceType")
		if !keeps(inner) {
			x.say("not-supported", typ+".contained", "this record knows no contained %q", inner)
			continue
		}
		ids[c.str("id")] = true
		x.resource(c, inner, false)
	}
	if !outer {
		return
	}
	used := map[string]bool{}
	rest := x.links[:0]
	for _, l := range x.links { // inner references are settled here
		if name, ok := strings.CutPrefix(l.ref.text, "#"); ok {
			used[name] = true
			if !ids[name] {
				x.say("invariant", l.at, "ref-1: #%s is not contained", name)
			}
			continue
		}
		rest = append(rest, l)
	}
	x.links = rest
	for id := range ids {
		if id == "" || !used[id] {
			x.say("invariant", typ+".contained", "dom-3: a contained resource is referenced by nothing")
		}
	}
}

// object judges the members of a complex value.
func (x *examined) object(n *node, typ, path string) {
	if typ == "Any" {
		return
	}
	d := types[typ]
	if n.kind != isObject {
		x.say("structure", path, "an object belongs here")
		return
	}
	if len(n.members) == 0 {
		x.say("invariant", path, "ele-1: an element is not empty")
		return
	}
	chosen := map[string]bool{}
	for i := range n.members {
		key, v := n.members[i].key, n.members[i].value
		switch {
		case strings.HasPrefix(key, "_") && d.elements[key[1:]] != nil:
			continue // extensions of a primitive
		case (key == "resourceType" || key == "id") && keeps(typ):
			if v.kind != isString || (key == "id" && !idText.MatchString(v.text)) {
				x.say("value", path+"."+key, "not an id of FHIR: letters, digits, '-', '.', at most 64")
			}
			continue
		}
		e := d.elements[key]
		at := path + "." + key
		if e == nil {
			x.say("structure", at, "%s has no element of this name", typ)
			continue
		}
		name := key
		if e.group != "" {
			name = e.group
			if chosen[name] {
				x.say("structure", at, "one %s[x] only", name)
			}
		}
		chosen[name] = true
		x.element(v, e, at)
	}
	for _, r := range d.required {
		if !chosen[r] {
			x.say("required", path+"."+r, "this element is required")
		}
	}
}

func (x *examined) element(v *node, e *element, at string) {
	if !e.many {
		if v.kind == isArray {
			x.say("structure", at, "one value belongs here, not an array")
			return
		}
		x.value(v, e, at)
		return
	}
	if v.kind != isArray {
		x.say("structure", at, "an array belongs here")
		return
	}
	if len(v.items) == 0 {
		x.say("structure", at, "an array is not empty")
	}
	for i, item := range v.items {
		x.value(item, e, fmt.Sprintf("%s[%d]", at, i))
	}
}

func (x *examined) value(v *node, e *element, at string) {
	if v.kind == isNull {
		x.say("structure", at, "no null here")
		return
	}
	if e.typ == "Resource" {
		return // contained, judged by resource
	}
	if types[e.typ] == nil && e.typ != "Any" {
		x.primitive(v, e, at)
		return
	}
	x.object(v, e.typ, at)
	switch e.typ {
	case "Reference":
		if r := v.get("reference"); r != nil && r.kind == isString {
			x.links = append(x.links, link{r, e.targets, at})
		} else if v.get("identifier") == nil && v.get("display") == nil && v.get("extension") == nil {
			x.say("invariant", at, "a reference names something")
		}
	case "Quantity", "Duration":
		if v.get("code") != nil && v.get("system") == nil {
			x.say("invariant", at, "qty-3: a unit code needs its system")
		}
	case "Period":
		start, end := v.str("start"), v.str("end")
		a, errA := time.Parse(time.RFC3339, start)
		b, errB := time.Parse(time.RFC3339, end)
		if errA == nil && errB == nil && b.Before(a) {
			x.say("invariant", at, "per-1: start is not after end")
		}
	case "Extension":
		x.extension(v, at)
	}
}

func (x *examined) extension(v *node, at string) {
	value := ""
	for i := range v.members {
		if strings.HasPrefix(v.members[i].key, "value") {
			value = v.members[i].key
		}
	}
	if (value != "") == (v.get("extension") != nil) {
		x.say("invariant", at, "ext-1: either a value or extensions")
	}
	const reagent = "http://hl7.org/fhir/StructureDefinition/observation-reagent"
	if v.str("url") == reagent {
		if value != "valueReference" {
			x.say("invariant", at, "observation-reagent holds a reference to a Substance")
			return
		}
		if n := len(x.links); n > 0 {
			x.links[n-1].targets = map[string]bool{"Substance": true}
		}
	}
}

// invariants of the resources, by their keys in hl7.org/fhir/R4, and the few
// business rules of this record.
func (x *examined) invariants() {
	switch x.typ {
	case "Observation":
		x.observation()
	case "Organization":
		if x.tree.get("identifier") == nil && x.tree.get("name") == nil {
			x.say("invariant", "Organization", "org-1: a name or an identifier")
		}
	}
}

func hasValue(n *node) bool {
	for i := range n.members {
		if e := types["Observation"].elements[n.members[i].key]; e != nil && e.group == "value" {
			return true
		}
	}
	return false
}

func (x *examined) observation() {
	o := x.tree
	absent := o.get("dataAbsentReason") != nil
	if absent && hasValue(o) {
		x.say("invariant", "Observation.dataAbsentReason", "obs-6: only where there is no value")
	}
	codes := codings(o.get("code"))
	if hasValue(o) {
		for i, c := range o.list("component") {
			for code := range codings(c.get("code")) {
				if codes[code] {
					x.say("invariant", fmt.Sprintf("Observation.component[%d].code", i), "obs-7: the component repeats the observation's code")
				}
			}
		}
	}
	ranges := o.list("referenceRange")
	for _, c := range o.list("component") {
		ranges = append(ranges, c.list("referenceRange")...)
	}
	for _, r := range ranges {
		if r.get("low") == nil && r.get("high") == nil && r.get("text") == nil {
			x.say("invariant", "Observation.referenceRange", "obs-3: low, high or text")
		}
	}
	if !absent && !hasValue(o) && o.get("component") == nil && o.get("hasMember") == nil {
		x.say("business-rule", "Observation.value", "neither a value nor a reason for its absence")
	}
	if o.get("subject") == nil {
		x.say("business-rule", "Observation.subject", "this record keeps nothing without a subject")
	}
	if o.get("identifier") == nil {
		x.say("business-rule", "Observation.identifier", "this record keeps nothing without an identifier")
	}
	if o.get("effectiveDateTime") == nil && o.get("effectivePeriod") == nil && o.get("effectiveInstant") == nil {
		x.say("business-rule", "Observation.effective", "the time of the test is missing")
	}
	x.units(codes)
}

// unitsOf names the units in which a LOINC term's value makes sense: an INR is
// a ratio, a prothrombin time a time. From the terms' properties (RelTime,
// Time) and the UCUM table of example units; the record refuses other pairs.
var unitsOf = map[string][]string{
	"46418-0": {"{INR}", "1"}, "34714-6": {"{INR}", "1"}, "6301-6": {"{INR}", "1"}, "38875-1": {"{INR}", "1"}, "52129-4": {"{INR}", "1"},
	"46417-2": {"s", "ms"}, "5964-2": {"s", "ms"}, "5902-2": {"s", "ms"},
}

// notAResult are LOINC terms that are no measured patient value: the deprecated
// INR, and the INR goal.
var notAResult = map[string]bool{"5895-7": true, "92891-1": true}

const (
	loinc = "http://loinc.org"
	ucum  = "http://unitsofmeasure.org"
)

func (x *examined) units(codes map[string]bool) {
	q := x.tree.get("valueQuantity")
	for code := range codes {
		term, ok := strings.CutPrefix(code, loinc+"|")
		if !ok {
			continue
		}
		if notAResult[term] {
			x.say("business-rule", "Observation.code", "LOINC %s is no measured result", term)
		}
		allowed := unitsOf[term]
		if q == nil || allowed == nil {
			continue
		}
		fits := false
		for _, u := range allowed {
			fits = fits || (q.str("system") == ucum && q.str("code") == u)
		}
		if !fits {
			x.say("business-rule", "Observation.value", "LOINC %s is not measured in this unit", term)
		}
		if v := q.get("value"); v == nil {
			x.say("business-rule", "Observation.value", "a quantity without a value")
		}
	}
}

// codings is the set "system|code" of a CodeableConcept.
func codings(n *node) map[string]bool {
	out := map[string]bool{}
	for _, c := range n.list("coding") {
		out[c.str("system")+"|"+c.str("code")] = true
	}
	return out
}
