package mapping

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"tidegate/poct"
	"tidegate/wire/hl7"
)

// Places that every ORU message has, whatever the profile says.
var (
	obxType   = hl7.MustPath("OBX-2")
	obxCode   = hl7.MustPath("OBX-3.1")
	obxAltern = hl7.MustPath("OBX-3.4") // the same in another code system
	obxFlags  = hl7.MustPath("OBX-8")
	obxStatus = hl7.MustPath("OBX-11")
	mshTime   = hl7.MustPath("MSH-7.1")
	mshMode   = hl7.MustPath("MSH-11.1")
	mshType   = hl7.MustPath("MSH-9.1")
	spmRole   = hl7.MustPath("SPM-11.1")
)

// statusWords maps HL7 table 0085. What is not here has no place in a record
// without a person's look: B I N O R S U V.
var statusWords = map[string]poct.Status{
	"P": poct.StatusPreliminary, "F": poct.StatusFinal, "C": poct.StatusCorrected, "A": poct.StatusCorrected,
	"D": poct.StatusWithdrawn, "W": poct.StatusWithdrawn, "X": poct.StatusCancelled,
}

func decodeHL7(a poct.Arrival, profiles []*Profile, zones Zones) []Decoded {
	whole := poct.Span{To: len(a.Raw)}
	m, p, fault := parseFor(a.Raw, profiles)
	if fault != nil {
		return unread(a, "The message cannot be read: "+fault.Error()+".", span(fault.Span))
	}
	if typ := read(mshType, m); typ.text != "ORU" {
		return unread(a, "The message is no result message (ORU): MSH-9 says otherwise.", whole)
	}
	if p == nil {
		return unread(a, "No profile of this inlet fits the message.", span(m.Get("MSH-3").Span()))
	}
	orders, faults := m.Orders()
	if len(orders) == 0 {
		return unread(a, "The message cannot be read: "+faults[0].Error()+".", whole)
	}
	var problems []poct.Problem
	for _, f := range faults {
		problems = append(problems, unreadable(poct.FieldMessage, "The order of segments is not the standard's: "+f.Error()+"."))
	}
	var offset *time.Location
	if t, err := hl7.ParseTime(m.Get("MSH-7.1").Text()); err == nil && t.HasOffset {
		offset = time.FixedZone("", t.Offset*60)
	}
	var out []Decoded
	for i, o := range p.sort(orders) {
		r := reader{p: p, zones: zones, offset: offset, found: slices.Clone(problems)}
		r.r = poct.Reading{Arrival: a.ID, Index: i, Processing: read(mshMode, m).text, Where: map[string]poct.Span{}}
		out = append(out, r.order(o))
	}
	return out
}

// parseFor parses, and takes the first profile whose conditions hold. Its
// character set reads what the message does not name.
func parseFor(raw []byte, profiles []*Profile) (*hl7.Message, *Profile, *hl7.Fault) {
	m, err := parse(raw, hl7.NoCharset)
	if err != nil {
		return nil, nil, err
	}
	for _, p := range profiles {
		if !allHold(p.match, m) {
			continue
		}
		if p.fallback != hl7.NoCharset {
			m, err = parse(raw, p.fallback)
		}
		return m, p, err
	}
	return m, nil, nil
}

func parse(raw []byte, fallback hl7.Charset) (*hl7.Message, *hl7.Fault) {
	m, err := hl7.Options{Fallback: fallback}.Parse(raw)
	if err == nil {
		return m, nil
	}
	if f, ok := err.(*hl7.Fault); ok { //nolint:errorlint // Parse returns it unwrapped
		return nil, f
	}
	return nil, &hl7.Fault{What: "it is no HL7 message"}
}

func span(s hl7.Span) poct.Span { return poct.Span{From: s.From, To: s.To} }

// read takes the text at a place: of a field without component its first one,
// as a receiver of a simple type reads it. Subcomponents are not cut off: an
// identifier with a stray & stays whole.
func read(p hl7.Path, s hl7.Scope) found {
	v := p.In(s)
	if p.Component == 0 {
		v = v.Component(1)
	}
	return told(v)
}

func told(v hl7.Value) found {
	text, exact := v.Exact()
	return found{text: strings.TrimSpace(text), at: span(v.Span()), garbled: !exact}
}

// holds compares the text at the condition's place. A code in OBX-3.1 may also
// stand in OBX-3.4, the same in another code system.
func (c condition) holds(s hl7.Scope) bool {
	if slices.Contains(c.in, read(c.at.path, s).text) {
		return true
	}
	if c.at.path != obxCode {
		return false
	}
	other := read(obxAltern, s).text
	return other != "" && slices.Contains(c.in, other)
}

func allHold(list []condition, s hl7.Scope) bool {
	for _, c := range list {
		if !c.holds(s) {
			return false
		}
	}
	return true
}

// sorted is an order with its results picked out.
type sorted struct {
	*hl7.Order
	results []hl7.Observation
	as      []*result      // what each of them is
	strange []string       // codes of OBX that the profile names nowhere
	lacks   bool           // an analyte of the profile stands in no order of this patient
	scopes  []hl7.Scope    // every OBX that fields with conditions are looked for in
	notes   []hl7.Segment  // every NTE of the order, the results' first
	samples []hl7.Specimen // its specimens
}

// sort picks the results out of each order. An order without any is left out
// if it stands beside one of the same patient that has some, and holds nothing
// but what the profile's fields refer to: a strip lot sent in an order of its own.
func (p *Profile) sort(orders []*hl7.Order) []*sorted {
	all := make([]*sorted, len(orders))
	measured := map[int]map[string]bool{} // by PID
	for i, o := range orders {
		all[i] = p.pick(o)
		pid := o.PID.Index()
		if measured[pid] == nil {
			measured[pid] = map[string]bool{}
		}
		for _, x := range all[i].as {
			measured[pid][x.analyte] = true
		}
	}
	var out []*sorted
	beside := map[int][]*hl7.Order{}
	for _, s := range all {
		pid := s.PID.Index()
		if len(s.results) == 0 && len(s.strange) == 0 && len(measured[pid]) > 0 {
			beside[pid] = append(beside[pid], s.Order)
			continue
		}
		for _, x := range p.results {
			s.lacks = s.lacks || !measured[pid][x.analyte] && !slices.Contains(p.notSent, x.analyte)
		}
		out = append(out, s)
	}
	for _, s := range out {
		s.spread(beside[s.PID.Index()])
	}
	return out
}

// pick tells the results of one order from what fields refer to and from what
// the profile does not know.
func (p *Profile) pick(o *hl7.Order) *sorted {
	s := &sorted{Order: o, samples: o.Specimens}
	for _, b := range o.Observations {
		at := slices.IndexFunc(p.results, func(x result) bool { return allHold(x.where, b) })
		switch {
		case at >= 0:
			s.results, s.as = append(s.results, b), append(s.as, &p.results[at])
		case !p.refers(b):
			s.strange = append(s.strange, read(obxCode, b).text)
		}
	}
	return s
}

// refers reports whether a field of the profile is looked for in this OBX.
func (p *Profile) refers(b hl7.Observation) bool {
	return slices.ContainsFunc(p.fields.all(&p.control), func(f *field) bool {
		return f.inResults() && len(f.where) > 0 && allHold(f.where, b)
	})
}

// inResults reports whether a field, or a part of its formula, stands in an OBX.
func (f *field) inResults() bool {
	return f.path.Segment == "OBX" || f.formula != nil && slices.ContainsFunc(f.formula.places, func(p place) bool { return p.path.Segment == "OBX" })
}

// spread lists where fields are looked up: in this order, then in those beside it.
func (s *sorted) spread(beside []*hl7.Order) {
	add := func(list []hl7.Observation) {
		for _, b := range list {
			s.scopes = append(s.scopes, b)
			s.notes = append(s.notes, b.Notes...)
		}
	}
	for _, o := range append([]*hl7.Order{s.Order}, beside...) {
		add(o.Observations)
		for _, sp := range o.Specimens {
			add(sp.Observations)
		}
		s.notes = append(s.notes, o.Notes...)
	}
}

// field finds a field: with conditions in the first place where they hold,
// else in the first result, specimen or note that has it.
func (s *sorted) field(f *field) found {
	if f.path.Segment == "OBX" && len(f.where) == 0 {
		return s.ofResults(f)
	}
	var first found
	s.visit(f, func(t found) bool { first = t; return false })
	return first
}

// every finds a field in each place that has it.
func (s *sorted) every(f *field) []found {
	var out []found
	s.visit(f, func(t found) bool { out = append(out, t); return true })
	return out
}

// visit goes through the places of a field that say something, until then says
// that it is enough.
func (s *sorted) visit(f *field, then func(found) bool) {
	var among []hl7.Scope
	switch {
	case f.path.Segment == "OBX" && len(f.where) > 0:
		among = s.scopes
	case f.path.Segment == "OBX":
		for _, b := range s.measured() {
			among = append(among, b)
		}
	case f.path.Segment == "SPM":
		for _, sp := range s.samples {
			among = append(among, sp)
		}
	case f.path.Segment == "NTE" && f.path.Occurrence == 0:
		for _, n := range s.notes {
			if t := told(f.path.Of(n)); t.text != "" && (f.pattern == nil || f.pattern.MatchString(t.text)) && !then(t) {
				return
			}
		}
		return
	case f.path.Occurrence == 0 && len(f.where) > 0: // a segment of the maker's own, told by its content
		for n := 1; s.Find(f.path.Segment, n).Exists(); n++ {
			among = append(among, only{s.Order, f.path.Segment, s.Find(f.path.Segment, n)})
		}
	default:
		among = []hl7.Scope{s.Order}
	}
	for _, scope := range among {
		if allHold(f.where, scope) {
			if t := read(f.path, scope); t.text != "" && !then(t) {
				return
			}
		}
	}
}

// measured are the results of the order, or, where it has none, all it holds.
func (s *sorted) measured() []hl7.Observation {
	if len(s.results) == 0 {
		return s.Observations
	}
	return s.results
}

// ofResults takes a field from the first result that has it, and notes whether
// another one says something else.
func (s *sorted) ofResults(f *field) found {
	var first found
	for _, b := range s.measured() {
		t := read(f.path, b)
		if first.text == "" {
			first = t
		} else if t.text != "" && t.text != first.text {
			first.disputed = true
		}
	}
	return first
}

// only is an order in which one segment id means one certain segment.
type only struct {
	hl7.Scope
	id      string
	segment hl7.Segment
}

// Find gives the certain segment; anything else is looked up in the order.
func (o only) Find(id string, n int) hl7.Segment {
	if id == o.id && n == 0 {
		return o.segment
	}
	return o.Scope.Find(id, n)
}

// order reads one ORDER_OBSERVATION group.
func (r *reader) order(o *sorted) Decoded {
	r.get, r.every = o.field, o.every
	var statuses []poct.Status
	for i, b := range o.results {
		r.observe(o.as[i], b)
		statuses = append(statuses, r.statusOf(b))
	}
	r.context()
	r.undisputed(o)
	if !r.p.fields.sentAt.on {
		r.r.SentAt = r.stamp("sent_at", &field{on: true, place: place{path: mshTime}})
	}
	r.identify(o.Order)
	r.kindOf(o)
	r.compares(o.allHold)
	r.settleStatus(statuses)
	if len(o.results) == 0 && r.r.DeviceError == "" {
		r.found = append(r.found, unreadable(poct.FieldCode, "The order holds no result that the profile knows"+codes(o.strange)+"."))
	} else if len(o.strange) > 0 && o.lacks {
		r.found = append(r.found, unreadable(poct.FieldCode, "The order lacks a result that the profile knows"+codes(o.strange)+"."))
	}
	return r.finish()
}

func codes(list []string) string {
	if len(list) == 0 {
		return ""
	}
	return ", and sends " + strings.Join(list, ", ")
}

// undisputed holds what its own results tell in two ways.
func (r *reader) undisputed(o *sorted) {
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

// observe reads one OBX as a measurement.
func (r *reader) observe(x *result, b hl7.Observation) {
	if _, twice := r.r.Measured(x.analyte); twice {
		r.found = append(r.found, unreadable(x.analyte, "One order holds "+strings.ToUpper(x.analyte)+" twice; which of the two counts is not known."))
		return
	}
	v := x.value.path.In(b)
	value := told(v)
	if x.value.formula != nil {
		value = x.value.formula.compute(in(b))
		r.legible(x.analyte, value)
	}
	switch typ := read(obxType, b).text; typ {
	case "SN":
		if x.value.formula == nil {
			value.text = structured(v)
		}
	case "NM", "ST", "TX", "FT":
	default:
		r.found = append(r.found, unreadable(x.analyte, fmt.Sprintf("The value's type (OBX-2) is %q; a number comes as NM, SN or text.", typ)))
	}
	if v.Null() {
		value.text = `""` // said to be none: never a zero, and not the same as nothing
	}
	var flags []string
	for _, f := range obxFlags.In(b).Repetitions() {
		if t := told(f.Component(1)).text; t != "" {
			flags = append(flags, t)
		}
	}
	m := r.measurement(x, value.text, unitOf(x, b), read(obxCode, b).text, strings.Join(flags, "~"))
	r.r.Measurements = append(r.r.Measurements, m)
	r.r.Where[x.analyte] = value.at
	r.flagged(x.analyte, flags)
}

// in reads places of one segment of results.
func in(s hl7.Scope) func(place) found { return func(p place) found { return read(p.path, s) } }

// unitOf reads the unit. One sent in another component than the profile reads
// is not the same as none, which may have a meaning: it stays as sent.
func unitOf(x *result, b hl7.Observation) string {
	if x.unit.formula != nil {
		return x.unit.formula.compute(in(b)).text
	}
	if unit := read(x.unit.path, b).text; unit != "" {
		return unit
	}
	field := x.unit.path
	field.Component, field.Subcomponent = 0, 0
	if v := field.In(b); !v.Empty() && !v.Null() {
		return strings.TrimSpace(v.Text())
	}
	return ""
}

// flagged heeds the flags of HL7 table 0078 that ask for more than a look at
// the value: QCF, its quality control failed; HM, hold for medical review.
func (r *reader) flagged(analyte string, flags []string) {
	if slices.Contains(flags, "QCF") {
		r.r.Onboard = "fail"
	}
	if slices.Contains(flags, "HM") {
		r.found = append(r.found, poct.Problem{
			Check: "38", Code: "interference-noted", Severity: poct.Hold, Field: analyte,
			Text:   "The meter asks for a medical review before the result is used (flag HM).",
			Remedy: "Find out why from the meter or whoever ran the test.",
		})
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
	f := &r.p.fields.status
	if !f.on {
		return statusWords[read(obxStatus, b).text]
	}
	text := ""
	if f.formula != nil {
		text = f.formula.compute(in(b)).text
	} else {
		text = read(f.path, b).text
	}
	if word, ok := f.values[text]; ok {
		return poct.Status(word)
	}
	return statusWords[text]
}

func (r *reader) settleStatus(list []poct.Status) {
	status, ok := joinStatus(list)
	r.r.Status = status
	switch {
	case slices.Contains(list, ""):
		r.found = append(r.found, unreadable("status", "The result's status (OBX-11) is missing, or none that can be filed without a look (HL7 table 0085)."))
	case !ok:
		r.found = append(r.found, unreadable("status", "The values of one test carry different statuses."))
	}
}

// joinStatus is the status of a test from those of its values: one corrected
// value corrects the test. ok is false where they contradict each other.
func joinStatus(list []poct.Status) (status poct.Status, ok bool) {
	status = poct.StatusFinal
	for i, s := range list {
		switch {
		case i == 0, s == poct.StatusCorrected && status == poct.StatusFinal:
			status = s
		case s != status && !(s == poct.StatusFinal && status == poct.StatusCorrected):
			return status, false
		}
	}
	return status, true
}
