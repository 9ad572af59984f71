package mapping

import (
	"slices"
	"strings"

	"tidegate/poct"
)

// record is what holds all of one test: a row of a table, an object, an element.
type record interface {
	// find reads the text at a place, the zero found if there is none.
	find(place) found
	// every reads the texts at a place that may hold several.
	every(place) []found
	// says reports whether one of the words stands at a place, if only beside
	// others: what marks a control marks it wherever it stands.
	says(at place, words []string) bool
	extent() poct.Span
}

// holdIn reports whether every condition holds for a record.
func holdIn(rec record, list []condition) bool {
	return !slices.ContainsFunc(list, func(c condition) bool { return !rec.says(c.at, c.in) })
}

// readRecord reads one record with a profile that fits it.
func readRecord(a poct.Arrival, p *Profile, zones Zones, i int, rec record) Decoded {
	r := reader{p: p, zones: zones, comma: p.comma}
	r.r = poct.Reading{Arrival: a.ID, Index: i, Where: map[string]poct.Span{poct.FieldMessage: rec.extent()}}
	r.get = func(f *field) found {
		if !holdIn(rec, f.where) {
			return found{}
		}
		return rec.find(f.place)
	}
	r.every = func(f *field) []found {
		if !holdIn(rec, f.where) {
			return nil
		}
		return rec.every(f.place)
	}
	for n := range p.results {
		r.analyte(&p.results[n], rec)
	}
	r.context()
	r.r.Patient = poct.PatientRef{ID: r.text(poct.FieldPatient, &p.fields.patient)}
	if r.r.Patient.ID != "" {
		r.r.Patient.Authority = p.fields.patient.authority
	}
	r.controlled(len(p.control.when) > 0 && holdIn(rec, p.control.when))
	r.compares(func(list []condition) bool { return holdIn(rec, list) })
	r.r.Status = poct.StatusFinal
	if p.fields.status.on {
		text := r.text("status", &p.fields.status)
		r.r.Status = poct.Status(text)
		if !slices.Contains(statuses, text) {
			r.r.Status = poct.StatusFinal
			r.found = append(r.found, unreadable("status", "The record's status is none that the profile names."))
		}
	}
	return r.finish()
}

// analyte reads one measurement of a record.
func (r *reader) analyte(x *result, rec record) {
	if !holdIn(rec, x.where) {
		return
	}
	c := r.read(&x.value)
	r.legible(x.analyte, c)
	if c.text == "" {
		return // an empty cell measures nothing; the check says so where it matters
	}
	unit := ""
	if x.unit.on {
		got := r.read(&x.unit)
		r.legible(x.analyte, got)
		unit = got.text
	}
	if _, twice := r.r.Measured(x.analyte); twice {
		r.found = append(r.found, unreadable(x.analyte, "One record holds "+strings.ToUpper(x.analyte)+" twice; which of the two counts is not known."))
		return
	}
	r.r.Measurements = append(r.r.Measurements, r.measurement(x, c.text, unit, x.value.text, ""))
	r.r.Where[x.analyte] = c.at
}

// places lists every place that the profile reads, the formulas' too.
func (p *Profile) places() []place {
	var out []place
	conditions := slices.Concat(p.match, p.control.when, p.compared)
	add := func(f *field) {
		switch {
		case f.formula != nil:
			out = append(out, f.formula.places...)
		case f.on:
			out = append(out, f.place)
		}
		conditions = append(conditions, f.where...)
	}
	for _, f := range p.fields.all(&p.control) {
		add(f)
	}
	for i := range p.results {
		add(&p.results[i].value)
		add(&p.results[i].unit)
		conditions = append(conditions, p.results[i].where...)
	}
	for _, c := range conditions {
		out = append(out, c.at)
	}
	return out
}
