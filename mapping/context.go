package mapping

import (
	"cmp"
	"slices"
	"strings"
	"time"

	"tidegate/poct"
	"tidegate/wire/hl7"
)

// What an inlet can be told to take.
const (
	AcceptResults = "results"
	AcceptADT     = "adt"
	AcceptOrders  = "orders"
)

// ContextRule is how an inlet's messages about patients and orders are read.
type ContextRule struct {
	Accepts   []string       // none: results alone
	Authority string         // of identifiers that name none; "": such a message is held
	Zone      *time.Location // of times without an offset; nil: the message is held
	Target    string         // OBX-3.1 of the INR range beside an order; "" if none is sent
}

func (c ContextRule) takes(what string) bool {
	return slices.Contains(c.Accepts, what) || what == AcceptResults && len(c.Accepts) == 0
}

// contextTypes says which messages are about what (HL7 table 0076).
var contextTypes = map[string]string{"ADT": AcceptADT, "ORM": AcceptOrders, "OML": AcceptOrders, "ORU": AcceptResults}

// DecodeContext reads a message about patients, visits or orders: ADT, ORM^O01
// or OML^O21. ok is false where the arrival is none, so that Decode has it. What
// the inlet does not take is one unread reading that says so; what cannot be
// read as a whole likewise, so that nothing of it counts.
func DecodeContext(a poct.Arrival, rule ContextRule) (d Decoded, ok bool) {
	if a.Fault != "" || formFor(a).name != formatHL7 {
		return refuseResults(a, rule)
	}
	m, fault := parse(a.Raw, hl7.NoCharset)
	if fault != nil {
		return Decoded{}, false
	}
	typ := read(mshType, m).text
	what, known := contextTypes[typ]
	switch {
	case known && !rule.takes(what):
		return notTaken(a, what), true
	case !known || what == AcceptResults:
		return Decoded{}, false
	}
	c := &contextReader{m: m, rule: rule, typ: typ}
	return c.read(a), true
}

// refuseResults stops what comes in another form, and so can only be results.
func refuseResults(a poct.Arrival, rule ContextRule) (Decoded, bool) {
	if a.Fault == "" && !rule.takes(AcceptResults) {
		return notTaken(a, AcceptResults), true
	}
	return Decoded{}, false
}

var takenWords = map[string]string{
	AcceptResults: "results", AcceptADT: "messages about patients (ADT)", AcceptOrders: "orders (ORM, OML)",
}

func notTaken(a poct.Arrival, what string) Decoded {
	d := unread(a, "This inlet does not take "+takenWords[what]+".", poct.Span{To: len(a.Raw)})[0]
	d.Problems[0].Remedy = "Write " + what + " under accepts of the inlet and read the arrival again, or have the sender send it elsewhere."
	return d
}

// contextReader reads one message. why is the first thing that cannot be read;
// then nothing of the message counts.
type contextReader struct {
	m      *hl7.Message
	rule   ContextRule
	typ    string
	event  string
	offset *time.Location
	news   poct.Context
	why    string
	at     hl7.Span
}

func (c *contextReader) fail(v hl7.Value, why string) {
	if c.why == "" {
		c.why, c.at = why, v.Span()
	}
}

func (c *contextReader) read(a poct.Arrival) Decoded {
	c.event = cmp.Or(c.text(c.m.Get("MSH-9.2")), c.text(c.m.Get("EVN-1")))
	c.news.Event = strings.TrimSuffix(c.typ+"^"+c.event, "^")
	if t, err := hl7.ParseTime(c.m.Get("MSH-7.1").Text()); err == nil && t.HasOffset {
		c.offset = time.FixedZone("", t.Offset*60)
	}
	c.news.AsOf.Sent = c.time(c.m.Get("MSH-7.1"))
	c.news.AsOf.At = c.time(c.m.Get("EVN-2.1"))
	if c.news.AsOf.At.IsZero() {
		c.news.AsOf.At = c.news.AsOf.Sent
	}
	switch {
	case c.typ == "ADT":
		c.patients()
	default:
		c.orders()
	}
	if c.news.AsOf.At.IsZero() && !c.news.Empty() {
		c.fail(c.m.Get("MSH-7"), "it does not say when it happened (EVN-2 or MSH-7)")
	}
	if c.why != "" {
		at := span(c.at)
		if at.From == at.To {
			at = poct.Span{To: len(a.Raw)}
		}
		return unread(a, "The message cannot be used: "+c.why+".", at)[0]
	}
	r := poct.Reading{Arrival: a.ID, Kind: poct.KindContext, Event: c.news.Event, Processing: read(mshMode, c.m).text,
		Where: map[string]poct.Span{}}
	if pid := c.m.Get("PID-3"); !pid.Absent() {
		r.Where[poct.FieldPatient] = span(pid.Span())
	}
	switch n := &c.news; {
	case len(n.Orders) > 0:
		r.Patient, r.Order = poct.PatientRef{Authority: n.Orders[0].Order.Authority, ID: n.Orders[0].Order.Patient}, n.Orders[0].Order.ID
	case len(n.Patients) > 0:
		r.Patient = n.Patients[0].Ref
	case len(n.Visits) > 0:
		r.Patient = n.Visits[0].Patient
	}
	if len(c.news.Visits) > 0 {
		r.Visit = c.news.Visits[0].ID
	}
	return Decoded{Reading: r, Context: &c.news}
}

// text takes the text of a value; one that can be read only in part counts for
// nothing, since it would name somebody else.
func (c *contextReader) text(v hl7.Value) string {
	text, exact := v.Exact()
	if !exact {
		c.fail(v, "it holds bytes or escapes that cannot be read in its character set")
	}
	return strings.TrimSpace(text)
}

// time reads an instant; zero where none was sent.
func (c *contextReader) time(v hl7.Value) time.Time {
	t, err := hl7.ParseTime(v.First().Text())
	switch {
	case err != nil:
		c.fail(v, "one of its times cannot be read: "+err.Error())
		return time.Time{}
	case t.IsZero() || t.HasOffset:
		return utc(t.In(nil))
	case c.offset != nil:
		return utc(t.In(c.offset))
	case c.rule.Zone == nil:
		c.fail(v, "its times have no offset; write time_zone at the inlet")
		return time.Time{}
	}
	return utc(t.In(c.rule.Zone))
}

func utc(t time.Time) time.Time {
	if t.IsZero() {
		return time.Time{}
	}
	return t.UTC()
}

// refs lists the identifiers of a CX field, each once. Those without an
// authority are the inlet's.
func (c *contextReader) refs(field hl7.Value) []poct.PatientRef {
	var out []poct.PatientRef
	for _, cx := range field.Repetitions() {
		ref := poct.PatientRef{ID: c.text(cx.Component(1).First())}
		if ref.ID == "" {
			continue
		}
		authority := cx.Component(4)
		ref.Authority = cmp.Or(c.text(authority.Subcomponent(1)), c.text(authority.Subcomponent(2)), c.rule.Authority)
		if ref.Authority == "" {
			c.fail(cx, "an identifier names no assigning authority; write authority at the inlet")
			continue
		}
		if !slices.Contains(out, ref) {
			out = append(out, ref)
		}
	}
	return out
}

// used lists the events of HL7 table 0003 that say something here. A05
// announces somebody: the person is known from then on, no visit has begun.
var used = map[string]struct {
	person, merge bool
	visit         poct.VisitAct
}{
	"A01": {person: true, visit: poct.VisitBegins}, "A04": {person: true, visit: poct.VisitBegins},
	"A03": {person: true, visit: poct.VisitEnds}, "A05": {person: true}, "A08": {person: true, visit: poct.VisitChanges},
	"A11": {visit: poct.VisitCancels}, "A13": {person: true, visit: poct.VisitReopens},
	"A28": {person: true}, "A31": {person: true}, "A40": {person: true, merge: true}, "A47": {person: true, merge: true},
}

func (c *contextReader) patients() {
	use, known := used[c.event]
	if !known {
		return
	}
	groups := c.m.Patients()
	if len(groups) == 0 {
		c.fail(c.m.Get("MSH-9"), "it has no PID segment")
	}
	for _, g := range groups {
		ids := g.PID.Field(3)
		refs := c.refs(ids)
		if len(refs) == 0 {
			c.fail(ids, "PID-3 names no patient identifier")
		}
		for _, ref := range refs {
			if use.person {
				c.news.Patients = append(c.news.Patients, c.person(g.PID, ref))
			}
			if use.visit != "" && g.PV1.Exists() {
				c.news.Visits = append(c.news.Visits, c.visit(g, ref, use.visit))
			}
		}
		if use.merge {
			c.merge(g, refs)
		}
	}
}

// person reads what a PID says of somebody. A birth date that is not a whole
// date is none: it cannot be compared with one.
func (c *contextReader) person(pid hl7.Segment, ref poct.PatientRef) poct.PatientNews {
	n := poct.PatientNews{Ref: ref}
	name := pid.Field(5)
	n.Family, n.Given = c.told(name, name.Component(1).First()), c.told(name, name.Component(2))
	n.Sex = c.told(pid.Field(8), pid.Field(8).First())
	born := pid.Field(7)
	n.BirthDate = c.told(born, born.First())
	if n.BirthDate != nil && *n.BirthDate != "" {
		t, err := hl7.ParseTime(*n.BirthDate)
		if n.BirthDate = nil; err == nil && t.Precision >= hl7.PrecisionDay {
			day := time.Date(t.Year, time.Month(t.Month), t.Day, 0, 0, 0, 0, time.UTC).Format(time.DateOnly)
			n.BirthDate = &day
		}
	}
	return n
}

// told is nil where nothing was sent, and empty where the sender deletes the
// whole field or this part of it.
func (c *contextReader) told(field, v hl7.Value) *string {
	none := ""
	switch {
	case field.Null() || v.Null():
		return &none
	case v.Absent():
		return nil
	}
	text := c.text(v)
	return &text
}

func (c *contextReader) visit(g hl7.PatientGroup, ref poct.PatientRef, act poct.VisitAct) poct.VisitNews {
	place := g.PV1.Field(3)
	v := poct.VisitNews{Patient: ref, Act: act, ID: c.text(g.PV1.Field(19).First()),
		Places: c.places(place.Component(1), place.Component(4), c.m.Get("MSH-4")),
		Start:  c.time(g.PV1.Field(44)), End: c.time(g.PV1.Field(45))}
	happened := c.time(g.Find("EVN", 1).Field(6))
	if happened.IsZero() {
		happened = c.news.AsOf.At
	}
	switch {
	case act == poct.VisitBegins && v.Start.IsZero():
		v.Start = happened
	case act == poct.VisitEnds && v.End.IsZero():
		v.End = happened
	}
	return v
}

func (c *contextReader) places(list ...hl7.Value) []string {
	var out []string
	for _, v := range list {
		if text := c.text(v.First()); text != "" && !slices.Contains(out, text) {
			out = append(out, text)
		}
	}
	return out
}

// merge pairs each retired identifier with the surviving one of the same
// authority. One that stands on both sides did not change; a message in which
// none changes says nothing.
func (c *contextReader) merge(g hl7.PatientGroup, survivors []poct.PatientRef) {
	field := g.MRG.Field(1)
	retired := c.refs(field)
	if len(retired) == 0 {
		c.fail(field, "MRG-1 names no identifier that retires")
	}
	changed := false
	for _, from := range retired {
		i := slices.IndexFunc(survivors, func(s poct.PatientRef) bool { return s.Authority == from.Authority })
		switch {
		case slices.Contains(survivors, from):
		case i < 0:
			c.fail(field, "an identifier retires, and PID-3 has none of the same assigning authority to take its place")
		case slices.ContainsFunc(survivors[i+1:], func(s poct.PatientRef) bool { return s.Authority == from.Authority }):
			c.fail(field, "an identifier retires, and PID-3 has several of the same assigning authority")
		default:
			c.news.Merges, changed = append(c.news.Merges, poct.MergeNews{Retires: from, Survives: survivors[i]}), true
		}
	}
	if len(retired) > 0 && !changed {
		c.fail(field, "it merges an identifier with itself")
	}
}
