package mapping

import (
	"slices"
	"strings"
	"time"

	"tidegate/poct"
)

// Explanation is how a message was read, field by field, for whoever writes
// its profile. It holds what the message holds, patients' data too.
type Explanation struct {
	Fields  []Explained `json:"fields"`
	Ignored []Ignored   `json:"ignored"`
}

// Explained is one field of one reading: where it was read and what it became.
type Explained struct {
	Reading int    `json:"reading"` // 0-based, as Reading.Index
	Field   string `json:"field"`   // as in Reading.Where; a unit is its analyte's, "inr unit"
	Place   string `json:"place,omitempty"`
	From    int    `json:"from"` // bytes [From, To) of the message; equal where it stands nowhere
	To      int    `json:"to"`
	Raw     string `json:"raw,omitempty"`
	Became  string `json:"became,omitempty"`
	Note    string `json:"note,omitempty"`
}

// Ignored is something that the message says and the profile does not read.
type Ignored struct {
	Place string `json:"place"`
	From  int    `json:"from"`
	To    int    `json:"to"`
	Raw   string `json:"raw,omitempty"`
	Times int    `json:"times"` // in how many records; the bytes are those of the first
}

// leaf is one text of a message and its place.
type leaf struct {
	found
	place string
	alike string // what it has in common with its like in other records; "" if that is its place
}

// Explain reads an arrival as Decode does, and says how. Spans lie inside the
// arrival's bytes.
func Explain(a poct.Arrival, profiles []*Profile, zones Zones) Explanation {
	out := Explanation{Fields: []Explained{}, Ignored: []Ignored{}}
	var used []*Profile
	var where []poct.Span
	for _, d := range Decode(a, profiles, zones) {
		at := slices.IndexFunc(profiles, func(p *Profile) bool { return p != nil && p.id == d.Reading.Profile })
		if at < 0 {
			e := Explained{Reading: d.Reading.Index, Field: poct.FieldMessage, Note: d.Problems[0].Text}
			e.stands(a.Raw, d.Reading.Where[poct.FieldMessage])
			e.Raw = "" // the whole of it
			out.Fields = append(out.Fields, e)
			continue
		}
		out.Fields = append(out.Fields, profiles[at].explain(a.Raw, d)...)
		if !slices.Contains(used, profiles[at]) {
			used = append(used, profiles[at])
		}
		for name, span := range d.Reading.Where {
			if name != poct.FieldMessage {
				where = append(where, span)
			}
		}
	}
	out.Ignored = append(out.Ignored, ignored(a.Raw, used, where)...)
	return out
}

// stands notes where a field was read.
func (e *Explained) stands(raw []byte, at poct.Span) {
	e.From, e.To = at.From, at.To
	e.Raw = quote(raw, at)
}

func quote(raw []byte, at poct.Span) string {
	return strings.ToValidUTF8(string(raw[at.From:at.To]), "\ufffd")
}

// explain goes through the fields of a profile in one order.
func (p *Profile) explain(raw []byte, d Decoded) []Explained {
	r := d.Reading
	var out []Explained
	add := func(name, place string, at poct.Span, became, note string) {
		e := Explained{Reading: r.Index, Field: name, Place: place, Became: became, Note: note}
		e.stands(raw, at)
		if e.Note == "" && became == "" {
			e.Note = nothing(e.Raw)
		}
		for _, x := range d.Problems {
			if x.Field == name {
				e.Note = x.Text
			}
		}
		out = append(out, e)
	}
	for _, x := range explainResults(p.results, r) {
		add(x.analyte, x.value.written(), r.Where[x.analyte], x.became, x.note)
		if x.measured {
			add(x.analyte+" unit", orFixed(x.unit.written(), x.fixed), poct.Span{}, x.unitBecame, x.unitNote)
		}
	}
	for _, f := range p.named() {
		if !f.on {
			if place := f.instead(p.format); place != "" {
				add(f.name, place, r.Where[f.name], became(r, f.name), "")
			}
			continue
		}
		add(f.name, f.written(), r.Where[f.name], became(r, f.name), f.note(r))
	}
	return out
}

// nothing says why a field became nothing.
func nothing(raw string) string {
	if raw == "" {
		return "nothing stands there"
	}
	return "what stands there means nothing by the profile's pattern or values, or could not be read"
}

func orFixed(place, fixed string) string {
	if fixed != "" {
		return "as the profile says"
	}
	return place
}

// written is a field's place as the profile writes it.
func (f *field) written() string {
	if f.formula != nil {
		return "cel: " + f.formula.source
	}
	return f.text
}

// namedField is a field of a profile and its name in a reading.
type namedField struct {
	name string
	*field
}

// named lists the fields in the order in which people ask for them.
func (p *Profile) named() []namedField {
	f := &p.fields
	return []namedField{
		{poct.FieldMeter, &f.meter}, {poct.FieldSequence, &f.sequence}, {poct.FieldTestedAt, &f.testedAt}, {"sent_at", &f.sentAt},
		{poct.FieldOperator, &f.operator}, {poct.FieldPatient, &f.patient}, {poct.FieldBirthDate, &f.birthDate},
		{poct.FieldFamily, &f.family}, {poct.FieldGiven, &f.given}, {poct.FieldSex, &f.sex}, {poct.FieldStripLot, &f.stripLot},
		{poct.FieldStripExpires, &f.stripExpires}, {poct.FieldControlLot, &p.control.lot}, {poct.FieldControlLevel, &p.control.level},
		{"onboard", &f.onboard}, {"error", &f.deviceError}, {"status", &f.status}, {poct.FieldVisit, &f.visit}, {poct.FieldOrder, &f.order},
		{poct.FieldAskedAt, &f.askedAt}, {poct.FieldSampledAt, &f.sampledAt}, {poct.FieldRunTime, &f.runTime},
		{poct.FieldHaematocrit, &f.haematocrit}, {poct.FieldInterference, &f.interference},
	}
}

// instead is where a field stands that the profile leaves out.
func (f namedField) instead(format string) string {
	switch {
	case format == formatHL7 && f.name == "sent_at":
		return "MSH-7"
	case format == formatHL7 && f.name == "status":
		return "OBX-11"
	case format == formatLIS && f.name == "sent_at":
		return "H.14"
	case format == formatLIS && f.name == "status":
		return "R.9"
	case format == formatPOCT1A && f.name == "sent_at":
		return "HDR.creation_dttm"
	case format == formatPOCT1A && f.name == "status":
		return "SVC.reason_cd"
	}
	return ""
}

func (f namedField) note(r poct.Reading) string {
	switch f.name {
	case poct.FieldControlLot, poct.FieldControlLevel:
		if r.Kind != poct.KindControl {
			return "not read: no control"
		}
	case poct.FieldTestedAt, "sent_at", poct.FieldAskedAt, poct.FieldSampledAt:
		s := stampOf(r, f.name)
		switch {
		case s.Raw != "" && s.At.IsZero():
			return "no time can be made of it: its layout or its zone is not known"
		case s.Ambiguous != "":
			return "a local time that occurs " + s.Ambiguous + ", because clocks change"
		case s.Assumed:
			return "no offset was sent; the zone is the profile's or the site's"
		}
	}
	return ""
}

func stampOf(r poct.Reading, name string) poct.Stamp {
	switch name {
	case poct.FieldTestedAt:
		return r.TestedAt
	case "sent_at":
		return r.SentAt
	case poct.FieldAskedAt:
		return r.AskedAt
	}
	return r.SampledAt
}

// became is what a field is in the reading.
func became(r poct.Reading, name string) string {
	switch name {
	case poct.FieldTestedAt, "sent_at", poct.FieldAskedAt, poct.FieldSampledAt:
		s := stampOf(r, name)
		if s.At.IsZero() {
			return s.Raw
		}
		return s.At.Format(time.RFC3339Nano)
	case poct.FieldPatient:
		if r.Patient.Authority != "" {
			return r.Patient.Authority + " " + r.Patient.ID
		}
		return r.Patient.ID
	case "error":
		return strings.TrimSpace(r.DeviceError + " " + r.ErrorText)
	case poct.FieldInterference:
		return strings.Join(r.Interference, "; ")
	}
	return map[string]string{
		poct.FieldMeter: r.Meter, poct.FieldSequence: r.Sequence, poct.FieldOperator: r.Operator, poct.FieldBirthDate: r.BirthDate,
		poct.FieldFamily: r.Family, poct.FieldGiven: r.Given, poct.FieldSex: r.Sex, poct.FieldStripLot: r.StripLot,
		poct.FieldStripExpires: r.StripExpires, poct.FieldControlLot: r.ControlLot, poct.FieldControlLevel: r.ControlLevel,
		"onboard": r.Onboard, "status": string(r.Status), poct.FieldVisit: r.Visit, poct.FieldOrder: r.Order,
		poct.FieldRunTime: r.RunTime.String(), poct.FieldHaematocrit: r.Haematocrit.String(),
	}[name]
}

// explainedResult is one analyte as it was read, or as it was looked for.
type explainedResult struct {
	*result
	measured                           bool
	became, note, unitBecame, unitNote string
}

func explainResults(list []result, r poct.Reading) []explainedResult {
	var out []explainedResult
	for i := range list {
		x := explainedResult{result: &list[i]}
		m, ok := r.Measured(x.analyte)
		again := slices.ContainsFunc(out, func(o explainedResult) bool { return o.analyte == x.analyte })
		switch {
		case again && (!ok || m.LOINC != x.loinc):
			continue // another way of sending it, which was not used
		case !ok && r.Kind == poct.KindEvent:
			x.note = "an error of the device instead of a value"
		case !ok:
			x.note = "not sent"
		case m.Value.IsZero():
			x.note = "no plain decimal number"
		default:
			x.became = strings.TrimSpace(m.Value.String() + " " + m.Unit + ", LOINC " + m.LOINC)
		}
		if x.measured = ok; ok {
			x.unitBecame = m.Unit
			if m.Unit == "" {
				x.unitNote = "the profile's units do not name " + `"` + m.RawUnit + `"`
			} else if m.RawUnit == "" && x.fixed == "" {
				x.unitNote = "no unit was sent"
			}
		}
		out = append(out, x)
	}
	return out
}

// ignored lists what none of the profiles that were used reads.
func ignored(raw []byte, used []*Profile, where []poct.Span) []Ignored {
	covered := make([]bool, len(raw))
	for _, at := range where {
		for i := at.From; i < at.To; i++ {
			covered[i] = true
		}
	}
	unread := map[poct.Span]int{} // by how many profiles
	var all []leaf
	for n, p := range used {
		f := formOf(p.format)
		if f.contents == nil {
			return nil
		}
		for _, l := range f.contents(raw, p) {
			if unread[l.at]++; n == 0 {
				all = append(all, l)
			}
		}
	}
	var out []Ignored
	index := map[string]int{}
	for _, l := range all {
		if l.text == "" || unread[l.at] < len(used) || slices.Contains(covered[l.at.From:l.at.To], true) {
			continue
		}
		key := l.alike
		if key == "" {
			key = l.place
		}
		if at, again := index[key]; again {
			out[at].Times++
			continue
		}
		index[key] = len(out)
		out = append(out, Ignored{Place: l.place, From: l.at.From, To: l.at.To, Raw: quote(raw, l.at), Times: 1})
	}
	return out
}
