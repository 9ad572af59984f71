package ledger_test

import (
	"encoding/json"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidegate/ledger"
	"tidegate/poct"
)

var update = flag.Bool("update", false, "rewrite golden files")

// canary is in every place of the trace where a patient or a value may stand.
const canary = "CANARY"

// trace is a result held for a lot unknown, looked at, corrected, sent into
// an outage and delivered; invented.
func trace() poct.Trace {
	start := time.Date(2026, 3, 2, 8, 6, 31, 0, time.UTC)
	problems := []poct.Problem{
		{Check: "20", Code: "lot-unknown", Severity: poct.Hold, Text: canary},
		{Check: "21", Code: "lot-expired", Severity: poct.Hold, Because: "lot-unknown", Text: canary},
		{Check: "27", Code: "qc-missing", Severity: poct.Hold, Because: "lot-unknown", Text: canary},
	}
	checks := func(pass, found, not int) (c []poct.CheckAnswer) {
		for answer, n := range map[poct.Answer]int{poct.Pass: pass, poct.Found: found, poct.NotAsked: not} {
			for range n {
				c = append(c, poct.CheckAnswer{Answer: answer})
			}
		}
		return c
	}
	patient := poct.Result{ID: "R-1", Patient: poct.Patient{ID: canary, Family: canary}}
	t := poct.Trace{
		ID: "R-1", State: poct.Delivered,
		Versions: []poct.VersionRecord{
			{Version: 1, Result: patient, Verdict: poct.HoldIt, Problems: problems, Checks: checks(27, 3, 2)},
			{Version: 2, Result: patient, Verdict: poct.Release, Checks: checks(34, 0, 0)},
			{Version: 3, Result: poct.Result{ID: "R-1", Noted: true}, Verdict: poct.Release, Checks: checks(34, 0, 0)},
		},
		Holds: []poct.HoldRecord{{ID: "H-1", Problems: problems, Settled: &poct.Settlement{
			Act: poct.ActCorrect, Changes: map[string]string{"strip_lot": canary, "operator": canary},
			Reason: "Vial read aloud on the phone", Actor: "r.ito",
		}}},
		Receipts: []poct.Receipt{
			{Outlet: "record", Class: "unknown"},
			{Outlet: "record", Class: "transient", Status: 503},
			{Outlet: "record", Class: "delivered", Status: 201, Answer: canary, Remote: map[string]string{
				"observation/inr": "Observation/88-4127", "patient": "Patient/" + canary, "etag/observation/inr": `W/"1"`}},
		},
	}
	at, index := start, int64(48190)
	add := func(after time.Duration, kind poct.EventKind, e poct.Event, payload string) {
		at, index = at.Add(after), index+1
		e.Index, e.Time, e.Kind = index, at, kind
		if e.Actor == "" {
			e.Actor = poct.System
		}
		if payload != "" {
			e.Payload = []byte(payload)
		}
		t.Events = append(t.Events, e)
	}
	one := poct.Event{Arrival: "A-1", Result: "R-1", Version: 1}
	two := poct.Event{Arrival: "A-1", Result: "R-1", Version: 2, Outlet: "record"}
	hold := poct.Event{Arrival: "A-1", Result: "R-1", Version: 1, Hold: "H-1", Actor: "r.ito"}
	settled := hold
	settled.Version = 2
	add(0, poct.EventReceived, poct.Event{Arrival: "A-1"}, `{"bytes":255,"inlet":"millrace","peer":"CANARY","sha256":7}`)
	add(9*time.Millisecond, poct.EventResent, poct.Event{Arrival: "A-1"}, "")
	add(400*time.Millisecond, poct.EventRead, one, `{"profile":"quill-hl7","readings":1}`)
	add(6*time.Millisecond, poct.EventHeld, one, "")
	add(111*time.Minute, poct.EventLooked, hold, `{"fields":["patient","birth_date"]}`)
	add(4*time.Minute, poct.EventCorrected, settled, "")
	add(8*time.Millisecond, poct.EventReleased, two, "")
	add(time.Second, poct.EventIntent, two, `{"action":"create","bytes":2048}`)
	add(time.Second, poct.EventUnknown, two, "")
	add(20*time.Second, poct.EventRetry, two, "")
	add(26*time.Hour, poct.EventDelivered, two, "")
	person := two
	person.Actor = "k.osei"
	person.Outlet = ""
	later := poct.Event{Arrival: "A-1", Result: "R-1", Version: 2}
	add(time.Hour, poct.EventDoubted, later, `{"reason":"Control level 1 failed on meter Q3-0118.","more":{"look_back":"B-1"}}`)
	add(time.Minute, poct.EventJudged, person, `{"reason":"Vial left open","more":{"look_back":"B-1","judged":"repeat-asked"}}`)
	add(time.Minute, poct.EventJudged, person, `{"reason":"Vial left open","more":{"look_back":"B-2","judged":"stands"}}`)
	add(time.Minute, poct.EventJudged, person, `{"reason":"Vial left open","more":{"look_back":"B-3","judged":"withdraw"}}`)
	add(time.Minute, poct.EventJudged, person, "")
	add(time.Minute, poct.EventReleased, poct.Event{Arrival: "A-1", Result: "R-1", Version: 3}, `{"action":"correct"}`)
	add(time.Minute, poct.EventTakenBack, person, `{"reason":"Wrong finger"}`)
	add(time.Minute, poct.EventReleased, later, `{"action":"withdraw"}`)
	add(time.Minute, poct.EventCallTried, person, `{"reason":"Rang for two minutes","more":{"to":"CANARY","read_back":"CANARY"}}`)
	add(time.Minute, poct.EventRejudged, hold, `{"reason":"Control C-1 came in late."}`)
	return t
}

func TestTimeline(t *testing.T) {
	var b strings.Builder
	for _, s := range ledger.Timeline(trace()) {
		gap := ""
		if s.Long {
			gap = " (long)"
		}
		fmt.Fprintf(&b, "%d %-14s %-9s %s | %s\n", s.Index, s.After()+gap, s.Mark, s.Title, s.Detail)
	}
	require.NotContains(t, b.String(), canary)
	golden(t, "timeline.txt", b.String())
}

// Every kind of event has words of its own, also with nothing beside it.
func TestTimelineKnowsEveryKind(t *testing.T) {
	var tr poct.Trace
	for _, k := range []poct.EventKind{poct.EventReceived, poct.EventResent, poct.EventRead, poct.EventReleased,
		poct.EventFiled, poct.EventHeld, poct.EventDuplicate, poct.EventIgnored, poct.EventLooked, poct.EventCorrected,
		poct.EventOverridden, poct.EventDiscarded, poct.EventRetried, poct.EventCalled, poct.EventIntent, poct.EventUnknown,
		poct.EventRetry, poct.EventDelivered, poct.EventRefused, poct.EventCancelled, poct.EventWaiting, poct.EventRegistry,
		poct.EventStarted, poct.EventStopped, poct.EventInlet, poct.EventExported, poct.EventLookBack, poct.EventWidened,
		poct.EventPaused, poct.EventResumed, poct.EventProbed, "edge-joined"} {
		tr.Events = append(tr.Events, poct.Event{Kind: k, Actor: "k.osei"})
	}
	var b strings.Builder
	for i, s := range ledger.Timeline(tr) {
		fmt.Fprintf(&b, "%s: %s | %s\n", tr.Events[i].Kind, s.Title, s.Detail)
	}
	golden(t, "kinds.txt", b.String())
}

// An erased payload leaves the timeline standing on versions, holds, receipts.
func TestTimelineAfterErasure(t *testing.T) {
	tr := trace()
	for i := range tr.Events {
		tr.Events[i].Payload = nil
	}
	steps := ledger.Timeline(tr)
	require.Equal(t, "Received", steps[0].Title)
	require.Equal(t, "Held: lot unknown", steps[3].Title)
	require.Equal(t, "Operator, strip lot corrected by r.ito", steps[5].Title)
	require.Equal(t, "201 Created, Observation/88-4127", steps[10].Detail)
}

func TestReadPayload(t *testing.T) {
	full := ledger.Payload{
		SHA256: "ab", Bytes: 1, Inlet: "i", Profile: "p", Readings: 1, Rule: "r",
		Problems: []poct.Problem{{Code: "c"}}, Fields: []string{"f"}, Reason: "because", Action: poct.Create,
		Status: 201, Class: "delivered", Remote: []string{"Observation/1"}, More: json.RawMessage(`1`),
	}
	b, err := json.Marshal(full)
	require.NoError(t, err)
	require.Equal(t, full, ledger.ReadPayload(poct.Event{Payload: b}))
	for i, v := 0, reflect.ValueOf(full); i < v.NumField(); i++ {
		require.False(t, v.Field(i).IsZero(), "%s is read back", v.Type().Field(i).Name)
	}
	require.Equal(t, ledger.Payload{Inlet: "i"}, ledger.ReadPayload(poct.Event{Payload: []byte(`{"bytes":"many","inlet":"i"}`)}))
	require.Zero(t, ledger.ReadPayload(poct.Event{Payload: []byte(`no JSON`)}))
}

func golden(t *testing.T, name, got string) {
	path := filepath.Join("testdata", name)
	if *update {
		require.NoError(t, os.MkdirAll("testdata", 0o755))
		require.NoError(t, os.WriteFile(path, []byte(got), 0o644))
	}
	want, err := os.ReadFile(path)
	require.NoError(t, err)
	require.Equal(t, string(want), got)
}
