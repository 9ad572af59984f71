package mapping

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"tidegate/poct"
	"tidegate/wire/hl7"
)

// statusWords maps HL7 table 0085. What is not here has no place in a record
// without a person's look: B I N O R S U V.
var statusWords = map[string]poct.Status{
	"P": poct.StatusPreliminary, "F": poct.StatusFinal, "C": poct.StatusCorrected, "A": poct.StatusCorrected,
	"D": poct.StatusWithdrawn, "W": poct.StatusWithdrawn, "X": poct.StatusCancelled,
}

// roles of HL7 table 0369 that are never a patient's specimen: quality
// controls, calibrators, proficiency samples, blinds, pools, replicates.
var notPatient = []string{"B", "C", "E", "F", "G", "L", "N", "O", "Q", "R", "V"}

func decodeHL7(a poct.Arrival, profiles []*Profile, zones Zones) []Decoded {
	m, p, fault := parseFor(a.Raw, profiles)
	if fault != nil {
		return unread(a, "The message cannot be read: "+fault.Error()+".", poct.Span{From: fault.Span.From, To: fault.Span.To})
	}
	if p == nil {
		return unread(a, "No profile of this inlet fits the message.", span(m.Get("MSH-3").Span()))
	}
	if set, bad := m.Charset(); bad != nil {
		return unread(a, fmt.Sprintf("The message cannot be read in its character set (%s).", set), poct.Span{To: len(a.Raw)})
	}
	orders, faults := m.Orders()
	if len(orders) == 0 {
		text := "The message has no order, so no result."
		if len(faults) > 0 {
			text = "The message cannot be read: " + faults[0].Error() + "."
		}
		return unread(a, text, poct.Span{To: len(a.Raw)})
	}
	var message *time.Location
	if t, err := hl7.ParseTime(m.Get("MSH-7.1").Text()); err == nil && t.HasOffset {
		message = time.FixedZone("", t.Offset*60)
	}
	var out []Decoded
	for i, o := range orders {
		r := reader{p: p, zones: zones, message: message}
		r.r = poct.Reading{Arrival: a.ID, Index: i, Processing: m.Get("MSH-11.1").Text(), Where: map[string]poct.Span{}}
		for _, f := range faults {
			r.found = append(r.found, unreadable(poct.FieldMessage, "The order of segments is not the standard's: "+f.Error()+"."))
		}
		out = append(out, r.order(o))
	}
	return out
}

// parseFor parses with the fallback character set of each profile in turn and
// takes the first profile whose conditions hold.
func parseFor(raw []byte, profiles []*Profile) (*hl7.Message, *Profile, *hl7.Fault) {
	plain, err := hl7.Parse(raw)
	if err != nil {
		return nil, nil, asFault(err)
	}
	for _, p := range profiles {
		if !slices.ContainsFunc(p.match, func(c condition) bool { return !c.holds(plain) }) {
			if p.fallback == hl7.NoCharset {
				return plain, p, nil
			}
			m, err := hl7.Options{Fallback: p.fallback}.Parse(raw)
			if err != nil {
				return nil, nil, asFault(err)
			}
			return m, p, nil
		}
	}
	return plain, nil, nil
}

func asFault(err error) *hl7.Fault {
	if f, ok := err.(*hl7.Fault); ok { //nolint:errorlint // Parse returns it unwrapped
		return f
	}
	return &hl7.Fault{What: "it is no HL7 message"}
}

func span(s hl7.Span) poct.Span { return poct.Span{From: s.From, To: s.To} }

// holds compares the first part of the place, as a receiver of a coded field would.
func (c condition) holds(s hl7.Scope) bool {
	return slices.Contains(c.in, c.at.path.In(s).First().Text())
}

func allHold(list []condition, s hl7.Scope) bool {
	return !slices.ContainsFunc(list, func(c condition) bool { return !c.holds(s) })
}

// order reads one ORDER_OBSERVATION group.
func (r *reader) order(o *hl7.Order) Decoded {
	var results []hl7.Observation // those that hold an analyte of the profile
	r.get = func(f field) (string, poct.Span) { return read(o, results, f) }
	var status []poct.Status
	var unknown []string
	for _, b := range o.Observations {
		i := slices.IndexFunc(r.p.results, func(x result) bool { return allHold(x.where, b) })
		if i < 0 {
			if code := b.Get("OBX-3.1").Text(); code != "" {
				unknown = append(unknown, code)
			}
			continue
		}
		results = append(results, b)
		status = append(status, r.statusOf(b))
		r.observe(r.p.results[i], b)
	}
	r.context()
	if !r.p.fields.sentAt.on {
		r.r.SentAt = r.stamp("sent_at", field{on: true, place: place{path: hl7.MustPath("MSH-7.1")}, siteZone: true})
	}
	r.identify(o)
	r.kindOf(o)
	r.settleStatus(status)
	if len(results) == 0 && r.r.DeviceError == "" && r.r.Kind != poct.KindEvent {
		text := "The order holds no result that the profile knows."
		if len(unknown) > 0 {
			text = "The order holds no result that the profile knows; it sends " + strings.Join(unknown, ", ") + "."
		}
		r.found = append(r.found, unreadable(poct.FieldCode, text))
	}
	return r.finish()
}

// observe reads one OBX as a measurement.
func (r *reader) observe(x result, b hl7.Observation) {
	code := b.Get("OBX-3.1").Text()
	if _, twice := r.r.Measured(x.analyte); twice {
		r.found = append(r.found, unreadable(x.analyte, "One order holds "+strings.ToUpper(x.analyte)+" twice; which of the two counts is not known."))
		return
	}
	at := x.value.path.In(b)
	value := strings.TrimSpace(at.First().Text())
	if at.Null() {
		value = ""
	}
	if b.Get("OBX-2").Text() == "SN" && x.value.path == hl7.MustPath("OBX-5") {
		value = structured(at)
	}
	var flags []string
	for _, v := range b.Get("OBX-8").Repetitions() {
		flags = append(flags, v.First().Text())
	}
	m := r.measurement(x, value, strings.TrimSpace(x.unit.path.In(b).First().Text()), code, strings.Join(flags, "~"))
	if x.fixed == "" && len(x.unit.where) > 0 && !allHold(x.unit.where, b) {
		m.Unit = ""
	}
	r.r.Measurements = append(r.r.Measurements, m)
	r.r.Where[x.analyte] = span(at.Span())
	// QCF: quality control failure (HL7 table 0078, no FHIR counterpart).
	if slices.Contains(flags, "QCF") {
		r.r.Onboard = "fail"
	}
}

// structured writes an SN as comparator and number; anything else that SN can
// say is no single number and stays as sent.
func structured(v hl7.Value) string {
	sn, err := v.SN()
	if err != nil || !sn.Plain() || sn.Comparator == "<>" {
		return v.Text()
	}
	return strings.TrimPrefix(sn.Comparator, "=") + sn.Num1
}

// statusOf reads OBX-11, or the profile's own place; "" if it is not known.
func (r *reader) statusOf(b hl7.Observation) poct.Status {
	if f := r.p.fields.status; f.on {
		text := strings.TrimSpace(f.path.In(b).First().Text())
		if word, ok := f.values[text]; ok {
			return poct.Status(word)
		}
		return statusWords[text]
	}
	return statusWords[b.Get("OBX-11").Text()]
}

func (r *reader) settleStatus(list []poct.Status) {
	if len(list) == 0 {
		r.r.Status = poct.StatusFinal
		return
	}
	r.r.Status = list[0]
	for _, s := range list {
		switch {
		case s == "":
			r.found = append(r.found, unreadable("status", "The result's status (OBX-11) is missing, or none that can be filed without a look."))
			return
		case s != list[0]:
			r.found = append(r.found, unreadable("status", "The values of one test carry different statuses."))
			return
		}
	}
}

// identify chooses the patient's identifier by authority and type, never by
// position. One that names neither is taken as of the configured authority.
func (r *reader) identify(o *hl7.Order) {
	f := r.p.fields.patient
	v := f.path.In(o)
	if f.path.Component > 0 || f.path.Repetition > 0 {
		r.r.Patient = poct.PatientRef{Authority: f.authority, ID: r.text(poct.FieldPatient, f)}
		return
	}
	var bare poct.PatientRef
	var bareAt poct.Span
	count := 0
	for _, cx := range v.Repetitions() {
		count++
		id, authority, typ := cx.Component(1), cx.Component(4).Subcomponent(1).Text(), cx.Component(5).Text()
		ref := poct.PatientRef{Authority: authority, ID: strings.TrimSpace(id.Text())}
		if ref.ID == "" {
			continue
		}
		if authority == "" && typ == "" {
			bare, bareAt = poct.PatientRef{Authority: f.authority, ID: ref.ID}, span(id.Span())
			continue
		}
		if (f.authority != "" && authority != "" && authority != f.authority) || (f.typ != "" && typ != "" && typ != f.typ) {
			continue
		}
		if ref.Authority == "" {
			ref.Authority = f.authority
		}
		r.r.Patient, r.r.Where[poct.FieldPatient] = ref, span(id.Span())
		return
	}
	if count == 1 && bare.ID != "" {
		r.r.Patient, r.r.Where[poct.FieldPatient] = bare, bareAt
	} else if !v.Empty() {
		r.r.Where[poct.FieldPatient] = span(v.Span())
	}
}

// kindOf tells a control from a patient: by the profile, and by the specimen's
// role, of which only P may reach a record.
func (r *reader) kindOf(o *hl7.Order) {
	isControl := len(r.p.control.when) > 0
	for _, c := range r.p.control.when {
		isControl = isControl && anyHolds(c, o)
	}
	hint := ""
	for _, s := range o.Specimens {
		switch role := s.Get("SPM-11.1").Text(); {
		case role == "" || role == "P":
		case slices.Contains(notPatient, role):
			isControl = true
		default:
			hint = "its specimen role is " + role
		}
	}
	r.controlled(isControl)
	if r.r.Kind == poct.KindPatient && hint != "" {
		r.r.ControlHint = hint
	}
}

func anyHolds(c condition, o *hl7.Order) bool {
	return slices.ContainsFunc(scopes(o, c.at.path.Segment, o.Observations), func(s hl7.Scope) bool { return c.holds(s) })
}

// scopes lists where a path may be looked up within an order.
func scopes(o *hl7.Order, segment string, observations []hl7.Observation) []hl7.Scope {
	var out []hl7.Scope
	switch segment {
	case "OBX":
		for _, b := range observations {
			out = append(out, b)
		}
	case "SPM":
		for _, s := range o.Specimens {
			out = append(out, s)
		}
	case "NTE":
		out = append(out, o)
		for _, b := range o.Observations {
			out = append(out, b)
		}
	default:
		return []hl7.Scope{o}
	}
	return out
}

// read finds a field: with conditions in the first segment where they hold,
// else in the first result, specimen or note that has it.
func read(o *hl7.Order, results []hl7.Observation, f field) (string, poct.Span) {
	among := results
	if len(f.where) > 0 || len(results) == 0 {
		among = o.Observations
	}
	for _, s := range scopes(o, f.path.Segment, among) {
		if !allHold(f.where, s) {
			continue
		}
		if v := f.path.In(s).First(); !v.Empty() {
			return v.Text(), span(v.Span())
		}
		if len(f.where) > 0 {
			break
		}
	}
	return "", poct.Span{}
}
