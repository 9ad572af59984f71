package mapping

import (
	"slices"
	"strings"

	"tidegate/poct"
	"tidegate/wire/astm"
)

// lisOrder reads one order with its results.
func (r *reader) lisOrder(g *lisOrder) Decoded {
	g.pick()
	r.get, r.every = g.field, g.every
	var statuses []poct.Status
	for i, rec := range g.results {
		r.lisResult(g, g.as[i], rec)
		statuses = append(statuses, r.lisStatusOf(g, rec))
	}
	r.context()
	r.agreed()
	if !r.p.fields.sentAt.on {
		r.r.SentAt = r.stamp("sent_at", &field{on: true, place: place{in: lisTime}, zone: r.p.fields.testedAt.zone})
	}
	r.r.Patient = poct.PatientRef{ID: r.text(poct.FieldPatient, &r.p.fields.patient)}
	if r.r.Patient.ID != "" {
		r.r.Patient.Authority = r.p.fields.patient.authority
	}
	r.lisKind(g)
	r.compares(g.allHold)
	r.lisStatus(statuses)
	lacks := slices.ContainsFunc(r.p.results, func(x result) bool {
		_, measured := r.r.Measured(x.analyte)
		return !measured && !slices.Contains(r.p.notSent, x.analyte)
	})
	if len(g.results) == 0 && r.r.DeviceError == "" {
		r.found = append(r.found, unreadable(poct.FieldCode, "The order holds no result that the profile knows"+codes(g.strange)+"."))
	} else if len(g.strange) > 0 && lacks {
		r.found = append(r.found, unreadable(poct.FieldCode, "The order lacks a result that the profile knows"+codes(g.strange)+"."))
	}
	return r.finish()
}

// agreed holds what the results of one test tell in two ways.
func (r *reader) agreed() {
	f := &r.p.fields
	for _, x := range []struct {
		name string
		f    *field
	}{{poct.FieldMeter, &f.meter}, {poct.FieldTestedAt, &f.testedAt}, {poct.FieldStripLot, &f.stripLot}} {
		if x.f.on && r.read(x.f).disputed {
			r.found = append(r.found, unreadable(x.name, "The results of one test name different values for "+strings.ReplaceAll(x.name, "_", " ")+"."))
		}
	}
}

// lisResult reads one R as a measurement.
func (r *reader) lisResult(g *lisOrder, x *result, rec astm.Record) {
	if _, twice := r.r.Measured(x.analyte); twice {
		r.found = append(r.found, unreadable(x.analyte, "One order holds "+strings.ToUpper(x.analyte)+" twice; which of the two counts is not known."))
		return
	}
	in := func(f *field) found {
		if f.formula != nil {
			return f.formula.compute(func(p place) found { return g.at(p.in.(astm.Path), rec) })
		}
		return g.at(f.in.(astm.Path), rec)
	}
	value := in(&x.value)
	r.legible(x.analyte, value)
	var flags []string
	for _, v := range lisFlags.Of(rec).Repeats() {
		if t := g.told(v).text; t != "" {
			flags = append(flags, t)
		}
	}
	code := strings.Trim(g.at(lisCode, rec).text, "^") // ^^^INR: the maker's own code alone
	m := r.measurement(x, value.text, in(&x.unit).text, code, strings.Join(flags, "~"))
	r.r.Measurements = append(r.r.Measurements, m)
	r.r.Where[x.analyte] = value.at
}

// lisStatusOf reads R.9, or the profile's own place; "" if it is not known.
func (r *reader) lisStatusOf(g *lisOrder, rec astm.Record) poct.Status {
	f := &r.p.fields.status
	if !f.on {
		return lisStatuses[g.at(lisStatus, rec).text]
	}
	text := ""
	if f.formula != nil {
		text = f.formula.compute(func(p place) found { return g.at(p.in.(astm.Path), rec) }).text
	} else {
		text = g.at(f.in.(astm.Path), rec).text
	}
	if word, ok := f.values[text]; ok {
		return poct.Status(word)
	}
	return lisStatuses[text]
}

func (r *reader) lisStatus(list []poct.Status) {
	status, ok := joinStatus(list)
	r.r.Status = status
	switch {
	case slices.Contains(list, ""):
		r.found = append(r.found, unreadable("status", "The result's status (R.9) is missing, or none that can be filed without a look; fields.status of the profile may say what it means."))
	case !ok:
		r.found = append(r.found, unreadable("status", "The values of one test carry different statuses."))
	}
}

// lisKind tells a control from a patient by the profile. The letter Q of H.12
// and O.12, quality control from memory, is evidence for a person to judge
// where the profile says nothing of it. Of H.12 only T and D (training,
// debugging) say that a message is not meant.
func (r *reader) lisKind(g *lisOrder) {
	mode, action := g.at(lisMode, astm.Record{}).text, g.at(lisAction, astm.Record{}).text
	if mode == "T" || mode == "D" {
		r.r.Processing = mode
	}
	r.controlled(len(r.p.control.when) > 0 && g.allHold(r.p.control.when))
	if r.r.Kind != poct.KindPatient {
		return
	}
	if mode == "Q" {
		r.r.ControlHint = "its header is marked as quality control (H.12 is Q)"
	}
	if action == "Q" {
		r.r.ControlHint = "its order is marked as quality control (O.12 is Q)"
	}
}

// contentsOfLIS02 lists the fields that a profile reads nowhere. Sequence
// numbers and what every message has for its own transport are left out.
func contentsOfLIS02(raw []byte, p *Profile) []leaf {
	m, fault := lisParse(raw, p.noEscapes)
	if fault != nil {
		return nil
	}
	read := map[string]bool{}
	for _, at := range []string{"H.2", "H.3", "H.5", "H.10", "H.12", "H.13", "H.14", "O.12", "R.3", "R.5", "R.7", "R.9", "L.3"} {
		read[at] = true
	}
	for _, at := range p.placesOfAll() {
		if path, ok := at.in.(astm.Path); ok && path.Record != 'C' {
			read[astm.Path{Record: path.Record, Field: path.Field}.String()] = true
		}
	}
	g := lisOrder{charset: lisCharset(raw, p)}
	var out []leaf
	seen := map[byte]int{}
	for _, rec := range m.Records() {
		seen[rec.Kind()]++
		for n := 2; !past(rec, n); n++ {
			at := astm.Path{Record: rec.Kind(), Field: n}
			v := rec.Field(n)
			if rec.Kind() == 0 || v.Empty() || n == 2 || read[at.String()] {
				continue
			}
			alike := at.String()
			if seen[rec.Kind()] > 1 {
				at.Occurrence = seen[rec.Kind()]
				alike = at.String() // records of one kind say different things
			}
			out = append(out, leaf{found: g.told(v), place: at.String(), alike: alike})
		}
	}
	return out
}

// past tells whether a record has no n-th field.
func past(r astm.Record, n int) bool { return r.Field(n).Span() == astm.Span{} }
