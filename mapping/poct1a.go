package mapping

import (
	"bytes"
	"fmt"
	"regexp"
	"slices"
	"strings"

	"tidegate/poct"
	"tidegate/wire/hl7"
	"tidegate/wire/poct1a"
)

const formatPOCT1A = "poct1a"

// poctPath is a place in a POCT1-A document in the standard's own notation:
// OBS.value, a part of it below (PT.name/FAM), or an attribute (OBS.value@U).
type poctPath struct {
	object, field string // OBS and OBS.value
	parts         []string
	attr          string // "" is V
}

var poctForm = regexp.MustCompile(`^([A-Z][A-Z0-9]*)(\.[A-Za-z][A-Za-z0-9_-]*)((?:/[A-Za-z][A-Za-z0-9_.-]*)*)(?:@([A-Z]+))?$`)

func poctPlace(at string) (place, bool) {
	m := poctForm.FindStringSubmatch(at)
	if m == nil {
		return place{}, false
	}
	p := poctPath{object: m[1], field: m[1] + m[2], attr: m[4]}
	if m[3] != "" {
		p.parts = strings.Split(m[3][1:], "/")
	}
	return place{in: p}, true
}

func mustPoct(at string) place {
	p, ok := poctPlace(at)
	if !ok {
		panic(at) // constants
	}
	p.text = at
	return p
}

// Places that every document has, whatever the profile says.
var (
	poctMade   = mustPoct("HDR.creation_dttm")
	poctCode   = mustPoct("OBS.observation_id")
	poctWords  = mustPoct("OBS.qualitative_value")
	poctFlag   = mustPoct("OBS.interpretation_cd")
	poctMethod = mustPoct("OBS.method_cd")
	poctTaken  = mustPoct("OBS.status_cd")
	poctLot    = mustPoct("CTC.lot_number")
	poctLevel  = mustPoct("CTC.level_cd")
	evtWhat    = mustPoct("EVT.description")
	evtAt      = mustPoct("EVT.event_dttm")
	evtWho     = mustPoct("OPR.operator_id")
)

// roots that a device sends and an inlet is handed.
var poctRoot = regexp.MustCompile(`^(?:<\?[^>]*\?>\s*|<!--.*?-->\s*)*<(?:HEL|DST|OBS|EVS|EOT|ACK|KPA|ESC|END|REQ)\.R[0-9]{2}[\s/>]`)

func isPOCT1A(raw []byte) bool {
	return poctRoot.MatchString(strings.TrimLeft(string(raw[:min(len(raw), 1024)]), "\xef\xbb\xbf\x0b \t\r\n"))
}

// POCT1AConfig is how the meters of a profile use the codes of POCT1-A. What
// the standard has is known from public software and descriptions alone.
type POCT1AConfig struct {
	PatientRoles Values `yaml:"patient_roles,omitempty"` // SVC.role_cd of a patient's test; OBS
	ControlRoles Values `yaml:"control_roles,omitempty"` // of a control; LQC, EQC
	// Methods are those of OBS.method_cd that make a result: M measured, C
	// calculated. Others are held.
	Methods Values `yaml:"methods,omitempty"`
	// Plain are those of SVC.status_cd that ask for no look; NRM. Others, such
	// as OVR for an override, are held.
	Plain Values `yaml:"plain_status,omitempty"`
	// Accepted are those of OBS.status_cd of a result that stands; A.
	Accepted Values `yaml:"accepted,omitempty"`
}

func (c POCT1AConfig) set() bool {
	return c.PatientRoles != nil || c.ControlRoles != nil || c.Methods != nil || c.Plain != nil || c.Accepted != nil
}

// Roles of a service that is neither a patient's nor a control's.
var poctRoles = map[string]string{"PRF": "a proficiency sample", "CAL": "a calibration", "CVR": "a calibration's verification"}

// poctReasons are SVC.reason_cd: new, sent before, edited (the last from
// memory). A profile's fields.status says otherwise.
var poctReasons = map[string]poct.Status{
	"": poct.StatusFinal, "NEW": poct.StatusFinal, "RES": poct.StatusFinal, "EDI": poct.StatusCorrected,
}

// poct1a settles what this format alone has.
func (c *compiler) poct1a(cfg ProfileConfig, p *Profile) {
	p.poct1a = cfg.POCT1A
	for _, d := range []struct {
		to   *Values
		from Values
	}{
		{&p.poct1a.PatientRoles, Values{"OBS"}}, {&p.poct1a.ControlRoles, Values{"LQC", "EQC"}}, {&p.poct1a.Methods, Values{"M", "C"}},
		{&p.poct1a.Plain, Values{"NRM"}}, {&p.poct1a.Accepted, Values{"A"}},
	} {
		if *d.to == nil {
			*d.to = d.from
		}
	}
	for _, role := range p.poct1a.PatientRoles {
		if slices.Contains(p.poct1a.ControlRoles, role) {
			c.fault("poct1a.control_roles", fmt.Sprintf("%q is a patient's role as well", role), "remove it from one of the two")
		}
	}
	if !p.control.lot.on {
		p.control.lot = field{on: true, place: poctLot}
	}
	if !p.control.level.on {
		p.control.level = field{on: true, place: poctLevel}
	}
}

// poctScope is where the places of one service or event are looked for: in it,
// then in its document, then, for what the device is, in the hello.
type poctScope struct {
	p       *Profile
	service *poct1a.Element
	root    *poct1a.Element
	hello   *poct1a.Element
	offset  int // of the document in the arrival
	helloAt int // of the hello; -1 where it stands beside the arrival
}

// beside is the offset of what does not stand in the arrival.
const beside = -1

// holder is the element that holds a field: the field's object.
type holder struct {
	object, field *poct1a.Element
	offset        int // of its document in the arrival
}

// fields lists the elements of a name below e, with what holds them. What is
// below skip is left out.
func fieldsBelow(e *poct1a.Element, name, skip string, offset int) []holder {
	var out []holder
	if e == nil {
		return nil
	}
	for _, c := range e.Children {
		if c.Name == name {
			out = append(out, holder{e, c, offset})
		}
		if c.Name != skip {
			out = append(out, fieldsBelow(c, name, skip, offset)...)
		}
	}
	return out
}

// among lists where a place can be. The header and the services of other
// documents are never looked into, nor the other services of this one.
func (s *poctScope) among(p poctPath) []holder {
	if list := fieldsBelow(s.service, p.field, "", s.offset); len(list) > 0 {
		return list
	}
	skip := ""
	if s.service != nil {
		skip = s.service.Name
	}
	if list := fieldsBelow(s.root, p.field, skip, s.offset); len(list) > 0 || p.object == "HDR" {
		return list
	}
	return fieldsBelow(s.hello, p.field, "", s.helloAt)
}

// told reads a field's element at a path.
func (s *poctScope) told(h holder, p poctPath) found {
	e := h.field
	for _, part := range p.parts {
		at := slices.IndexFunc(e.Children, func(c *poct1a.Element) bool { return c.Name == part || c.Name == e.Name+"."+part })
		if at < 0 {
			return found{}
		}
		e = e.Children[at]
	}
	out, at := found{}, poct1a.Span{}
	if p.attr != "" {
		out.text, at = e.Attr(p.attr)
	} else {
		v := e.Value()
		out.text, at, out.garbled = v.V, v.Span, v.Garbled
		if out.text == "" && v.Null != "" {
			_, at = e.Attr("NULL")
		}
	}
	out.text = strings.TrimSpace(out.text)
	if h.offset != beside && at.To > at.From {
		out.at = poct.Span{From: h.offset + at.From, To: h.offset + at.To}
	}
	return out
}

// holds reports whether conditions hold for a field's object: places of the
// same object in it, others wherever they are.
func (s *poctScope) holds(list []condition, object *poct1a.Element) bool {
	return !slices.ContainsFunc(list, func(c condition) bool {
		p := c.at.in.(poctPath)
		among := s.among(p)
		if object != nil && object.Name == p.object {
			among = directly(object, p.field, s.offset)
		}
		return !slices.ContainsFunc(among, func(h holder) bool { return slices.Contains(c.in, s.told(h, p).text) }) &&
			!(len(among) == 0 && slices.Contains(c.in, ""))
	})
}

// directly lists an object's own fields of a name.
func directly(object *poct1a.Element, name string, offset int) []holder {
	var out []holder
	for _, c := range object.Children {
		if c.Name == name {
			out = append(out, holder{object, c, offset})
		}
	}
	return out
}

// every finds a field wherever it is told.
func (s *poctScope) every(f *field) []found {
	p := f.in.(poctPath)
	var out []found
	for _, h := range s.among(p) {
		if !s.holds(f.where, h.object) {
			continue
		}
		if t := s.told(h, p); t.text != "" && (f.pattern == nil || f.pattern.MatchString(t.text)) {
			out = append(out, t)
		}
	}
	return out
}

// field takes the first that is told, and notes whether another says something else.
func (s *poctScope) field(f *field) found { return single(s.every(f)) }

// in reads a place within one OBS.
func (s *poctScope) in(obs *poct1a.Element, f *field) found {
	read := func(at place) found {
		p := at.in.(poctPath)
		if p.object != "OBS" {
			return s.field(&field{on: true, place: at})
		}
		for _, h := range directly(obs, p.field, s.offset) {
			return s.told(h, p)
		}
		return found{}
	}
	if f.formula != nil {
		return f.formula.compute(read)
	}
	return read(f.place)
}

// decodePOCT1A makes a reading of each service and each event. A hello names
// the device: the one beside the arrival, or one before it in the same bytes,
// as in a captured conversation.
func decodePOCT1A(a poct.Arrival, profiles []*Profile, zones Zones) []Decoded {
	s := poctScope{helloAt: beside}
	if d, broken := poct1a.Parse(a.Batch, poct1a.Limits{}); broken == nil {
		s.hello = d.Root
	}
	docs, fault := poctDocuments(a.Raw)
	var out []Decoded
	for _, doc := range docs {
		at := poct.Span{From: doc.at, To: doc.at + len(doc.raw)}
		d, broken := poct1a.Parse(doc.raw, poct1a.Limits{Size: max(len(doc.raw), 1)})
		switch t := d.Type(); {
		case broken != nil:
			out = append(out, unread(a, "The document cannot be read: "+broken.Error()+".", at)...)
		case t == poct1a.HelloMessage:
			s.hello, s.helloAt = d.Root, doc.at
		case !t.Stored():
		case t == poct1a.PatientResults, t == poct1a.OtherResults, t == poct1a.EventsMessage:
			s.root, s.offset = d.Root, doc.at
			out = append(out, s.document(a, d, profiles, zones, at)...)
		default:
			out = append(out, unread(a, "The document is of a type that is not known here; only OBS.R01, OBS.R02 and EVS.R01 hold results and events.", at)...)
		}
	}
	if fault != "" {
		out = append(out, unread(a, fault, poct.Span{To: len(a.Raw)})...)
	}
	if len(out) == 0 {
		return unread(a, "There is no document with a result or an event in it.", poct.Span{To: len(a.Raw)})
	}
	for i := range out {
		out[i].Reading.Index = i
	}
	return out
}

type poctDocument struct {
	raw []byte
	at  int
}

// poctDocuments divides an arrival; fault says what is left over.
func poctDocuments(raw []byte) (docs []poctDocument, fault string) {
	s := poct1a.Splitter{Limits: poct1a.Limits{Size: len(raw) + 1}}
	_, _ = s.Write(raw) // never fails
	from := 0
	for {
		doc, ok, broken := s.Next()
		switch {
		case broken != nil:
			return docs, "The bytes cannot be divided into documents: " + broken.What + "."
		case ok:
			at := from + bytes.Index(raw[from:], doc)
			docs, from = append(docs, poctDocument{doc, at}), at+len(doc)
		case s.Open():
			return docs, "The last document is not finished: it may be cut off."
		default:
			return docs, ""
		}
	}
}

// document reads one document with the first profile that fits it.
func (s poctScope) document(a poct.Arrival, d *poct1a.Document, profiles []*Profile, zones Zones, at poct.Span) []Decoded {
	n := slices.IndexFunc(profiles, func(p *Profile) bool { return s.holds(p.match, nil) })
	if n < 0 {
		return unread(a, "No profile of this inlet fits the document.", at)
	}
	s.p = profiles[n]
	var out []Decoded
	begin := func(e *poct1a.Element) *reader {
		s.service = e
		span := poct.Span{From: s.offset + e.Span.From, To: s.offset + e.Span.To}
		r := &reader{p: s.p, zones: zones, comma: s.p.comma}
		r.r = poct.Reading{Arrival: a.ID, Where: map[string]poct.Span{poct.FieldMessage: span}}
		if t, err := poct1a.ParseTime(d.Header().Created.V); err == nil && t.HasOffset {
			r.offset = t.In(nil).Location() // the default for the whole message (common practice, no source)
		}
		scope := s
		r.get, r.every = scope.field, scope.every
		return r
	}
	for _, v := range d.Services() {
		r := begin(v.Element)
		scope := s
		out = append(out, r.poctService(&scope, d.Type(), v))
	}
	for _, e := range d.Events() {
		out = append(out, begin(e.Element).poctEvent())
	}
	if len(out) == 0 {
		return unread(a, "The document holds no result and no event.", at)
	}
	return out
}

// poctTime reads a TS as the other formats' times are kept.
func poctTime(text string) (hl7.Timestamp, error) {
	t, err := poct1a.ParseTime(text)
	if err != nil {
		return hl7.Timestamp{}, err
	}
	return hl7.Timestamp{
		Year: t.Year, Month: t.Month, Day: t.Day, Hour: t.Hour, Minute: t.Minute, Second: t.Second, Nanosecond: t.Nanosecond,
		Precision: hl7.Precision(t.Parts), HasOffset: t.HasOffset, Offset: t.Offset,
	}, nil
}
