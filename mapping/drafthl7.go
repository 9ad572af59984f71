package mapping

import (
	"regexp"
	"slices"
	"strings"

	"tidegate/poct"
	"tidegate/wire/hl7"
)

func draftKeyHL7(raw []byte) (key, problem string) {
	m, fault := parse(raw, hl7.Windows1252)
	switch {
	case fault != nil:
		return "", "the message cannot be read: " + fault.Error()
	case read(mshType, m).text != "ORU":
		return "", "the message is no result message (ORU): MSH-9 says otherwise"
	}
	return m.Get("MSH-3.1").Text(), ""
}

// heard are the segments of results in all samples, and what each code was
// sent with.
type heard struct {
	g      *drafted
	orders []*hl7.Order
	kinds  []*codedKind
}

// draftHL7 looks at the places where the standard puts things, and at what the
// codes of results are called.
func draftHL7(g *drafted) {
	h := &heard{g: g}
	for _, raw := range g.messages {
		m, fault := parse(raw, hl7.Windows1252)
		if fault != nil {
			continue // refused before
		}
		if set, why := m.Charset(); set == hl7.Windows1252 && why == nil && g.cfg.Charset == "" {
			g.cfg.Charset = "windows-1252"
			g.doubt("charset", "a message declares no character set and is not UTF-8; windows-1252 is a guess")
		}
		orders, _ := m.Orders()
		h.orders = append(h.orders, orders...)
	}
	program := h.seen("MSH-3.1")
	if len(program) == 1 {
		g.cfg.Match = map[string]Values{"MSH-3.1": {program[0]}}
		g.cfg.Model, g.cfg.ID = program[0], strings.ToLower(program[0])+"-hl7"
		if versions := h.seen("MSH-3.2"); len(versions) > 1 {
			g.doubt("match", "MSH-3.2 differs among the samples (%s): where these programs measure or code differently, they need a profile each", strings.Join(versions, ", "))
		}
	} else {
		g.doubt("match", "MSH-3.1 is empty: on an inlet with several profiles, match by another place")
	}
	h.listen()
	h.fields()
	h.patient()
	h.controls()
	g.coded("OBX-3.1", h.kinds)
}

// seen lists the different texts at a place, in all orders and their results.
func (h *heard) seen(at string) []string {
	var out []string
	p := hl7.MustPath(at)
	add := func(s hl7.Scope) {
		if t := read(p, s).text; t != "" && !slices.Contains(out, t) {
			out = append(out, t)
		}
	}
	for _, o := range h.orders {
		switch p.Segment {
		case "OBX":
			for _, b := range o.Observations {
				add(b)
			}
		case "SPM":
			for _, s := range o.Specimens {
				add(s)
			}
		default:
			add(o)
		}
	}
	return out
}

// listen sorts what is sent in OBX by code and guesses what each means.
func (h *heard) listen() {
	for _, o := range h.orders {
		for _, b := range o.Observations {
			code := read(obxCode, b).text
			at := slices.IndexFunc(h.kinds, func(k *codedKind) bool { return k.code == code })
			if at < 0 {
				at = len(h.kinds)
				h.kinds = append(h.kinds, &codedKind{code: code, text: read(hl7.MustPath("OBX-3.2"), b).text})
			}
			k := h.kinds[at]
			v := hl7.MustPath("OBX-5").In(b)
			value := told(v).text
			if read(obxType, b).text == "SN" {
				value = structured(v)
			}
			if !slices.Contains(k.values, value) {
				k.values = append(k.values, value)
			}
			if unit := read(hl7.MustPath("OBX-6.1"), b).text; !slices.Contains(k.units, unit) {
				k.units = append(k.units, unit)
			}
		}
	}
	for _, k := range h.kinds {
		k.means = meaningOf(k.code + " " + k.text).field
		if known, ok := analyteCodes[k.code]; ok {
			k.means = known.analyte
		}
		if _, no := notResults[k.code]; no || (k.means == "inr" || k.means == "pt") && !slices.ContainsFunc(k.values, isNumber) {
			k.means = ""
		}
	}
}

func isNumber(s string) bool { _, ok := number(s, false); return ok }

// meaning lists the codes that mean a field.
func (h *heard) meaning(field string) []*codedKind {
	var out []*codedKind
	for _, k := range h.kinds {
		if k.means == field {
			out = append(out, k)
		}
	}
	return out
}

// first is the first of the places that holds something in some sample.
func (h *heard) first(places ...string) string {
	for _, at := range places {
		if len(h.seen(at)) > 0 {
			return at
		}
	}
	return ""
}

// result is where a field stands that is sent as a result of its own.
func (h *heard) result(key string, field string) FieldConfig {
	kinds := h.meaning(field)
	if len(kinds) == 0 {
		return FieldConfig{}
	}
	if len(kinds) > 1 {
		h.g.doubt(key, "two codes could hold it: %s and %s", kinds[0].code, kinds[1].code)
	}
	return FieldConfig{At: "OBX-5", Where: map[string]Values{"OBX-3.1": {kinds[0].code}}}
}

func (h *heard) fields() {
	g, f := h.g, &h.g.cfg.Fields
	for _, x := range []struct {
		to     *FieldConfig
		places []string
	}{
		{&f.Meter, []string{"OBX-18.1", "OBR-3.2", "MSH-4.1"}}, {&f.Sequence, []string{"OBR-3.1", "ORC-3.1", "OBR-2.1", "MSH-10"}},
		{&f.TestedAt, []string{"OBR-7", "OBX-14", "OBX-19"}}, {&f.Operator, []string{"OBX-16.1", "ORC-10.1"}}, {&f.BirthDate, []string{"PID-7"}},
		{&f.Family, []string{"PID-5.1"}}, {&f.Given, []string{"PID-5.2"}}, {&f.Sex, []string{"PID-8"}}, {&f.Visit, []string{"PV1-19.1"}},
		{&f.Order, []string{"ORC-2.1"}}, {&f.SampledAt, []string{"SPM-17.1"}},
	} {
		x.to.At = h.first(x.places...)
	}
	switch f.Meter.At {
	case "":
		f.Meter.At = "OBX-18.1"
		g.doubt("fields.meter", "nothing like a serial number was found; OBX-18.1 is where the standard has it")
	case "MSH-4.1", "OBR-3.2":
		g.doubt("fields.meter", "OBX-18 is empty; %s may name the clinic or the program instead of the meter", f.Meter.At)
	}
	if f.Sequence.At == "MSH-10" {
		g.doubt("fields.sequence", "only the message's own number was found; it changes when a result is sent again")
	}
	if f.TestedAt.At == "" {
		f.TestedAt.At = "OBR-7"
		g.doubt("fields.tested_at", "no time of a test was found")
	} else if other := h.seen("OBX-14"); f.TestedAt.At == "OBR-7" && len(other) > 0 && !slices.Equal(other, h.seen("OBR-7")) {
		g.doubt("fields.tested_at", "OBR-7 and OBX-14 differ in some samples; which of them is the time of the test?")
	}
	if slices.ContainsFunc(h.seen(f.TestedAt.At), func(s string) bool { t, err := hl7.ParseTime(s); return err == nil && !t.HasOffset }) {
		f.TestedAt.Zone = "site"
		g.doubt("fields.tested_at", "times come without an offset; they are read in the zone of the meter's site unless MSH-7 has one")
	}
	f.StripLot, f.StripExpires = h.result("fields.strip_lot", poct.FieldStripLot), h.result("fields.strip_expires", poct.FieldStripExpires)
	if !f.StripLot.set() {
		h.lotElsewhere()
	}
	f.Haematocrit, f.Error = h.result("fields.haematocrit", poct.FieldHaematocrit), h.result("fields.error", "error")
	f.RunTime = h.result("fields.run_time", poct.FieldRunTime)
	if f.Onboard = h.result("fields.onboard", "onboard"); f.Onboard.set() {
		f.Onboard.Values = passing(h.meaning("onboard")[0].values)
		g.doubt("fields.onboard", "what is not listed as pass counts as fail; add every word for pass")
	}
}

// passing are words for a strip's own check that passed (common practice, no source).
func passing(values []string) map[string]string {
	out := map[string]string{}
	for _, v := range values {
		switch {
		case slices.Contains([]string{"ok", "pass", "passed", "good", "valid", "1"}, strings.ToLower(v)):
			out[v] = "pass"
		case v != "":
			out[v] = "fail"
		}
	}
	if len(out) == 0 {
		out["OK"] = "pass"
	}
	return out
}

// lotPatterns cut a lot out of a text that names it.
var lotPatterns = []string{`(?i)\blot[ :#]*([A-Za-z0-9-]*[0-9][A-Za-z0-9-]*)`, `(?i)\bstrip[ :#]*([A-Za-z0-9-]*[0-9][A-Za-z0-9-]*)`}

// lotElsewhere looks for the strip lot in the places that makers use besides.
func (h *heard) lotElsewhere() {
	f := &h.g.cfg.Fields
	for _, at := range []string{"SID-2", "INV-16.1"} {
		if len(h.seen(at)) > 0 {
			f.StripLot.At = at
			return
		}
	}
	for _, at := range []string{"OBX-17.2", "OBX-17.1", "NTE-3"} {
		texts := h.seen(at)
		if at == "NTE-3" {
			texts = h.notes()
		}
		for _, pattern := range lotPatterns {
			re := regexp.MustCompile(pattern)
			if slices.ContainsFunc(texts, re.MatchString) {
				f.StripLot.At, f.StripLot.Pattern = at, pattern
				h.g.doubt("fields.strip_lot", "it is cut out of the text in %s; try it with every way that the text is written", at)
				return
			}
		}
	}
	h.g.doubt("fields.strip_lot", "no strip lot was found: not as a result of its own, in SID-2, INV-16, OBX-17 or NTE-3")
}

func (h *heard) notes() []string {
	var out []string
	for _, o := range h.orders {
		for _, b := range o.Observations {
			for _, n := range b.Notes {
				out = append(out, told(n.Field(3)).text)
			}
		}
		for _, n := range o.Notes {
			out = append(out, told(n.Field(3)).text)
		}
	}
	return out
}

func (h *heard) patient() {
	f := &h.g.cfg.Fields.Patient
	f.At = "PID-3"
	types, authorities, most := map[string]int{}, map[string]int{}, 0
	for _, o := range h.orders {
		n := 0
		for _, cx := range hl7.MustPath("PID-3").In(o).Repetitions() {
			if cx.Component(1).Empty() {
				continue
			}
			n++
			types[cx.Component(5).Text()]++
			authorities[cx.Component(4).Subcomponent(1).Text()]++
		}
		most = max(most, n)
	}
	if most == 0 {
		f.Authority = "AUTHORITY"
		h.g.doubt("fields.patient", "PID-3 is empty in every sample; where does the patient's number stand?")
		return
	}
	f.Type, f.Authority = only1(types), only1(authorities)
	if f.Authority == "" {
		h.g.doubt("fields.patient", "no assigning authority is sent (CX.4): write the one whose numbers these are, as in registry.identifier_systems")
	}
	if most > 1 || len(types) > 1 || len(authorities) > 1 {
		f.Type, f.Authority = preferred(types, "MR"), preferred(authorities, "")
		h.g.doubt("fields.patient", "%d identifiers stand side by side in PID-3, of types %s; which is the record's number?", most, strings.Join(sortedKeys(types), ", "))
	}
}

func (h *heard) controls() {
	c := &h.g.cfg.Control
	service := slices.DeleteFunc(h.seen("OBR-4.1"), func(code string) bool { return !anyOf(words(code), controlWords...) })
	switch {
	case slices.Contains(h.seen("SPM-11.1"), "Q"):
		c.When = map[string]Values{"SPM-11.1": {"Q"}}
	case len(service) > 0:
		c.When = map[string]Values{"OBR-4.1": service}
		h.g.doubt("control.when", "controls are told by the code of their order; make sure that no patient's result comes under it")
	default:
		return
	}
	c.Lot, c.Level = h.result("control.lot", poct.FieldControlLot), h.result("control.level", poct.FieldControlLevel)
	if !c.Lot.set() {
		c.Lot.At = h.first("INV-16.1", "SPM-2.1")
		h.g.doubt("control.lot", "no result names the control lot; %s is a guess", orPlace(&c.Lot.At, "SPM-2.1"))
	}
	if !c.Level.set() {
		c.Level.At = h.first("SPM-14", "SPM-3.1")
		h.g.doubt("control.level", "no result names the control's level; %s is a guess", orPlace(&c.Level.At, "SPM-14"))
	}
}

func orPlace(at *string, instead string) string {
	if *at == "" {
		*at = instead
	}
	return *at
}
