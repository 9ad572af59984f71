package mapping

import (
	"slices"
	"strings"

	"tidegate/poct"
	"tidegate/wire/poct1a"
)

// poctService reads one SVC.
func (r *reader) poctService(s *poctScope, typ poct1a.Type, v poct1a.Service) Decoded {
	var strange []string
	known := 0
	for _, obs := range v.Results {
		at := slices.IndexFunc(s.p.results, func(x result) bool { return s.holds(x.where, obs) })
		switch {
		case at >= 0:
			known++
			r.poctResult(s, &s.p.results[at], obs)
		case !s.refers(obs):
			strange = append(strange, s.in(obs, &field{on: true, place: poctCode}).text)
		}
	}
	r.context()
	r.agreed()
	if !r.p.fields.sentAt.on {
		r.r.SentAt = r.stamp("sent_at", &field{on: true, place: poctMade})
	}
	r.r.Patient = poct.PatientRef{ID: r.text(poct.FieldPatient, &r.p.fields.patient)}
	if r.r.Patient.ID != "" {
		r.r.Patient.Authority = r.p.fields.patient.authority
	}
	r.poctKind(s, typ, v)
	r.compares(func(list []condition) bool { return s.holds(list, nil) })
	r.poctStatus(v)
	lacks := slices.ContainsFunc(r.p.results, func(x result) bool {
		_, measured := r.r.Measured(x.analyte)
		return !measured && !slices.Contains(r.p.notSent, x.analyte)
	})
	switch {
	case known == 0 && r.r.DeviceError == "":
		r.found = append(r.found, unreadable(poct.FieldCode, "The test holds no result that the profile knows"+codes(strange)+"."))
	case len(strange) > 0 && lacks:
		r.found = append(r.found, unreadable(poct.FieldCode, "The test lacks a result that the profile knows"+codes(strange)+"."))
	}
	return r.finish()
}

// refers reports whether a field of the profile is looked for in this OBS.
func (s *poctScope) refers(obs *poct1a.Element) bool {
	return slices.ContainsFunc(s.p.fields.all(&s.p.control), func(f *field) bool {
		p, ok := f.in.(poctPath)
		return ok && p.object == "OBS" && len(f.where) > 0 && s.holds(f.where, obs)
	})
}

// poctResult reads one OBS as a measurement.
func (r *reader) poctResult(s *poctScope, x *result, obs *poct1a.Element) {
	if _, twice := r.r.Measured(x.analyte); twice {
		r.found = append(r.found, unreadable(x.analyte, "One test holds "+strings.ToUpper(x.analyte)+" twice; which of the two counts is not known."))
		return
	}
	at := func(p place) found { return s.in(obs, &field{on: true, place: p}) }
	value := s.in(obs, &x.value)
	words := at(poctWords)
	switch null, _ := obs.Find("OBS.value").Attr("NULL"); {
	case value.text != "" && words.text != "" && words.text != value.text:
		r.found = append(r.found, unreadable(x.analyte, "The result has a value in numbers and another in words; which of the two counts is not known."))
	case value.text == "" && words.text != "":
		value = words // said in words: the check says that it is no number
	case value.text == "" && null != "":
		value.text = null // said to be none: never a zero, and not the same as nothing
	}
	r.legible(x.analyte, value)
	m := r.measurement(x, value.text, s.in(obs, &x.unit).text, at(poctCode).text, at(poctFlag).text)
	r.r.Measurements = append(r.r.Measurements, m)
	r.r.Where[x.analyte] = value.at
	if method := at(poctMethod).text; method != "" && !slices.Contains(r.p.poct1a.Methods, method) {
		r.found = append(r.found, doubt(x.analyte, "The meter says that the value was neither measured nor calculated (OBS.method_cd is "+method+")."))
	}
	if taken := at(poctTaken).text; taken != "" && !slices.Contains(r.p.poct1a.Accepted, taken) {
		r.found = append(r.found, doubt(x.analyte, "The meter does not say that the value was accepted (OBS.status_cd is "+taken+")."))
	}
}

// doubt holds what the meter itself marks, for a person to look at.
func doubt(field, text string) poct.Problem {
	return poct.Problem{
		Check: "38", Code: "interference-noted", Severity: poct.Hold, Field: field, Text: text,
		Remedy: "Find out why from the meter or whoever ran the test.",
	}
}

// poctKind tells a control from a patient: by the type of the message, by whom
// the results stand under, and by the role. All three must agree; what does not
// is held, and is a patient's only if type and container say so.
func (r *reader) poctKind(s *poctScope, typ poct1a.Type, v poct1a.Service) {
	codes := &r.p.poct1a
	typePatient := typ == poct1a.PatientResults
	rolePatient, roleControl := slices.Contains(codes.PatientRoles, v.Role), slices.Contains(codes.ControlRoles, v.Role)
	profile := len(r.p.control.when) > 0 && s.holds(r.p.control.when, nil)
	agree := typePatient && v.Patient != nil && v.Control == nil && rolePatient && !profile ||
		!typePatient && v.Control != nil && v.Patient == nil && !rolePatient
	isControl := !typePatient || v.Patient == nil
	if !agree {
		r.found = append(r.found, unreadable(poct.FieldMessage, "The message does not agree with itself on whose result it is: it is "+string(typ)+
			", the result stands under "+container(v)+", its role is "+orNone(v.Role)+whenControl(profile)+"."))
	}
	// Neither a patient nor a control, such as a calibration: a person says what
	// becomes of it.
	r.controlled(isControl && (roleControl || !agree))
	if r.r.Kind == poct.KindPatient && !(agree && rolePatient) {
		r.r.ControlHint = hintOf(v, rolePatient, profile)
	}
}

// hintOf is the evidence that a record in a patient's place is none.
func hintOf(v poct1a.Service, rolePatient, profile bool) string {
	switch name, known := poctRoles[v.Role]; {
	case known:
		return "its role is " + v.Role + ", " + name
	case !rolePatient:
		return "its role is " + orNone(v.Role)
	case profile:
		return "the profile's control.when holds"
	}
	return "it stands under " + container(v)
}

func container(v poct1a.Service) string {
	switch {
	case v.Patient != nil && v.Control != nil:
		return "a patient (PT) and a control (CTC)"
	case v.Patient != nil:
		return "a patient (PT)"
	case v.Control != nil:
		return "a control (CTC)"
	}
	return "neither a patient (PT) nor a control (CTC)"
}

func orNone(role string) string {
	if role == "" {
		return "missing"
	}
	return role
}

func whenControl(holds bool) string {
	if holds {
		return ", and the profile's control.when holds"
	}
	return ""
}

// poctStatus reads what the meter says of the test: why it sends it, and
// whether it was an ordinary one.
func (r *reader) poctStatus(v poct1a.Service) {
	status := poctReasons[v.Reason]
	if f := &r.p.fields.status; f.on {
		text := r.text("status", f) // mapped by its values
		status = poct.Status(text)
		if !slices.Contains(statuses, text) {
			status = poctReasons[text]
		}
	}
	if r.r.Status = status; status == "" {
		r.r.Status = poct.StatusFinal
		r.found = append(r.found, unreadable("status", "The reason for which the test is sent (SVC.reason_cd) is none that can be filed without a look; fields.status of the profile may say what it means."))
	}
	if v.Status != "" && !slices.Contains(r.p.poct1a.Plain, v.Status) {
		r.found = append(r.found, doubt(poct.FieldMessage, "The meter marks the test as out of the ordinary (SVC.status_cd is "+v.Status+")."))
	}
}

// poctEvent reads one EVT: something that happened at the device, no result.
func (r *reader) poctEvent() Decoded {
	p := r.p
	r.r.Profile, r.r.Model, r.r.Kind, r.r.NotSent = p.id, p.model, poct.KindEvent, p.notSent
	r.r.Status = poct.StatusFinal
	r.r.Meter = r.text(poct.FieldMeter, &p.fields.meter)
	r.r.TestedAt = r.stamp(poct.FieldTestedAt, &field{on: true, place: evtAt, zone: p.fields.testedAt.zone})
	r.r.SentAt = r.stamp("sent_at", &field{on: true, place: poctMade})
	r.r.Operator = r.text(poct.FieldOperator, &field{on: true, place: evtWho})
	r.r.DeviceError = r.text("error", &field{on: true, place: evtWhat})
	r.r.ErrorText = p.errors[r.r.DeviceError]
	return Decoded{Reading: r.r, Problems: r.found}
}

// contentsOfPOCT1A lists the values that a profile reads nowhere, of results
// and events. What every message has for its own transport is left out.
func contentsOfPOCT1A(raw []byte, p *Profile) []leaf {
	read := map[string]bool{}
	for _, at := range []string{
		"SVC.role_cd", "SVC.reason_cd", "SVC.status_cd", "OBS.observation_id", "OBS.value", "OBS.qualitative_value",
		"OBS.interpretation_cd", "OBS.method_cd", "OBS.status_cd", "EVT.description", "EVT.event_dttm", "CTC.lot_number", "CTC.level_cd",
	} {
		read[at] = true
	}
	for _, at := range p.placesOfAll() {
		if path, ok := at.in.(poctPath); ok {
			read[path.field] = true
		}
	}
	var out []leaf
	docs, _ := poctDocuments(raw)
	for _, doc := range docs {
		d, broken := poct1a.Parse(doc.raw, poct1a.Limits{Size: max(len(doc.raw), 1)})
		if broken != nil || !d.Type().Stored() {
			continue
		}
		s := poctScope{offset: doc.at}
		for _, e := range d.Root.Children {
			if e.Name != "HDR" {
				out = append(out, s.leaves(e, read)...)
			}
		}
	}
	return out
}

// leaves lists what stands in an element and below it, and is not read.
func (s *poctScope) leaves(e *poct1a.Element, read map[string]bool) []leaf {
	var out []leaf
	if t := s.told(holder{field: e, offset: s.offset}, poctPath{}); t.text != "" && !read[e.Name] {
		out = append(out, leaf{found: t, place: e.Name})
	}
	for _, c := range e.Children {
		if !read[e.Name] { // the parts of a field that is read belong to it
			out = append(out, s.leaves(c, read)...)
		}
	}
	return out
}
