package storetest

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"tidegate/poct"
	"tidegate/store"
)

// Begin is when every test's clock stands at first.
var Begin = time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)

// Clock is a clock that stands still until it is moved.
type Clock struct {
	mu sync.Mutex
	at time.Time
}

// NewClock stands at Begin.
func NewClock() *Clock { return &Clock{at: Begin} }

// Now is the time it shows.
func (c *Clock) Now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.at
}

// Move moves it on, or back.
func (c *Clock) Move(d time.Duration) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.at = c.at.Add(d)
}

// T is what the helpers need of a test; a property's T has it, too.
type T interface {
	Helper()
	Name() string
	Errorf(format string, args ...any)
	Fatalf(format string, args ...any)
	Fatal(args ...any)
}

// World is a store under test with the few acts that most tests consist of.
// Whatever fails in it fails the test.
type World struct {
	T
	Store
	Clock *Clock
	Ctx   context.Context
	n     int
}

// NewWorld opens a store for a test.
func NewWorld(t testing.TB, open Open) *World {
	t.Helper()
	c := NewClock()
	return &World{T: t, Store: open(t, c.Now), Clock: c, Ctx: context.Background()}
}

func (w *World) ok(err error) {
	w.Helper()
	if err != nil {
		w.Fatal(err)
	}
}

// Send accepts a message of these bytes and returns its arrival.
func (w *World) Send(text string) string {
	w.Helper()
	got, err := w.Accept(w.Ctx, poct.Arrival{Inlet: "millrace", Raw: []byte(text), ControlID: "MSG-" + text})
	w.ok(err)
	return got.Arrival
}

// Claim leases all that waits.
func (w *World) Claim() []poct.Claim {
	w.Helper()
	claims, err := w.ClaimArrivals(w.Ctx, "test", 1000, time.Minute)
	w.ok(err)
	return claims
}

// Judge decides all that waits with these outcomes for each arrival.
func (w *World) Judge(outcomes ...poct.Outcome) []poct.Decision {
	w.Helper()
	decisions, errs, err := w.Decide(w.Ctx, w.Claim(), func(poct.Book, poct.Arrival) (poct.Decision, error) {
		return poct.Decision{Outcomes: slices.Clone(outcomes)}, nil
	})
	w.ok(errors.Join(append(errs, err)...))
	return decisions
}

// Take accepts a new message, decides it with these outcomes, and returns the
// results' ids.
func (w *World) Take(outcomes ...poct.Outcome) []string {
	w.Helper()
	w.n++
	w.Send(fmt.Sprintf("message %d of %s", w.n, w.Name()))
	var ids []string
	for _, o := range w.Judge(outcomes...)[0].Outcomes {
		ids = append(ids, o.Result.ID)
	}
	return ids
}

// Deliveries leases all that are due at the outlet "record".
func (w *World) Deliveries() []poct.Delivery {
	w.Helper()
	ds, err := w.ClaimDeliveries(w.Ctx, "record", "test", 100, time.Minute)
	w.ok(err)
	return ds
}

// One leases the one delivery that is due.
func (w *World) One() poct.Delivery {
	w.Helper()
	ds := w.Deliveries()
	if len(ds) != 1 {
		w.Fatalf("%d deliveries are due, want 1", len(ds))
	}
	return ds[0]
}

// Sent commits the intent of a delivery.
func (w *World) Sent(d poct.Delivery) poct.Delivery {
	w.Helper()
	body := fmt.Sprintf("%s of %s v%d filing %d", d.Action, d.Result.ID, d.Result.Version, d.Result.Filing)
	w.ok(w.Intent(w.Ctx, d, []byte(body), nil))
	return d
}

// Answered finishes a delivery as accepted.
func (w *World) Answered(d poct.Delivery, remote map[string]string) {
	w.Helper()
	w.ok(w.Finish(w.Ctx, d, poct.SendOutcome{Done: true, Receipt: poct.Receipt{Status: 201, Class: "delivered", Remote: remote}}))
}

// Drain delivers whatever is due until nothing is, and returns what was done.
func (w *World) Drain() []string {
	w.Helper()
	var done []string
	for {
		ds := w.Deliveries()
		if len(ds) == 0 {
			return done
		}
		for _, d := range ds {
			w.Answered(w.Sent(d), map[string]string{"observation/inr": "Observation/" + d.Result.ID[24:]})
			done = append(done, fmt.Sprintf("%s v%d f%d", d.Action, d.Result.Version, d.Result.Filing))
		}
	}
}

// Refuse lets the record system refuse a delivery; unsure keeps it open
// whether it landed. It returns the hold.
func (w *World) Refuse(d poct.Delivery, unsure bool) poct.HoldRecord {
	w.Helper()
	w.ok(w.Finish(w.Ctx, d, poct.SendOutcome{KeepSent: unsure, Receipt: poct.Receipt{Status: 422, Class: "refused"},
		Hold: &poct.Problem{Code: "record-refused", Severity: poct.Hold, Text: "The record system refused it."}}))
	return w.Open(d.Result.ID)
}

// Open is the one open hold of a result.
func (w *World) Open(result string) poct.HoldRecord {
	w.Helper()
	holds, err := w.Holds(w.Ctx, store.HoldFilter{Open: true, Result: result})
	w.ok(err)
	if len(holds) != 1 {
		w.Fatalf("result %s has %d open holds, want 1", result, len(holds))
	}
	return holds[0]
}

// Act settles a hold with outcomes that the judge then gives.
func (w *World) Act(h poct.HoldRecord, act poct.Act, outcomes ...poct.Outcome) poct.HoldRecord {
	w.Helper()
	got, err := w.Settle(w.Ctx, h.ID, poct.Settlement{Act: act, Version: h.Version, Actor: "r.ito", Reason: "Compared with the strip vial."},
		func(poct.Book, poct.HoldRecord, poct.Arrival) (poct.Decision, error) {
			return poct.Decision{Outcomes: slices.Clone(outcomes)}, nil
		})
	w.ok(err)
	return got
}

// Asks is the kinds of the notifications since it was called first, in order.
func (w *World) Asks() (kinds []string) {
	w.Helper()
	list, err := w.Notifications(w.Ctx, "suite", 1000)
	w.ok(err)
	for _, n := range list {
		kinds = append(kinds, n.Kind)
	}
	return kinds
}

// State is where a result has got to.
func (w *World) State(result string) poct.State {
	w.Helper()
	t, err := w.Trace(w.Ctx, result)
	w.ok(err)
	return t.State
}

// Kinds are the kinds of a trace's events, in order.
func (w *World) Kinds(id string) string {
	w.Helper()
	t, err := w.Trace(w.Ctx, id)
	w.ok(err)
	var kinds []string
	for _, e := range t.Events {
		kinds = append(kinds, string(e.Kind))
	}
	return strings.Join(kinds, " ")
}

// Adds checks the account and that the store verifies.
func (w *World) Adds(want poct.Account) {
	w.Helper()
	got, err := w.Account(w.Ctx)
	w.ok(err)
	if got != want {
		w.Errorf("account\n got %+v\nwant %+v", got, want)
	}
	w.Verifies()
}

// Verifies checks that the store verifies.
func (w *World) Verifies() {
	w.Helper()
	v, err := w.Verify(w.Ctx, "", nil)
	w.ok(err)
	for _, f := range v.Faults {
		w.Errorf("verify: event %d: %s", f.Index, f.What)
	}
	if size, _ := w.Size(w.Ctx); !v.Verified || v.Size != size {
		w.Errorf("verified %v, size %d, want %d", v.Verified, v.Size, size)
	}
}

// Released is an outcome of a good result, bound for the outlet "record".
func Released(meter, sequence, inr string) poct.Outcome {
	at := Begin.Add(-10 * time.Minute)
	o := poct.Outcome{
		Verdict: poct.Release, Action: poct.Create, Outlets: []string{"record"},
		Checks: []poct.CheckAnswer{{Check: "1", Code: "unreadable", Answer: poct.Pass}},
		Result: poct.Result{
			Site: "saltmarsh", Patient: poct.Patient{Authority: "MILLRACE", ID: "40721"},
			Reading: poct.Reading{
				Kind: poct.KindPatient, Profile: "quill-hl7", Meter: meter, Sequence: sequence,
				TestedAt: poct.Stamp{Raw: at.Format("20060102150405"), At: at}, Patient: poct.PatientRef{Authority: "MILLRACE", ID: "40721"},
				Measurements: []poct.Measurement{{Analyte: "inr", Value: poct.MustNumber(inr), RawValue: inr, Unit: "{INR}"}},
			},
		},
	}
	o.Result.Key = o.Result.Reading.Key()
	return o
}

// Held is an outcome of a doubtful one.
func Held(meter, sequence, inr string) poct.Outcome {
	o := Released(meter, sequence, inr)
	o.Verdict, o.Action, o.Outlets = poct.HoldIt, "", nil
	o.Cause = "lot-unknown|7K4O231"
	o.Problems = []poct.Problem{{Check: "20", Code: "lot-unknown", Severity: poct.Hold, Field: poct.FieldStripLot, Text: "The strip lot is not registered."}}
	return o
}

// Control is an outcome of a control result within its range.
func Control(meter, sequence string, at time.Time) poct.Outcome {
	o := Released(meter, sequence, "1.1")
	o.Verdict, o.Action, o.Outlets, o.QCPassed = poct.File, "", nil, true
	o.Result.Patient = poct.Patient{}
	r := &o.Result.Reading
	r.Kind, r.Patient, r.TestedAt = poct.KindControl, poct.PatientRef{}, poct.Stamp{Raw: at.Format("20060102150405"), At: at}
	o.Result.Key = r.Key()
	return o
}

// Of makes an outcome the next version of a result.
func Of(owner string, o poct.Outcome) poct.Outcome {
	o.Owner = owner
	return o
}

// As changes what is done with a released outcome.
func As(action poct.Action, o poct.Outcome) poct.Outcome {
	o.Action = action
	return o
}

// Aside is an outcome that adds nothing to a result that exists.
func Aside(v poct.Verdict, owner string, o poct.Outcome) poct.Outcome {
	o.Verdict, o.Owner, o.Rule = v, owner, "test-rule"
	o.Action, o.Outlets = "", nil
	return o
}

// ends is a shorthand for the six ends.
func ends(delivered, filed, held, duplicate, ignored, discarded int64) poct.Ends {
	return poct.Ends{Delivered: delivered, Filed: filed, Held: held, Duplicate: duplicate, Ignored: ignored, Discarded: discarded}
}
