package storetest

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidegate/poct"
)

func testDeliver(t *testing.T, open Open) {
	t.Run("what is claimed", func(t *testing.T) {
		w := NewWorld(t, open)
		id := w.Take(Released("Q1", "1", "2.5"))[0]
		<-w.Due("record")
		d := w.One()
		assert.Equal(t, id, d.Result.ID)
		assert.Equal(t, poct.Create, d.Action)
		assert.Equal(t, poct.DeliveryLeased, d.State)
		assert.Equal(t, "2.5", d.Result.Reading.Measurements[0].RawValue)
		assert.Equal(t, w.Clock.Now().Add(time.Minute), d.Lease)
		assert.False(t, d.Intent)
		assert.Nil(t, d.Body)
		assert.Empty(t, w.Deliveries(), "it is leased")
		other, err := w.ClaimDeliveries(w.Ctx, "elsewhere", "test", 10, time.Minute)
		require.NoError(t, err)
		assert.Empty(t, other)
		w.Release(d)
		again := w.One()
		assert.Greater(t, again.Epoch, d.Epoch)
	})
	t.Run("no answer, then looked up", func(t *testing.T) {
		w := NewWorld(t, open)
		id := w.Take(Released("Q1", "1", "2.5"))[0]
		d := w.Sent(w.One())
		retry := w.Clock.Now().Add(30 * time.Second)
		w.ok(w.Finish(w.Ctx, d, poct.SendOutcome{RetryAt: retry, KeepSent: true, Receipt: poct.Receipt{Class: "unknown"}}))
		assert.Empty(t, w.Deliveries())
		w.Clock.Move(30 * time.Second)
		again := w.One()
		assert.True(t, again.Intent)
		assert.Equal(t, "create of "+id+" v1 filing 0", string(again.Body))
		assert.Equal(t, 1, again.Attempts)
		assert.Equal(t, d.Lease, again.SentBy)
		assert.Equal(t, Begin, again.IntentAt)
		w.Answered(again, map[string]string{"observation/inr": "Observation/12", "etag/observation/inr": `W/"1"`, "patient": "Patient/3"})
		tr, err := w.Trace(w.Ctx, "Observation/12")
		require.NoError(t, err)
		assert.Equal(t, id, tr.ID)
		require.Len(t, tr.Receipts, 2)
		assert.Equal(t, "unknown", tr.Receipts[0].Class)
		assert.Equal(t, `W/"1"`, tr.Receipts[1].Remote["etag/observation/inr"])
		_, err = w.Trace(w.Ctx, "Patient/3")
		assert.ErrorIs(t, err, poct.ErrNotFound, "one patient stands for many results")
		assert.Equal(t, "received read released sending no-answer delivered", w.Kinds(id))
		w.Adds(poct.Account{Arrivals: 1, Ends: ends(1, 0, 0, 0, 0, 0), Readings: ends(1, 0, 0, 0, 0, 0)})
	})
	t.Run("a definite no withdraws the intent", func(t *testing.T) {
		w := NewWorld(t, open)
		w.Take(Released("Q1", "1", "2.5"))
		d := w.Sent(w.One())
		w.ok(w.Finish(w.Ctx, d, poct.SendOutcome{RetryAt: w.Clock.Now(), Receipt: poct.Receipt{Status: 503, Class: "transient"}}))
		again := w.One()
		assert.False(t, again.Intent)
		assert.Equal(t, "transient 503", again.LastError)
		assert.NotEmpty(t, again.Body, "the bytes stay")
	})
	t.Run("bytes are fixed", func(t *testing.T) {
		w := NewWorld(t, open)
		w.Take(Released("Q1", "1", "2.5"))
		d := w.Sent(w.One())
		w.ok(w.Finish(w.Ctx, d, poct.SendOutcome{Reset: true}))
		again := w.One()
		assert.ErrorContains(t, w.Intent(w.Ctx, again, []byte("other bytes"), nil), "fixed already")
		w.Answered(w.Sent(again), nil)
		w.Verifies()
	})
	t.Run("every outlet", func(t *testing.T) {
		w := NewWorld(t, open)
		o := Released("Q1", "1", "2.5")
		o.Outlets = []string{"record", "second"}
		id := w.Take(o)[0]
		w.Drain()
		assert.Equal(t, poct.Delivering, w.State(id))
		ds, err := w.ClaimDeliveries(w.Ctx, "second", "test", 10, time.Minute)
		require.NoError(t, err)
		require.Len(t, ds, 1)
		w.Answered(w.Sent(ds[0]), nil)
		assert.Equal(t, poct.Delivered, w.State(id))
		w.Adds(poct.Account{Arrivals: 1, Ends: ends(1, 0, 0, 0, 0, 0), Readings: ends(1, 0, 0, 0, 0, 0)})
	})
	t.Run("other results do not wait", func(t *testing.T) {
		w := NewWorld(t, open)
		w.Take(Released("Q1", "1", "2.5"))
		first := w.Sent(w.One())
		w.ok(w.Finish(w.Ctx, first, poct.SendOutcome{RetryAt: w.Clock.Now().Add(time.Hour), Receipt: poct.Receipt{Class: "transient"}}))
		w.Take(Released("Q2", "1", "2.0"))
		assert.Equal(t, []string{"create v1 f0"}, w.Drain())
	})
	t.Run("counts", func(t *testing.T) {
		w := NewWorld(t, open)
		w.Take(Released("Q1", "1", "2.5"))
		w.Take(Released("Q2", "1", "2.5"))
		w.Answered(w.Sent(w.Deliveries()[0]), nil)
		c, err := w.Counts(w.Ctx)
		require.NoError(t, err)
		assert.Equal(t, map[string]int64{"record": 1}, c.Backlog)
		assert.Equal(t, Begin, c.OldestDue["record"])
		assert.Equal(t, map[string]time.Time{"Q1": Begin, "Q2": Begin}, c.Meters)
		assert.Equal(t, Begin, c.Inlets["millrace"])
		require.Len(t, c.Hours, 1)
		assert.EqualValues(t, 2, c.Hours[0].N)
		assert.Equal(t, Begin, c.Hours[0].Hour)
		require.Len(t, c.Delivered, 1)
		assert.EqualValues(t, 1, c.Delivered[0].N)
	})
}

// testQueue is what released versions do to the deliveries before them.
func testQueue(t *testing.T, open Open) {
	first := Released("Q1", "1", "2.5")
	correct := func(id string) poct.Outcome { return As(poct.Correct, Of(id, Released("Q1", "1", "2.6"))) }
	withdraw := func(id string) poct.Outcome { return As(poct.Withdraw, Of(id, Released("Q1", "1", "2.5"))) }
	refile := func(id string) poct.Outcome {
		o := correct(id)
		o.Refile = true
		o.Result.Patient.ID, o.Result.Reading.Patient.ID = "50111", "50111"
		return o
	}
	for _, c := range []struct {
		name   string
		before func(*World, string) // with the first version queued
		then   []func(string) poct.Outcome
		want   []string // deliveries, in order
		state  poct.State
		ends   poct.Ends
	}{
		{"correction of what was delivered", delivered, []func(string) poct.Outcome{correct},
			[]string{"correct v2 f0"}, poct.Delivered, ends(2, 0, 0, 0, 0, 0)},
		{"correction of what was never sent", untouched, []func(string) poct.Outcome{correct},
			[]string{"create v2 f0"}, poct.Delivered, ends(2, 0, 0, 0, 0, 0)},
		{"correction of what is on the wire", onTheWire, []func(string) poct.Outcome{correct},
			[]string{"create v1 f0", "correct v2 f0"}, poct.Delivered, ends(2, 0, 0, 0, 0, 0)},
		{"two corrections, the first never sent", delivered, []func(string) poct.Outcome{correct, correct},
			[]string{"correct v3 f0"}, poct.Delivered, ends(3, 0, 0, 0, 0, 0)},
		{"withdrawal of what was delivered", delivered, []func(string) poct.Outcome{withdraw},
			[]string{"withdraw v2 f0"}, poct.Delivered, ends(2, 0, 0, 0, 0, 0)},
		{"withdrawal of what was never sent", untouched, []func(string) poct.Outcome{withdraw},
			nil, poct.Filed, ends(0, 2, 0, 0, 0, 0)},
		{"withdrawal of what is on the wire", onTheWire, []func(string) poct.Outcome{withdraw},
			[]string{"create v1 f0", "withdraw v2 f0"}, poct.Delivered, ends(2, 0, 0, 0, 0, 0)},
		{"refile of what was delivered", delivered, []func(string) poct.Outcome{refile},
			[]string{"withdraw v1 f0", "create v2 f1"}, poct.Delivered, ends(2, 0, 0, 0, 0, 0)},
		{"refile of what was never sent", untouched, []func(string) poct.Outcome{refile},
			[]string{"create v2 f0"}, poct.Delivered, ends(2, 0, 0, 0, 0, 0)},
		{"refile twice", delivered, []func(string) poct.Outcome{refile, refile},
			[]string{"withdraw v1 f0", "create v3 f1"}, poct.Delivered, ends(3, 0, 0, 0, 0, 0)},
		{"withdrawn, then corrected after all", withdrawnBefore, []func(string) poct.Outcome{correct},
			[]string{"create v3 f1"}, poct.Delivered, ends(3, 0, 0, 0, 0, 0)},
		{"a second creation", delivered, []func(string) poct.Outcome{func(id string) poct.Outcome { return Of(id, first) }},
			[]string{"correct v2 f0"}, poct.Delivered, ends(2, 0, 0, 0, 0, 0)},
	} {
		t.Run(c.name, func(t *testing.T) {
			w := NewWorld(t, open)
			id := w.Take(first)[0]
			c.before(w, id)
			for _, next := range c.then {
				w.Take(next(id))
			}
			w.Clock.Move(2 * time.Minute) // past the leases
			assert.Equal(t, c.want, w.Drain())
			assert.Equal(t, c.state, w.State(id))
			w.Adds(poct.Account{Arrivals: sum(c.ends), Ends: c.ends, Readings: c.ends})
			issuedRises(w, id)
		})
	}
	t.Run("order", func(t *testing.T) {
		w := NewWorld(t, open)
		id := w.Take(first)[0]
		create := w.Sent(w.One())
		w.Take(refile(id))
		assert.Empty(t, w.Deliveries(), "the withdrawal waits for the creation")
		w.Answered(create, map[string]string{"observation/inr": "Observation/1", "etag/observation/inr": `W/"1"`})
		withdrawal := w.One()
		assert.Equal(t, poct.Withdraw, withdrawal.Action)
		assert.Equal(t, "40721", withdrawal.Result.Patient.ID, "it is about the version that is there")
		assert.Equal(t, map[string]string{"observation/inr": "Observation/1", "etag/observation/inr": `W/"1"`}, withdrawal.Remote)
		assert.Empty(t, w.Deliveries(), "the new filing waits for the withdrawal")
		w.Answered(w.Sent(withdrawal), nil)
		anew := w.One()
		assert.Equal(t, poct.Create, anew.Action)
		assert.Equal(t, "50111", anew.Result.Patient.ID)
		assert.Nil(t, anew.Remote)
		assert.True(t, anew.Result.Issued.After(withdrawal.Result.Issued))
	})
	// Worker 1 is stopped between the answer and its receipt; its lease runs
	// out; worker 2 delivers this version and the next. The receipt that comes
	// late would put an old ETag over the new one.
	t.Run("a late receipt is fenced", func(t *testing.T) {
		w := NewWorld(t, open)
		id := w.Take(first)[0]
		late := w.Sent(w.One())
		w.Take(correct(id))
		w.Clock.Move(time.Minute)
		taken := w.One()
		assert.True(t, taken.Intent, "it may have landed: looked up before it is sent")
		w.Answered(w.Sent(taken), map[string]string{"etag/observation/inr": `W/"1"`})
		next := w.One()
		assert.Equal(t, poct.Correct, next.Action)
		w.Answered(w.Sent(next), map[string]string{"etag/observation/inr": `W/"2"`})
		for _, o := range []poct.SendOutcome{{Done: true, Receipt: poct.Receipt{Remote: map[string]string{"etag/observation/inr": `W/"1"`}}},
			{RetryAt: w.Clock.Now()}, {Hold: &poct.Problem{Code: "record-refused"}}} {
			assert.ErrorIs(t, w.Finish(w.Ctx, late, o), poct.ErrFenced)
		}
		assert.ErrorIs(t, w.Intent(w.Ctx, late, []byte("late"), nil), poct.ErrFenced)
		w.Take(withdraw(id))
		assert.Equal(t, `W/"2"`, w.One().Remote["etag/observation/inr"])
		w.Verifies()
	})
	t.Run("an intent under a lease that ran out is refused", func(t *testing.T) {
		w := NewWorld(t, open)
		w.Take(first)
		d := w.One()
		w.Clock.Move(time.Minute)
		assert.ErrorIs(t, w.Intent(w.Ctx, d, []byte("bytes"), nil), poct.ErrFenced)
	})
	// The desk cancels while a worker is between claim and send: either the
	// intent was first, and a correction follows what is on the wire, or the
	// claim is worthless.
	t.Run("what is on the wire is not cancelled", func(t *testing.T) {
		w := NewWorld(t, open)
		id := w.Take(first)[0]
		w.Sent(w.One())
		w.Clock.Move(time.Hour) // nobody holds it any more, but it may have landed
		w.Take(withdraw(id))
		d := w.One()
		assert.Equal(t, poct.Create, d.Action)
		assert.True(t, d.Intent)
		w.Answered(w.Sent(d), nil)
		assert.Equal(t, poct.Withdraw, w.One().Action)
	})
	t.Run("a claim on what was cancelled sends nothing", func(t *testing.T) {
		w := NewWorld(t, open)
		id := w.Take(first)[0]
		d := w.One()
		w.Clock.Move(time.Hour)
		w.Take(withdraw(id))
		assert.ErrorIs(t, w.Intent(w.Ctx, d, []byte("bytes"), nil), poct.ErrFenced)
		assert.Empty(t, w.Drain())
	})
	t.Run("another patient is never a correction", func(t *testing.T) {
		w := NewWorld(t, open)
		id := w.Take(first)[0]
		w.Drain()
		o := correct(id)
		o.Result.Patient.ID, o.Result.Reading.Patient.ID = "50111", "50111" // and nobody says refile
		w.Take(o)
		assert.Equal(t, []string{"withdraw v1 f0", "create v2 f1"}, w.Drain())
	})
	t.Run("an outlet that is no longer bound is corrected too", func(t *testing.T) {
		w := NewWorld(t, open)
		id := w.Take(first)[0]
		w.Drain()
		o := correct(id)
		o.Outlets = []string{"second"}
		w.Take(o)
		assert.Equal(t, []string{"correct v2 f0"}, w.Drain())
		ds, err := w.ClaimDeliveries(w.Ctx, "second", "test", 10, time.Minute)
		require.NoError(t, err)
		require.Len(t, ds, 1)
		assert.Equal(t, poct.Create, ds[0].Action)
	})
}

func sum(e poct.Ends) int64 {
	return e.Delivered + e.Filed + e.Held + e.Duplicate + e.Ignored + e.Discarded
}

func untouched(*World, string) {}

func delivered(w *World, _ string) { w.Drain() }

func onTheWire(w *World, _ string) { w.Sent(w.One()) }

func withdrawnBefore(w *World, id string) {
	w.Drain()
	w.Take(As(poct.Withdraw, Of(id, Released("Q1", "1", "2.5"))))
	w.Drain()
}

func issuedRises(w *World, id string) {
	w.Helper()
	tr, err := w.Trace(w.Ctx, id)
	w.ok(err)
	for i := 1; i < len(tr.Versions); i++ {
		if !tr.Versions[i].Result.Issued.After(tr.Versions[i-1].Result.Issued) {
			w.Errorf("version %d is not issued after version %d", i+1, i)
		}
	}
}
