package mapping

import (
	"fmt"
	"slices"

	"tidegate/poct"
	"tidegate/wire/hl7"
)

// identify reads the patient's identifier. A place with a component is read as
// it stands; a whole PID-3 may hold many identifiers, and the one is chosen by
// authority and type, never by position.
func (r *reader) identify(o *hl7.Order) {
	f := &r.p.fields.patient
	if f.path.Component > 0 || f.formula != nil {
		r.r.Patient = poct.PatientRef{ID: r.text(poct.FieldPatient, f)}
		if r.r.Patient.ID != "" {
			r.r.Patient.Authority = f.authority
		}
		return
	}
	field := f.path.In(o)
	best := f.choose(field)
	if len(best) == 0 {
		if !field.Empty() {
			r.r.Where[poct.FieldPatient] = span(field.Span())
		}
		return
	}
	r.r.Patient, r.r.Where[poct.FieldPatient] = best[0].ref, best[0].at
	r.legible(poct.FieldPatient, best[0].found)
	if slices.ContainsFunc(best, func(c candidate) bool { return c.ref != best[0].ref }) {
		r.found = append(r.found, poct.Problem{
			Check: "7", Code: "patient-ambiguous", Severity: poct.Hold, Field: poct.FieldPatient,
			Text:   fmt.Sprintf("The message names %d different patient identifiers that fit the profile.", len(best)),
			Remedy: "Find out from whoever ran the test whose it is, and correct the patient.",
		})
	}
}

// candidate is one repetition of PID-3 that could be meant.
type candidate struct {
	found
	ref  poct.PatientRef
	fits int // criteria that it names itself
}

// choose keeps the repetitions that fit best. Type (CX.5) and authority (CX.4)
// must be the profile's where they are sent; one that names neither counts
// only if it is alone.
func (f *field) choose(pid3 hl7.Value) []candidate {
	var list []candidate
	sent := 0
	for _, cx := range pid3.Repetitions() {
		id, authority, typ := told(cx.Component(1)), told(cx.Component(4).Subcomponent(1)).text, told(cx.Component(5)).text
		if id.text == "" {
			continue
		}
		sent++
		c := candidate{found: id, ref: poct.PatientRef{Authority: authority, ID: id.text}}
		if authority == "" {
			c.ref.Authority = f.authority
		}
		fits := func(want, got string) bool {
			if want != "" && got == want {
				c.fits++
			}
			return want == "" || got == "" || got == want
		}
		if fits(f.authority, authority) && fits(f.typ, typ) && (authority != "" || typ != "" || sent == 1) {
			list = append(list, c)
		}
	}
	if sent > 1 {
		list = slices.DeleteFunc(list, func(c candidate) bool { return c.fits == 0 && (f.authority != "" || f.typ != "") })
	}
	most := 0
	for _, c := range list {
		most = max(most, c.fits)
	}
	return slices.DeleteFunc(list, func(c candidate) bool { return c.fits < most })
}

// roles of HL7 table 0369 other than P, a patient's specimen, Q and E.
var roles = map[string]string{
	"B": "a blind sample", "C": "a calibrator", "F": "a proficiency sample", "O": "an operator's proficiency sample",
	"G": "a group of specimens", "L": "a pool of specimens", "R": "a replicate", "V": "a verifying calibrator",
}

// kindOf tells a control from a patient: by the profile, and by the specimen's
// role, of which only P may reach a record. A role that is neither a patient's
// nor a control's is evidence for a person to judge.
func (r *reader) kindOf(o *sorted) {
	isControl := len(r.p.control.when) > 0 && o.allHold(r.p.control.when)
	patients, hint := 0, ""
	for _, s := range o.samples {
		switch role := read(spmRole, s).text; role {
		case "":
		case "P":
			patients++
		case "Q", "E": // quality control, electronic quality control
			isControl = true
		default:
			hint = "its specimen role is " + role
			if name, known := roles[role]; known {
				hint += ", " + name
			}
		}
	}
	if isControl && patients > 0 {
		isControl, hint = false, "it holds a control's specimen beside a patient's"
	}
	r.controlled(isControl)
	if r.r.Kind == poct.KindPatient && hint != "" {
		r.r.ControlHint = hint
	}
}

// allHold reports whether each condition holds somewhere in the order.
func (s *sorted) allHold(list []condition) bool {
	return !slices.ContainsFunc(list, func(c condition) bool { return !s.anyHolds(c) })
}

// anyHolds looks a condition of control.when up wherever its segment stands in
// the order.
func (s *sorted) anyHolds(c condition) bool {
	switch c.at.path.Segment {
	case "OBX":
		return slices.ContainsFunc(s.scopes, c.holds)
	case "SPM":
		return slices.ContainsFunc(s.samples, func(sp hl7.Specimen) bool { return c.holds(sp) })
	}
	return c.holds(s.Order)
}
