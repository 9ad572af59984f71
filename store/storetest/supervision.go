package storetest

import (
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidegate/poct"
)

// lab is a laboratory's own result of patient 40721, drawn at a minute.
func lab(minute int, change ...func(*poct.Outcome)) poct.Outcome {
	o := Released("", "", "2.6")
	r := &o.Result.Reading
	r.Kind, r.Meter, r.Sequence, r.TestedAt = poct.KindComparison, "", fmt.Sprint("l", minute), stampAt(minute)
	o.Verdict, o.Action, o.Outlets, o.Result.Key = poct.File, "", nil, ""
	for _, c := range change {
		c(&o)
	}
	return o
}

// ofPatient changes whose result it is; sent is how the message named them.
func ofPatient(authority, id, sent string) func(*poct.Outcome) {
	return func(o *poct.Outcome) {
		o.Result.Patient = poct.Patient{Authority: authority, ID: id}
		o.Result.Reading.Patient = poct.PatientRef{ID: sent}
	}
}

func byOperator(id string) func(*poct.Outcome) {
	return func(o *poct.Outcome) { o.Result.Reading.Operator = id }
}

// errorCode makes an outcome a device error.
func errorCode(code string) func(*poct.Outcome) {
	return func(o *poct.Outcome) {
		o.Verdict, o.Action, o.Outlets = poct.File, "", nil
		o.Result.Reading.Kind, o.Result.Reading.DeviceError, o.Result.Reading.Measurements = poct.KindEvent, code, nil
	}
}

// message takes outcomes as the readings of one message.
func (w *World) message(outcomes ...poct.Outcome) []string {
	w.Helper()
	for i := range outcomes {
		outcomes[i].Result.Reading.Index = i
	}
	return w.Take(outcomes...)
}

func sequences(list []poct.Past) (out []string) {
	for _, p := range list {
		out = append(out, p.Reading.Sequence)
	}
	return out
}

// testStanding is what the book tells of lots, controls, laboratory results
// and a patient's findings.
func testStanding(t *testing.T, open Open) {
	w := NewWorld(t, open)
	rows := poct.RegistryRows{
		Shipments: []poct.Shipment{
			{ID: "S3", StripLot: "7K40231", Site: "saltmarsh", Arrived: "2026-02-01"},
			{ID: "S1", StripLot: "7K40231", Site: "saltmarsh", Arrived: "2026-01-05T09:30:00Z", UseBy: "2026-09-30"},
			{ID: "S2", StripLot: "7K40231", Site: "harbour", Arrived: "2026-01-07"}},
		Acceptances: []poct.Acceptance{
			{StripLot: "7K40231", Site: "saltmarsh", Decision: "accepted", By: "k.osei", ReadBackBy: "r.ito", At: at(20), ISI: poct.MustNumber("1.01"), Controls: []string{"c1", "c2"}, Pairs: 12},
			{StripLot: "7K40231", Site: "saltmarsh", Decision: "refused", By: "k.osei", ReadBackBy: "r.ito", At: at(10)},
			{StripLot: "7K40231", Site: "harbour", Decision: "refused", By: "k.osei", At: at(15)}},
		Findings: []poct.Finding{
			{Authority: "MILLRACE", Patient: "40721", Finding: "haematocrit", Value: poct.MustNumber("58"), Unit: "%", At: "2026-02-20T10:00:00Z"},
			{Authority: "MILLRACE", Patient: "40721", Finding: "haematocrit", Value: poct.MustNumber("44"), Unit: "%", At: "2026-02-27T10:00:00Z"},
			{Authority: "HARBOUR", Patient: "40721", Finding: "heparin", At: "2026-02-27T10:00:00Z"},
			{Authority: "MILLRACE", Patient: "407210", Finding: "heparin", At: "2026-02-27T10:00:00Z"}},
	}
	findings, err := w.Book().Findings("MILLRACE", "40721")
	require.NoError(t, err)
	assert.Empty(t, findings)
	added, _, err := w.Upsert(w.Ctx, "k.osei", rows)
	require.NoError(t, err)
	assert.Equal(t, 10, added)
	again, changed, err := w.Upsert(w.Ctx, "k.osei", rows)
	require.NoError(t, err)
	assert.Equal(t, []int{0, 0}, []int{again, changed})

	b := w.Book()
	shipments, err := b.Shipments("7K40231", "saltmarsh")
	require.NoError(t, err)
	assert.Equal(t, []poct.Shipment{rows.Shipments[1], rows.Shipments[0]}, shipments)
	acceptances, err := b.Acceptances("7K40231", "saltmarsh")
	require.NoError(t, err)
	assert.Equal(t, []poct.Acceptance{rows.Acceptances[1], rows.Acceptances[0]}, acceptances)
	acceptances, err = b.Acceptances("7K40999", "saltmarsh")
	require.NoError(t, err)
	assert.Empty(t, acceptances)
	findings, err = b.Findings("MILLRACE", "40721")
	require.NoError(t, err)
	assert.Equal(t, rows.Findings[:2], findings)
	listed, next, err := w.Registry(w.Ctx, poct.FindingRows, "", 0)
	require.NoError(t, err)
	assert.Empty(t, next)
	assert.ElementsMatch(t, rows.Findings, listed.Findings)
	listed, _, err = w.Registry(w.Ctx, poct.Shipments, "", 0)
	require.NoError(t, err)
	assert.ElementsMatch(t, rows.Shipments, listed.Shipments)
	listed, _, err = w.Registry(w.Ctx, poct.Acceptances, "", 0)
	require.NoError(t, err)
	assert.ElementsMatch(t, rows.Acceptances, listed.Acceptances)

	for _, o := range []poct.Outcome{
		control(30, "1", true), control(10, "1", true), control(20, "1", false), control(25, "2", true), control(40, "1", true),
		control(15, "2", true, onMeter("Q2")), control(16, "2", true, onLot("7K40999")),
		control(17, "2", true, withStatus(poct.StatusPreliminary)), control(18, "2", true, heldFor("lot-unknown")),
		control(19, "1", true, func(o *poct.Outcome) { o.Result.Reading.ControlLot = "C-405" }),
	} {
		w.Take(o)
	}
	runs, err := w.Book().ControlRuns("Q1", "7K40231", at(30), 2)
	require.NoError(t, err)
	assert.Equal(t, []string{"c191 true", "c201 false", "c252 true", "c301 true"}, pasts(runs), "of each lot and level the newest two")
	runs, err = w.Book().ControlRuns("Q1", "7K40231", time.Time{}, 1)
	require.NoError(t, err)
	assert.Equal(t, []string{"c191 true", "c252 true", "c401 true"}, pasts(runs))

	w.Take(lab(5))
	w.Take(lab(50))
	w.Take(lab(60, ofPatient("HARBOUR", "40721", "40721")))
	w.Take(lab(55, heldFor("patient-unknown")))
	w.Take(test(45))
	labs, err := w.Book().LabResults(poct.PatientRef{Authority: "MILLRACE", ID: "40721"}, at(0), at(60))
	require.NoError(t, err)
	assert.Equal(t, []string{"l50", "l5"}, sequences(labs))
	results, err := w.Book().PatientResults(poct.PatientRef{Authority: "MILLRACE", ID: "40721"}, at(0), time.Time{}, 0)
	require.NoError(t, err)
	assert.Equal(t, []string{"t45"}, sequences(results), "a laboratory's results are none of a meter's")

	w.message(test(46, onLot("6A1")), test(47, onLot("6A1")), test(48, onLot("")))
	w.message(test(49, onLot("5B2"), atSite("harbour")), control(50, "1", true, onLot("5B3")))
	w.Take(test(51, heldFor("lot-expired")))
	for n, want := range map[int][]string{0: nil, 1: {"7K40231"}, 3: {"7K40231", "6A1"}, 100: {"7K40231", "6A1"}} {
		lots, err := w.Book().SiteLots("saltmarsh", n)
		require.NoError(t, err)
		assert.Equal(t, want, lots, "of %d", n)
	}
	// A control that is corrected to another lot leaves the chain.
	moved := w.Take(control(60, "1", true, onLot("9Z1")))[0]
	w.Take(Of(moved, control(60, "1", true, onLot("9Z2"))))
	for lot, want := range map[string]int{"9Z1": 0, "9Z2": 1} {
		runs, err := w.Book().ControlRuns("Q1", lot, time.Time{}, 9)
		require.NoError(t, err)
		assert.Len(t, runs, want, lot)
	}
	w.Verifies()
}

func testContacts(t *testing.T, open Open) {
	w := NewWorld(t, open)
	sent := func(minute int, off time.Duration, precision string) poct.Outcome {
		o := test(minute)
		o.Result.Reading.SentAt = poct.Stamp{At: w.Clock.Now().Add(off), Precision: precision}
		return o
	}
	latest := func() poct.Contact {
		c, ok, err := w.Book().Contact("Q1")
		require.NoError(t, err)
		require.True(t, ok)
		return c
	}
	offsets := func(n int) (out []time.Duration) {
		list, err := w.ContactHistory(w.Ctx, "Q1", n)
		require.NoError(t, err)
		for _, c := range list {
			assert.Equal(t, c.Device.Sub(c.At), c.Offset)
			out = append(out, c.Offset)
		}
		return out
	}
	_, ok, err := w.Book().Contact("Q1")
	require.NoError(t, err)
	assert.False(t, ok)
	w.Take(test(0))
	w.Take(sent(1, 0, "day"))
	_, ok, err = w.Book().Contact("Q1")
	require.NoError(t, err)
	assert.False(t, ok, "a day tells nothing of a clock")

	w.Take(sent(2, 90*time.Second, "second"))
	assert.Equal(t, poct.Contact{Meter: "Q1", Inlet: "millrace", At: w.Clock.Now(), Device: w.Clock.Now().Add(90 * time.Second), Offset: 90 * time.Second}, latest())
	w.Clock.Move(time.Minute)
	w.Take(sent(3, 120*time.Second, "second"))
	assert.Equal(t, 120*time.Second, latest().Offset)
	assert.Equal(t, []time.Duration{90 * time.Second}, offsets(10), "30 s are no change")
	w.Clock.Move(time.Minute)
	w.Take(sent(4, 121*time.Second, "fraction"))
	assert.Equal(t, []time.Duration{121 * time.Second, 90 * time.Second}, offsets(10), "31 s from the last row are one")
	w.Clock.Move(59 * time.Minute)
	w.Take(sent(5, 121*time.Second, "second"))
	assert.Len(t, offsets(10), 2)
	w.Clock.Move(time.Minute)
	w.Take(sent(6, 121*time.Second, "second"))
	assert.Len(t, offsets(10), 3, "and one each hour")

	// A conversation without a reading; one that came earlier is left out.
	w.Clock.Move(time.Minute)
	heard := w.Clock.Now()
	require.NoError(t, w.Contact(w.Ctx, poct.Contact{Meter: "Q1", Inlet: "talk", At: heard, Device: heard.Add(-time.Hour)}))
	require.NoError(t, w.Contact(w.Ctx, poct.Contact{Meter: "Q1", Inlet: "talk", At: heard.Add(-time.Second), Device: heard}))
	require.NoError(t, w.Contact(w.Ctx, poct.Contact{Meter: "Q0", Inlet: "talk"}))
	assert.Equal(t, -time.Hour, latest().Offset)
	assert.Equal(t, []time.Duration{-time.Hour, 121 * time.Second}, offsets(2))
	all, err := w.Contacts(w.Ctx)
	require.NoError(t, err)
	assert.Equal(t, []poct.Contact{{Meter: "Q0", Inlet: "talk", At: w.Clock.Now()}, latest()}, all)
	none, err := w.ContactHistory(w.Ctx, "Q0", 10)
	require.NoError(t, err)
	assert.Empty(t, none, "it told no time")

	// The judge already sees those decided in the same commit.
	w.Clock.Move(time.Hour)
	w.Send("first of two")
	w.Send("second of two")
	var seen []time.Duration
	n := 0
	_, errs, err := w.Decide(w.Ctx, w.Claim(), func(b poct.Book, _ poct.Arrival) (poct.Decision, error) {
		c, _, err := b.Contact("Q1")
		seen = append(seen, c.Offset)
		n++
		return poct.Decision{Outcomes: []poct.Outcome{sent(6+n, 5*time.Second, "second")}}, err
	})
	require.NoError(t, err)
	require.Equal(t, []error{nil, nil}, errs)
	assert.Equal(t, []time.Duration{-time.Hour, 5 * time.Second}, seen)

	// What is older than 100 days goes when a new row comes.
	w.Clock.Move(101 * 24 * time.Hour)
	w.Take(sent(9, 0, "second"))
	assert.Equal(t, []time.Duration{0}, offsets(10))

	// A clock of our own that was far ahead and set right does not make us deaf.
	w.Clock.Move(-50 * 24 * time.Hour)
	w.Take(sent(10, 3*time.Second, "second"))
	assert.Equal(t, poct.Contact{Meter: "Q1", Inlet: "millrace", At: w.Clock.Now(), Device: w.Clock.Now().Add(3 * time.Second), Offset: 3 * time.Second}, latest())
	assert.Equal(t, []time.Duration{0, 3 * time.Second}, offsets(10))
	w.Verifies()
}

func testInletsHeard(t *testing.T, open Open) {
	w := NewWorld(t, open)
	w.Send("first")
	w.Clock.Move(time.Minute)
	resent := w.Clock.Now()
	w.Send("first")
	w.Clock.Move(time.Minute)
	require.NoError(t, w.Contact(w.Ctx, poct.Contact{Meter: "Q1", Inlet: "talk"}))
	require.NoError(t, w.Notice(w.Ctx, poct.Notice{Inlet: "noise", What: "bytes outside a frame"}))
	inlets, err := w.InletsHeard(w.Ctx)
	require.NoError(t, err)
	assert.Equal(t, map[string]time.Time{"millrace": resent, "talk": w.Clock.Now()}, inlets)
	w.Adds(poct.Account{Arrivals: 1, Resends: 1, Ends: poct.Ends{Waiting: 1}, Readings: poct.Ends{Waiting: 1}})
}

func testNotifications(t *testing.T, open Open) {
	w := NewWorld(t, open)
	told := func(channel string, most int) (out []string) {
		list, err := w.Notifications(w.Ctx, channel, most)
		require.NoError(t, err)
		for _, n := range list {
			out = append(out, fmt.Sprint(n.Kind, " ", n.Site, " ", n.Code, " ", n.Step))
			require.NoError(t, w.Notified(w.Ctx, channel, n.ID))
		}
		return out
	}
	before := poct.Notification{Kind: poct.NotifyOutlet, Code: "record"}
	require.NoError(t, w.Notify(w.Ctx, before))
	<-w.Notifying()
	assert.Empty(t, told("ward", 10), "a new channel begins at the end")

	require.NoError(t, w.Notify(w.Ctx, before)) // said before
	select {
	case <-w.Notifying():
		t.Error("woken for nothing new")
	default:
	}
	reminder := before
	reminder.Step = 1
	require.NoError(t, w.Notify(w.Ctx, before, reminder, poct.Notification{Kind: poct.NotifyInlet, Site: "saltmarsh", Code: "millrace"}))
	<-w.Notifying()
	list, err := w.Notifications(w.Ctx, "ward", 1)
	require.NoError(t, err)
	require.Len(t, list, 1)
	assert.Equal(t, poct.Notification{ID: list[0].ID, Kind: poct.NotifyOutlet, Code: "record", Step: 1, At: w.Clock.Now()}, list[0])
	assert.Equal(t, []string{"outlet-down  record 1"}, told("ward", 1), "asked again before it was told: the same")
	assert.Equal(t, []string{"silent-inlet saltmarsh millrace 0"}, told("ward", 10))
	require.NoError(t, w.Notified(w.Ctx, "ward", list[0].ID))
	assert.Empty(t, told("ward", 10), "a cursor never goes back")
	assert.ErrorIs(t, w.Notified(w.Ctx, "ward", "nothing"), poct.ErrNotFound)

	// A critical result notifies when its call opens: once, and once more when
	// a new value opens it anew.
	assert.Empty(t, told("desk", 10))
	posted := test(20)
	posted.Critical = true
	id := w.Take(posted)[0]
	posted.Verdict, posted.Owner = poct.Duplicate, id
	w.Take(posted)
	same := Of(id, As(poct.Correct, test(20)))
	same.Critical = true
	w.Take(same)
	other := test(21, heldFor("lot-unknown"), atSite("harbour"))
	other.Critical = true
	hold := w.Open(w.Take(other)[0])
	list, err = w.Notifications(w.Ctx, "desk", 10)
	require.NoError(t, err)
	require.Len(t, list, 2)
	assert.Equal(t, hold.ID, list[1].Hold)
	assert.Equal(t, []string{"critical saltmarsh critical 0", "critical harbour critical 0"}, told("desk", 10))
	w.Clock.Move(time.Minute)
	higher := Of(id, As(poct.Correct, test(20)))
	higher.Critical = true
	higher.Result.Reading.Measurements = []poct.Measurement{{Analyte: "inr", Value: poct.MustNumber("6.6"), RawValue: "6.6"}}
	w.Take(higher)
	assert.Equal(t, []string{"critical saltmarsh critical 0"}, told("desk", 10))
	open1, err := w.Criticals(w.Ctx, true)
	require.NoError(t, err)
	for range 2 {
		require.NoError(t, w.Notify(w.Ctx, open1[0].Notification(poct.NotifyCritical, 0), open1[0].Notification(poct.NotifyCritical, 1)))
	}
	assert.Len(t, told("desk", 10), 1, "the first was said by the store, the reminder once")
	w.Verifies()
}
