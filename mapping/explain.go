package mapping

import (
	"slices"
	"strings"
	"time"

	"tidegate/poct"
	"tidegate/wire/hl7"
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
	for _, x := range results(p.results, r) {
		add(x.analyte, x.value.written(), r.Where[x.analyte], x.became, x.note)
		add(x.analyte+" unit", orFixed(x.unit.written(), x.fixed), poct.Span{}, x.unitBecame, x.unitNote)
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
	became, note, unitBecame, unitNote string
}

func results(list []result, r poct.Reading) []explainedResult {
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
		if ok {
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

// contentsOfHL7 lists the fields that a profile reads nowhere. Set ids and what
// every message has for its own transport are left out.
func contentsOfHL7(raw []byte, p *Profile) []leaf {
	m, err := parse(raw, p.fallback)
	if err != nil {
		return nil
	}
	read := map[string]bool{}
	for _, at := range []string{
		"MSH-3", "MSH-4", "MSH-5", "MSH-6", "MSH-7", "MSH-9", "MSH-10", "MSH-11", "MSH-12", "MSH-15", "MSH-16", "MSH-18", "MSH-21",
		"OBX-2", "OBX-3", "OBX-6", "OBX-8", "OBX-11", "SPM-11", "PID-1", "PV1-1", "OBR-1", "OBX-1", "NTE-1", "SPM-1",
	} {
		read[at] = true
	}
	key := func(at hl7.Path) string { return hl7.Path{Segment: at.Segment, Field: at.Field}.String() }
	for _, at := range p.placesOfAll() {
		read[key(at.path)] = true
	}
	var out []leaf
	seen := map[string]int{}
	for i := range m.Len() {
		s := m.Segment(i)
		seen[s.ID()]++
		for n := 1; n <= s.Len(); n++ {
			v := s.Field(n)
			at := hl7.Path{Segment: s.ID(), Field: n}
			if v.Empty() || s.ID() == "MSH" && n < 3 || read[at.String()] {
				continue
			}
			alike := at.String()
			if seen[s.ID()] > 1 {
				at.Occurrence = seen[s.ID()]
				alike = at.String() // segments of one kind say different things
			}
			out = append(out, leaf{found: found{text: v.Text(), at: span(v.Span())}, place: at.String(), alike: alike})
		}
	}
	return out
}

// placesOfAll are the places that are read wherever their segment stands; what
// has conditions, and notes, are read in some alone.
func (p *Profile) placesOfAll() []place {
	var out []place
	for _, f := range p.fields.all(&p.control) {
		if f.on && len(f.where) == 0 && f.path.Segment != "NTE" {
			out = append(out, f.place)
			if f.formula != nil {
				out = append(out, f.formula.places...)
			}
		}
	}
	conditions := slices.Concat(p.match, p.control.when, p.compared)
	for _, x := range p.results {
		conditions = append(conditions, x.where...)
	}
	for _, f := range p.fields.all(&p.control) {
		conditions = append(conditions, f.where...)
	}
	for _, c := range conditions {
		out = append(out, c.at)
	}
	return out
}

// contentsOfCSV lists the columns that a profile does not read.
func contentsOfCSV(raw []byte, p *Profile) []leaf {
	rows, columns, problem := p.rows(raw)
	if problem != "" {
		return nil
	}
	var out []leaf
	for _, cells := range rows {
		for name, i := range columns {
			if i < len(cells) && !slices.Contains(p.csv.known, name) {
				out = append(out, leaf{found: cells[i], place: name})
			}
		}
	}
	slices.SortStableFunc(out, func(a, b leaf) int { return a.at.From - b.at.From })
	return out
}

// contentsOfTree lists what stands at no place of the profile.
func contentsOfTree(parse parseTree) func([]byte, *Profile) []leaf {
	return func(raw []byte, p *Profile) []leaf {
		t, problem := parse(raw, p.fallback)
		if problem != "" {
			return nil
		}
		read, choosing := map[poct.Span]bool{}, map[string]bool{}
		for _, at := range p.places() {
			if path, ok := at.in.(xpath); ok {
				for _, s := range path.steps {
					choosing["/@"+s.attribute], choosing["/"+s.child] = true, true
				}
			}
		}
		for _, rec := range t.records(p.rowsAt) {
			for _, at := range p.places() {
				for _, got := range rec.every(at) {
					if got.fault == "" {
						read[got.at] = true
					}
				}
			}
		}
		return slices.DeleteFunc(t.leaves(), func(l leaf) bool {
			return read[l.at] || choosing[l.alike[max(0, strings.LastIndexByte(l.alike, '/')):]]
		})
	}
}
