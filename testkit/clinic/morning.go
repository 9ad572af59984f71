package clinic

import (
	"bytes"
	"crypto/sha256"
	"fmt"
	"strings"
	"time"
	_ "time/tzdata"

	"tidegate/poct"
)

// Zone of all sites of the clinic group.
var Zone = func() *time.Location {
	z, err := time.LoadLocation("Europe/London")
	if err != nil {
		panic(err) // compiled in
	}
	return z
}()

func at(day, hour, minute, second int) time.Time {
	return time.Date(2026, 11, day, hour, minute, second, 0, Zone)
}

// New is the clinic at ten in the morning: sixteen results wait for five causes.
func New() *Clinic {
	c := Empty()
	c.registry()
	c.waiting()
	c.delivered()
	c.hours()
	c.account = poct.Account{Arrivals: 470, Ends: poct.Ends{Delivered: 412, Filed: 31, Held: 16, Duplicate: 6, Ignored: 3, Discarded: 1, Delivering: 1}, Resends: 19}
	return c
}

// Empty is the same clinic before anything came in.
func Empty() *Clinic {
	return &Clinic{Time: at(25, 9, 58, 20), sites: map[string]poct.Site{}, operators: map[string]poct.Operator{}, lots: map[string]poct.StripLot{},
		arrivals: map[string]poct.Arrival{}, traces: map[string]*poct.Trace{}, history: map[poct.PatientRef][]poct.Past{}, controls: map[string][]poct.Past{}}
}

func (c *Clinic) registry() {
	for id, name := range map[string]string{"millrace": "Millrace Surgery", "saltmarsh": "Saltmarsh Clinic", "harbour": "Harbour Street", "quay": "Quay House"} {
		c.sites[id] = poct.Site{ID: id, Name: name, TimeZone: Zone.String(), QCInterval: 8 * time.Hour}
	}
	for _, m := range [][3]string{{"M-2041", "Quill 3", "millrace"}, {"M-2063", "Quill 3", "millrace"}, {"M-2019", "Reed 2", "saltmarsh"}, {"M-2052", "Sedge 5", "harbour"}, {"M-2077", "Sedge 5", "quay"}} {
		c.meters = append(c.meters, poct.Meter{Serial: m[0], Model: m[1], Site: m[2], State: "in-use"})
	}
	c.operators["118"] = poct.Operator{ID: "118", Name: "L. Farrow", Sites: []string{"*"}, CertifiedUntil: "2027-03-03"}
	c.lots["7K40231"] = poct.StripLot{Lot: "7K40231", Model: "Quill 3", Expires: "2027-06-30", ISI: poct.MustNumber("1.02"), MNPT: poct.MustNumber("12.1")}
	for _, p := range [][4]string{{"T-100482", "Sample", "Iris", "1948-03-14"}, {"T-100517", "Aldergrove", "Petra", "1961-07-02"}, {"T-100533", "Vantongeren", "Hob", "1939-01-20"},
		{"T-100611", "Tarnbeck", "Ada", "1952-05-09"}, {"T-100618", "Oxmarsh", "Col", "1944-12-30"}, {"T-100720", "Kelmscote", "Dov", "1957-08-11"}, {"T-100805", "Quillfen", "Mara", "1984-02-17"}} {
		c.patients = append(c.patients, poct.Patient{Authority: "MILLRACE", ID: p[0], Family: p[1], Given: p[2], BirthDate: p[3], Sex: "F"})
	}
	c.visits = append(c.visits, poct.Visit{ID: "V-1", Authority: "MILLRACE", Patient: "T-100482", Site: "millrace", Start: at(25, 7, 55, 0)},
		poct.Visit{ID: "V-2", Authority: "MILLRACE", Patient: "T-100720", Site: "quay", Start: at(25, 9, 2, 0)})
	ref := poct.PatientRef{Authority: "MILLRACE", ID: "T-100482"}
	for i, v := range []string{"2.3", "2.7", "2.1", "3.2", "2.6", "2.4", "2.8"} {
		t := []time.Time{time.Date(2026, 5, 30, 9, 0, 0, 0, Zone), time.Date(2026, 6, 20, 9, 0, 0, 0, Zone), time.Date(2026, 7, 18, 9, 0, 0, 0, Zone),
			time.Date(2026, 8, 15, 9, 0, 0, 0, Zone), time.Date(2026, 9, 8, 9, 0, 0, 0, Zone), time.Date(2026, 10, 10, 9, 0, 0, 0, Zone), at(4, 9, 0, 0)}[i]
		r := inr(v)
		r.Meter = []string{"M-2041", "M-2052"}[i%2] // here, and at Harbour Street
		c.history[ref] = append(c.history[ref], poct.Past{Result: fmt.Sprintf("past-%d", i), State: poct.Delivered, Tested: t, Reading: r})
	}
	for level, m := range map[string]int{"1": 29, "2": 31} {
		c.controls["M-2041"] = append(c.controls["M-2041"], poct.Past{Tested: at(25, 7, m, 0), QCPassed: true, Reading: poct.Reading{Kind: poct.KindControl, ControlLevel: level, ControlLot: "CA-117"}})
	}
	c.step(at(25, 6, 0, 2), poct.Event{Kind: poct.EventStarted, Actor: poct.System})
	c.step(at(25, 7, 12, 0), poct.Event{Kind: poct.EventRegistry, Actor: "k.osei"})
}

func inr(v string) poct.Reading {
	return poct.Reading{Kind: poct.KindPatient, Measurements: []poct.Measurement{{Analyte: "inr", Value: poct.MustNumber(v), RawValue: v, Unit: "{INR}", RawUnit: "{INR}"}}}
}

// LotUnknown is check 23's problem about a lot.
func LotUnknown(lot string) poct.Problem {
	return poct.Problem{Check: "23", Code: "lot-unknown", Severity: poct.Hold, Field: poct.FieldStripLot,
		Text: "Strip lot " + lot + " is not in the registry.", Remedy: "Read the lot from the vial. If it is right, register it.", Limit: "the registry of strip lots"}
}

func waitsFor(check, code, whether string) poct.Problem {
	return poct.Problem{Check: check, Code: code, Severity: poct.Hold, Field: poct.FieldStripLot, Because: "lot-unknown",
		Text: "Cannot tell whether " + whether + ", because the strip lot is not in the registry."}
}

// test is one held test in short.
type test struct {
	id, meter, site, value, patient, operator, lot string
	tested                                         time.Time
	cause                                          string
	problems                                       []poct.Problem
	critical                                       bool
}

// ID makes an invented id of a fixed form.
func ID(kind string, n int) string { return fmt.Sprintf("01936%03d-0000-7000-8000-%s%06d", n, kind, n) }

func (c *Clinic) waiting() {
	lot := "7K4O231"
	unknown := []poct.Problem{LotUnknown(lot), waitsFor("24", "lot-expired", "the strip had expired"), waitsFor("26", "lot-recalled", "the lot is recalled")}
	overdue := []poct.Problem{{Check: "27", Code: "qc-overdue", Severity: poct.Hold, Field: poct.FieldMeter, Text: "Controls are overdue on meter M-2019.",
		Remedy: "Run both levels on this meter, then check again.", Limit: "8 h since the last pass of both levels"}}
	tests := []test{
		{"7f3a91c4", "M-2077", "quay", "6.1", "T-100720", "118", "7K40231", at(25, 9, 24, 0), "delta-large|rose", []poct.Problem{{Check: "41", Code: "delta-large", Severity: poct.Hold, Field: "inr",
			Text: "INR rose from 2.4 to 6.1 in 9 days.", Remedy: "Repeat the test before anybody acts on it."}, {Check: "36", Code: "critical", Severity: poct.Flag, Field: "inr", Text: "INR 6.1 is above the critical limit.", Limit: "5.0"}}, true},
		{"", "M-2041", "millrace", "2.6", "T-100482", "118", lot, at(25, 8, 6, 2), "lot-unknown|" + lot, unknown, false},
		{"", "M-2041", "millrace", "3.1", "T-100517", "118", lot, at(25, 8, 18, 0), "lot-unknown|" + lot, unknown, false},
		{"", "M-2063", "millrace", "2.2", "T-100533", "118", lot, at(25, 8, 37, 0), "lot-unknown|" + lot, unknown, false},
		{"", "M-2063", "millrace", "2.4", "T-100611", "118", lot, at(25, 8, 44, 0), "lot-unknown|" + lot, unknown, false},
		{"", "M-2041", "millrace", "1.9", "T-100618", "118", lot, at(25, 8, 51, 0), "lot-unknown|" + lot, unknown, false},
		{"", "M-2041", "millrace", "2.0", "T-100533", "118", lot, at(25, 9, 1, 0), "lot-unknown|" + lot, unknown, false},
		{"", "M-2052", "harbour", "2.8", "T-100805", "118", "7K40231", at(25, 9, 11, 0), "second-identifier-conflict|T-100805", []poct.Problem{{Check: "8", Code: "second-identifier-conflict", Severity: poct.Hold, Field: poct.FieldBirthDate,
			Text: "The birth date differs from the registry.", Remedy: "Ask the patient for the birth date and read the wristband."}}, false},
	}
	for i, v := range []string{"2.4", "2.9", "3.3", "2.1", "2.6", "1.8", "2.7"} {
		tests = append(tests, test{"", "M-2019", "saltmarsh", v, []string{"T-100611", "T-100618"}[i%2], "118", "7K40231", at(25, 6, 46+i*2, 0), "qc-overdue|M-2019", overdue, false})
	}
	for i, t := range tests {
		c.held(i, t)
	}
	c.unread(len(tests))
}

func (c *Clinic) held(i int, t test) {
	raw, where := message(t)
	r := poct.Reading{Arrival: ID("a", i), Profile: "quill-hl7", Model: "Quill 3", Kind: poct.KindPatient, Status: poct.StatusFinal, Meter: t.meter, Sequence: fmt.Sprint(8841 + i),
		TestedAt: poct.Stamp{Raw: t.tested.Format("20060102150405"), At: t.tested, Precision: "second", Assumed: true}, Operator: t.operator,
		Patient: poct.PatientRef{Authority: "MILLRACE", ID: t.patient}, StripLot: t.lot, Where: where,
		Measurements: append(inr(t.value).Measurements, poct.Measurement{Analyte: "pt", Value: poct.MustNumber("31.2"), RawValue: "31.2", Unit: "s", RawUnit: "s"})}
	for _, p := range c.patients {
		if p.ID == t.patient {
			r.BirthDate, r.Family, r.Given = p.BirthDate, p.Family, p.Given
		}
	}
	if strings.HasPrefix(t.cause, "second-") {
		r.BirthDate = "1948-02-17"
	}
	received := t.tested.Add(24 * time.Second)
	c.arrivals[r.Arrival] = poct.Arrival{ID: r.Arrival, Inlet: "millrace-tcp", Source: "millrace-tcp", Digest: sha256.Sum256(raw), Received: received, Peer: "192.0.2.41:40112", Format: "hl7v2", Raw: raw}
	id := ID("b", i)
	h := poct.HoldRecord{ID: ID("c", i), Version: 1, Open: true, Arrival: r.Arrival, Result: id, Opened: received, Cause: t.cause, Critical: t.critical, Site: t.site, Problems: t.problems, Reading: r}
	if t.critical {
		c.criticals = append(c.criticals, poct.Critical{Result: id, Hold: h.ID, Site: t.site, Value: t.value, Meter: t.meter, Tested: t.tested, Opened: received})
	}
	c.holds = append(c.holds, h)
	v := poct.VersionRecord{Version: 1, Arrival: r.Arrival, Result: poct.Result{ID: id, Version: 1, Site: t.site, Reading: r}, Verdict: poct.HoldIt, Problems: t.problems, Actor: poct.System, At: received, Checks: checks(t.problems)}
	for _, p := range c.patients {
		if p.ID == t.patient {
			v.Result.Patient = p
		}
	}
	c.traces[id] = &poct.Trace{ID: id, Key: r.Key(), State: poct.Held, Site: t.site, Arrivals: []string{r.Arrival}, Versions: []poct.VersionRecord{v}}
	c.step(received, poct.Event{Kind: poct.EventReceived, Actor: poct.System, Arrival: r.Arrival, Result: id, Payload: fmt.Appendf(nil, `{"bytes":%d,"inlet":"millrace-tcp"}`, len(raw))})
	c.step(received.Add(9*time.Millisecond), poct.Event{Kind: poct.EventRead, Actor: poct.System, Arrival: r.Arrival, Result: id, Version: 1, Payload: []byte(`{"profile":"quill-hl7","readings":1}`)})
	c.step(received.Add(15*time.Millisecond), poct.Event{Kind: poct.EventHeld, Actor: poct.System, Arrival: r.Arrival, Result: id, Version: 1, Hold: h.ID})
}

func checks(problems []poct.Problem) []poct.CheckAnswer {
	var out []poct.CheckAnswer
	for _, p := range problems {
		a := poct.CheckAnswer{Check: p.Check, Code: p.Code, Answer: poct.Found, Limit: p.Limit}
		if p.Because != "" {
			a.Answer, a.Why = poct.CannotTell, "the strip lot is not in the registry"
		}
		out = append(out, a)
	}
	for n, code := range map[string]string{"1": "unreadable-record", "12": "future-time", "17": "meter-unknown", "20": "operator-unknown", "33": "impossible-value"} {
		out = append(out, poct.CheckAnswer{Check: n, Code: code, Answer: poct.Pass})
	}
	return out
}

// message writes a test as its meter would, and where each field stands in it.
func message(t test) ([]byte, map[string]poct.Span) {
	var b bytes.Buffer
	where := map[string]poct.Span{}
	put := func(field, text string) {
		from := b.Len()
		b.WriteString(text)
		if field != "" {
			where[field] = poct.Span{From: from, To: b.Len()}
		}
	}
	stamp := t.tested.Format("20060102150405")
	put("", `MSH|^~\&|`)
	put(poct.FieldMeter, t.meter)
	put("", "|MILLRACE|||"+stamp+"||ORU^R01|8841|P|2.5.1\rPID|1||")
	put(poct.FieldPatient, t.patient)
	put("", "||")
	put(poct.FieldFamily, "SAMPLE")
	put("", "^")
	put(poct.FieldGiven, "IRIS")
	put("", "||")
	put(poct.FieldBirthDate, "19480314")
	put("", "|F\rOBR|1||8841|PTINR|||")
	put(poct.FieldTestedAt, stamp)
	put("", "\rOBX|1|NM|46418-0||")
	put("inr", t.value)
	put("", "|{INR}|||||F|||||118\rOBX|2|NM|46417-2||31.2|s|||||F|||||")
	put(poct.FieldOperator, t.operator)
	put("", "\rOBX|3|ST|STRIPLOT||")
	put(poct.FieldStripLot, t.lot)
	put("", "||||||F\r")
	return b.Bytes(), where
}

// unread is an arrival that ends before its value.
func (c *Clinic) unread(i int) {
	raw := []byte("\x0bMSH|^~\\&|M-2052|HARBOUR|||20261125094912||ORU^R01|77|P|2.5.1\rPID|1||T-10")
	a := poct.Arrival{ID: ID("a", i), Inlet: "harbour-serial", Source: "harbour-serial", Digest: sha256.Sum256(raw), Received: at(25, 9, 49, 0), Peer: "192.0.2.52:2211", Format: "hl7v2", Raw: raw, Fault: "cut off"}
	c.arrivals[a.ID] = a
	p := poct.Problem{Check: "1", Code: "unreadable-record", Severity: poct.Hold, Field: poct.FieldMessage, Text: "The message ends before the value.", Remedy: "The meter keeps the result: have it sent again."}
	r := poct.Reading{Arrival: a.ID, Kind: poct.KindUnread, Where: map[string]poct.Span{poct.FieldMessage: {From: len(raw) - 4, To: len(raw)}}}
	h := poct.HoldRecord{ID: ID("c", i), Version: 1, Open: true, Arrival: a.ID, Opened: a.Received, Cause: "unreadable-record|harbour-serial", Problems: []poct.Problem{p}, Reading: r}
	c.holds = append(c.holds, h)
	c.traces[a.ID] = &poct.Trace{ID: a.ID, State: poct.Held, Arrivals: []string{a.ID}, Versions: []poct.VersionRecord{{Version: 1, Arrival: a.ID, Verdict: poct.HoldIt, Problems: h.Problems, Actor: poct.System, At: a.Received, Result: poct.Result{Reading: r}}}}
	c.step(a.Received, poct.Event{Kind: poct.EventReceived, Actor: poct.System, Arrival: a.ID, Payload: fmt.Appendf(nil, `{"bytes":%d,"inlet":"harbour-serial"}`, len(raw))})
	c.step(a.Received.Add(time.Millisecond), poct.Event{Kind: poct.EventHeld, Actor: poct.System, Arrival: a.ID, Hold: h.ID, Version: 1})
}

// DeliveredID is a result that was held, corrected and delivered.
var DeliveredID = ID("d", 900)

func (c *Clinic) delivered() {
	t := test{meter: "M-2041", site: "millrace", value: "2.6", patient: "T-100482", operator: "118", lot: "7K4O231", tested: at(25, 7, 36, 2)}
	raw, where := message(t)
	id, arrival := DeliveredID, ID("a", 900)
	received := at(25, 7, 36, 31)
	c.arrivals[arrival] = poct.Arrival{ID: arrival, Inlet: "millrace-tcp", Source: "millrace-tcp", Digest: sha256.Sum256(raw), Received: received, Peer: "192.0.2.41:40112", Format: "hl7v2", Raw: raw}
	r := inr("2.6")
	r.Arrival, r.Meter, r.Sequence, r.Operator, r.StripLot, r.Where = arrival, t.meter, "8790", "118", "7K4O231", where
	r.TestedAt = poct.Stamp{Raw: t.tested.Format("20060102150405"), At: t.tested, Precision: "second"}
	r.Patient = poct.PatientRef{Authority: "MILLRACE", ID: t.patient}
	one := poct.VersionRecord{Version: 1, Arrival: arrival, Verdict: poct.HoldIt, Problems: []poct.Problem{LotUnknown("7K4O231")}, Actor: poct.System, At: received,
		Result: poct.Result{ID: id, Version: 1, Site: "millrace", Reading: r, Patient: c.patients[0], Visit: "V-1"}}
	two := one
	two.Version, two.Verdict, two.Problems, two.Actor, two.Reason, two.At = 2, poct.Release, nil, "r.ito", "Vial read aloud on the phone by L. Farrow", at(25, 9, 32, 17)
	two.Result.Version, two.Result.Reading.StripLot = 2, "7K40231"
	two.Checks = checks(nil)
	two.Sent = []poct.SentBody{{Delivery: 1, Outlet: "record-fhir", Action: poct.Create, State: poct.DeliveryDone, Body: []byte(`{"resourceType":"Bundle","type":"transaction","entry":[{"fullUrl":"urn:uuid:5f1c","resource":{"resourceType":"Observation","status":"final","valueQuantity":{"value":2.6,"code":"{INR}"}}}]}`)}}
	st := poct.Settlement{Act: poct.ActCorrect, Version: 1, Changes: map[string]string{poct.FieldStripLot: "7K40231"}, Reason: two.Reason, Actor: "r.ito", At: two.At}
	hold := poct.HoldRecord{ID: ID("c", 900), Version: 2, Arrival: arrival, Result: id, Opened: received, Cause: "lot-unknown|7K4O231", Site: "millrace", Problems: one.Problems, Reading: r, Settled: &st}
	c.holds = append([]poct.HoldRecord{}, append(c.holds, hold)...)
	c.traces[id] = &poct.Trace{ID: id, Key: r.Key(), State: poct.Delivered, Site: "millrace", Arrivals: []string{arrival}, Versions: []poct.VersionRecord{one, two},
		Receipts: []poct.Receipt{{Delivery: 1, Outlet: "record-fhir", Action: poct.Create, At: at(25, 9, 32, 19), Status: 201, Class: "delivered", Remote: map[string]string{"observation/inr": "Observation/88-4127"}}}}
	for _, e := range []struct {
		t time.Time
		e poct.Event
	}{
		{received, poct.Event{Kind: poct.EventReceived, Actor: poct.System, Payload: fmt.Appendf(nil, `{"bytes":%d,"inlet":"millrace-tcp"}`, len(raw))}},
		{received.Add(400 * time.Millisecond), poct.Event{Kind: poct.EventRead, Actor: poct.System, Version: 1, Payload: []byte(`{"profile":"quill-hl7","readings":1}`)}},
		{received.Add(406 * time.Millisecond), poct.Event{Kind: poct.EventHeld, Actor: poct.System, Version: 1, Hold: hold.ID}},
		{at(25, 9, 28, 14), poct.Event{Kind: poct.EventLooked, Actor: "r.ito", Payload: []byte(`{"fields":["patient","bytes"]}`)}},
		{at(25, 9, 32, 17), poct.Event{Kind: poct.EventCorrected, Actor: "r.ito", Version: 2, Hold: hold.ID, Payload: []byte(`{"fields":["strip_lot"],"reason":"Vial read aloud on the phone by L. Farrow"}`)}},
		{at(25, 9, 32, 17).Add(8 * time.Millisecond), poct.Event{Kind: poct.EventReleased, Actor: poct.System, Version: 2}},
		{at(25, 9, 32, 18), poct.Event{Kind: poct.EventUnknown, Actor: poct.System, Version: 2, Outlet: "record-fhir"}},
		{at(25, 9, 32, 19), poct.Event{Kind: poct.EventDelivered, Actor: poct.System, Version: 2, Outlet: "record-fhir", Payload: []byte(`{"status":201,"remote":["Observation/88-4127"]}`)}},
	} {
		e.e.Result, e.e.Arrival = id, arrival
		c.step(e.t, e.e)
	}
}

// hours fills the morning with arrivals that passed, for the counts of Today.
func (c *Clinic) hours() {
	for i, n := range []int{9, 34, 58, 47} {
		h := 6 + i
		for i := range n {
			c.step(at(25, h, i%60, 0), poct.Event{Kind: poct.EventReceived, Actor: poct.System, Arrival: ID("e", h*100+i)})
		}
	}
}

// Crowd adds n open holds, a cause for each tenth.
func (c *Clinic) Crowd(n int) {
	c.mu.Lock()
	defer c.mu.Unlock()
	for i := range n {
		h := c.holds[1]
		h.ID, h.Result, h.Arrival = ID("f", 1000+i), ID("g", 1000+i), ID("h", 1000+i)
		h.Opened = at(20, 8, 0, 0).Add(time.Duration(i) * time.Second)
		h.Cause = fmt.Sprintf("lot-unknown|L%05d", i/10)
		h.Problems = []poct.Problem{LotUnknown(fmt.Sprintf("L%05d", i/10))}
		c.holds = append(c.holds, h)
	}
}
