package mapping

import (
	"regexp"
	"slices"
	"strings"

	"tidegate/poct"
	"tidegate/wire/hl7"
)

func draftKeyLIS02(raw []byte) (key, problem string) {
	m, fault := lisParse(raw, false)
	switch {
	case fault != nil:
		return "", "the message cannot be read: " + fault.Error()
	case m.Incomplete() != nil:
		return "", "the message cannot be read: " + m.Incomplete().Error()
	}
	if orders, _ := m.Orders(); len(orders) == 0 {
		return "", "the message holds no result"
	}
	return lisPath("H.5").Of(m.Header()).Text(), ""
}

// heardLIS are the orders of all samples, and what each code of R was sent with.
type heardLIS struct {
	g      *drafted
	orders []*lisOrder
	kinds  []*codedKind
}

// draftLIS02 looks at the places where the records have things, and at what
// the codes of results are called. Which of the patient's places holds the
// record's number is for each sender to say.
func draftLIS02(g *drafted) {
	h := &heardLIS{g: g}
	p := &Profile{fallback: hl7.Windows1252}
	for _, raw := range g.messages {
		m, fault := lisParse(raw, false)
		if fault != nil {
			continue // refused before
		}
		if lisCharset(raw, p) == hl7.Windows1252 && g.cfg.Charset == "" {
			g.cfg.Charset = "windows-1252"
			g.doubt("charset", "a message is not UTF-8; windows-1252 is a guess")
		}
		orders, _ := m.Orders()
		for _, o := range orders {
			h.orders = append(h.orders, &lisOrder{Order: o, p: p, charset: lisCharset(raw, p)})
		}
	}
	if sender := h.seen("H.5"); len(sender) == 1 {
		g.cfg.Match = map[string]Values{"H.5": {sender[0]}}
		g.cfg.Model, g.cfg.ID = sender[0], strings.ToLower(sender[0])+"-lis02"
	} else {
		g.doubt("match", "H.5 is empty: on an inlet with several profiles, match by another place")
	}
	h.listen()
	h.fields()
	h.controls()
	g.coded("R.3.4", h.kinds)
}

// seen lists the different texts at a place.
func (h *heardLIS) seen(at string) []string {
	var out []string
	path := lisPath(at)
	for _, o := range h.orders {
		for _, r := range o.among(path) {
			if t := o.at(path, r).text; t != "" && !slices.Contains(out, t) {
				out = append(out, t)
			}
		}
	}
	return out
}

func (h *heardLIS) first(places ...string) string {
	for _, at := range places {
		if len(h.seen(at)) > 0 {
			return at
		}
	}
	return ""
}

func (h *heardLIS) listen() {
	for _, o := range h.orders {
		for _, r := range o.Records('R') {
			code := o.at(lisPath("R.3.4"), r).text
			at := slices.IndexFunc(h.kinds, func(k *codedKind) bool { return k.code == code })
			if at < 0 {
				at = len(h.kinds)
				h.kinds = append(h.kinds, &codedKind{code: code, means: meaningOf(code).field})
			}
			k := h.kinds[at]
			if v := o.at(lisPath("R.4"), r).text; !slices.Contains(k.values, v) {
				k.values = append(k.values, v)
			}
			if unit := o.at(lisPath("R.5"), r).text; !slices.Contains(k.units, unit) {
				k.units = append(k.units, unit)
			}
		}
	}
	for _, k := range h.kinds {
		if (k.means == "inr" || k.means == "pt") && !slices.ContainsFunc(k.values, isNumber) {
			k.means = ""
		}
	}
}

// result is where a field stands that is sent as a result of its own.
func (h *heardLIS) result(field string) FieldConfig { return coded("R.4", "R.3.4", h.kinds, field) }

func (h *heardLIS) fields() {
	g, f := h.g, &h.g.cfg.Fields
	for _, x := range []struct {
		to     *FieldConfig
		places []string
	}{
		{&f.Meter, []string{"R.14", "H.5"}}, {&f.Sequence, []string{"O.3", "O.4"}}, {&f.TestedAt, []string{"R.13", "R.12", "O.8"}},
		{&f.Operator, []string{"R.11", "O.11"}}, {&f.Patient, []string{"P.3", "P.4", "P.5"}}, {&f.Family, []string{"P.6.1"}}, {&f.Given, []string{"P.6.2"}},
		{&f.BirthDate, []string{"P.8"}}, {&f.Sex, []string{"P.9"}},
	} {
		x.to.At = h.first(x.places...)
	}
	if f.Meter.At != "R.14" {
		g.doubt("fields.meter", "R.14 is empty; what names the meter itself? H.5 may name the program")
	}
	if orPlace(&f.Meter.At, "R.14"); f.TestedAt.At != "R.13" {
		g.doubt("fields.tested_at", "R.13, when the test was completed, is empty")
	}
	orPlace(&f.TestedAt.At, "R.13")
	f.TestedAt.Zone = "site"
	g.doubt("fields.tested_at", "times come without an offset; they are read in the zone of the meter's site")
	var numbers []string
	for _, at := range []string{"P.3", "P.4", "P.5"} {
		if len(h.seen(at)) > 0 {
			numbers = append(numbers, at)
		}
	}
	if len(numbers) != 1 {
		g.doubt("fields.patient", "%d of P.3, P.4 and P.5 hold a number; which is the record's?", len(numbers))
	}
	orPlace(&f.Patient.At, "P.3")
	f.Patient.Authority = "AUTHORITY"
	g.doubt("fields.patient", "write the authority that assigned the number, as in registry.identifier_systems")
	f.StripExpires, f.Haematocrit, f.Error = h.result(poct.FieldStripExpires), h.result(poct.FieldHaematocrit), h.result("error")
	if f.StripLot = h.result(poct.FieldStripLot); !f.StripLot.set() {
		h.lotElsewhere()
	}
}

// lotElsewhere looks for the strip lot in comments and makers' own records: no
// field of LIS02 is for it.
func (h *heardLIS) lotElsewhere() {
	for _, at := range []string{"C.4", "M.4", "M.3", "M.5"} {
		re := regexp.MustCompile(lotPatterns[0])
		if slices.ContainsFunc(h.seen(at), re.MatchString) {
			h.g.cfg.Fields.StripLot = FieldConfig{At: at, Pattern: lotPatterns[0]}
			h.g.doubt("fields.strip_lot", "it is cut out of the text in %s; try it with every way that the text is written", at)
			return
		}
	}
	h.g.doubt("fields.strip_lot", "no strip lot was found: not as a result of its own, in C or in M")
}

func (h *heardLIS) controls() {
	if !slices.Contains(h.seen("O.12"), "Q") {
		return
	}
	c := &h.g.cfg.Control
	c.When = map[string]Values{"O.12": {"Q"}}
	c.Lot, c.Level = h.result(poct.FieldControlLot), h.result(poct.FieldControlLevel)
	if !c.Lot.set() || !c.Level.set() {
		h.g.doubt("control", "no result names the control lot and its level; where the draft reads them is a guess")
		orPlace(&c.Lot.At, "O.14")
		orPlace(&c.Level.At, "O.15")
	}
}
