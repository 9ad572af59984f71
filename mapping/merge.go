package mapping

import (
	"slices"
	"strings"

	"tidegate/poct"
)

// merge joins readings of one message that tell of the same test: INR and
// seconds in two orders are one result, and an error code in one of them
// belongs to the value in the other.
func merge(list []Decoded) []Decoded {
	out := list[:0]
	at := map[string]int{}
	for _, d := range list {
		key := d.Reading.Key()
		if first, again := at[key]; again && joins(&out[first].Reading, &d.Reading) {
			out[first].join(d)
			continue
		} else if key != "" && !again {
			at[key] = len(out)
		}
		d.Reading.Index = len(out)
		out = append(out, d)
	}
	return out
}

// joins reports whether two readings under one key can be one test: nothing
// that both tell is told differently, and no analyte is measured twice.
func joins(a, b *poct.Reading) bool {
	event := a.Kind == poct.KindEvent || b.Kind == poct.KindEvent
	if a.Kind != b.Kind && !event || a.Profile != b.Profile || a.Patient != b.Patient || a.Operator != b.Operator ||
		a.ControlLot != b.ControlLot || a.ControlLevel != b.ControlLevel {
		return false
	}
	theirs := texts(b)
	for name, text := range texts(a) {
		if *text != "" && *theirs[name] != "" && *text != *theirs[name] {
			return false
		}
	}
	for i, s := range stamps(a) {
		if other := stamps(b)[i]; s.Raw != "" && other.Raw != "" && s.Raw != other.Raw {
			return false
		}
	}
	for i, n := range quantities(a) {
		if other := quantities(b)[i]; !n.IsZero() && !other.IsZero() && *n != *other {
			return false
		}
	}
	if _, agree := joinStatus([]poct.Status{a.Status, b.Status}); !agree && !event {
		return false
	}
	return !slices.ContainsFunc(b.Measurements, func(m poct.Measurement) bool {
		_, twice := a.Measured(m.Analyte)
		return twice
	})
}

// join takes in what another reading of the same test tells. A failed control
// and an error code stay, whichever of the two tells of them.
func (d *Decoded) join(other Decoded) {
	r, o := &d.Reading, &other.Reading
	switch {
	case r.Kind == o.Kind:
		r.Status, _ = joinStatus([]poct.Status{r.Status, o.Status})
	case r.Kind == poct.KindEvent:
		r.Kind, r.Status = o.Kind, o.Status
	}
	r.Measurements = append(r.Measurements, o.Measurements...)
	slices.SortFunc(r.Measurements, func(a, b poct.Measurement) int { return strings.Compare(a.Analyte, b.Analyte) })
	theirs := texts(o)
	for name, text := range texts(r) {
		if *text == "" {
			*text = *theirs[name]
		}
	}
	for i, s := range stamps(r) {
		if s.Raw == "" {
			*s = *stamps(o)[i]
		}
	}
	for i, n := range quantities(r) {
		if n.IsZero() {
			*n = *quantities(o)[i]
		}
	}
	for _, note := range o.Interference {
		if !slices.Contains(r.Interference, note) {
			r.Interference = append(r.Interference, note)
		}
	}
	if r.Onboard == "" || o.Onboard == "fail" {
		r.Onboard = o.Onboard
	}
	if r.ControlHint == "" {
		r.ControlHint = o.ControlHint
	}
	for name, at := range o.Where {
		if _, known := r.Where[name]; !known {
			r.Where[name] = at
		}
	}
	d.Problems = append(d.Problems, other.Problems...)
}

// texts are the fields that either reading of one test may tell, and both only
// alike.
func texts(r *poct.Reading) map[string]*string {
	return map[string]*string{
		poct.FieldBirthDate: &r.BirthDate, poct.FieldFamily: &r.Family, poct.FieldGiven: &r.Given, poct.FieldSex: &r.Sex,
		poct.FieldStripLot: &r.StripLot, poct.FieldStripExpires: &r.StripExpires, poct.FieldVisit: &r.Visit,
		"error": &r.DeviceError, "error text": &r.ErrorText,
	}
}

// stamps and quantities are what a test tells of its run, in the same way.
func stamps(r *poct.Reading) []*poct.Stamp { return []*poct.Stamp{&r.AskedAt, &r.SampledAt} }

func quantities(r *poct.Reading) []*poct.Number { return []*poct.Number{&r.RunTime, &r.Haematocrit} }
