package storetest

import (
	"errors"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidegate/poct"
	"tidegate/store"
)

// testRejudge is holds that a control which came late may change.
func testRejudge(t *testing.T, open Open) {
	type judged = func(poct.Book, poct.HoldRecord, poct.Arrival, poct.Settlement) (poct.Decision, error)
	says := func(o func(poct.HoldRecord) poct.Outcome) judged {
		return func(_ poct.Book, h poct.HoldRecord, _ poct.Arrival, _ poct.Settlement) (poct.Decision, error) {
			return poct.Decision{Outcomes: []poct.Outcome{Of(h.Result, o(h))}}, nil
		}
	}
	passes := says(func(poct.HoldRecord) poct.Outcome { return test(30) })
	t.Run("which holds", func(t *testing.T) {
		for _, c := range []struct {
			name  string
			held  poct.Outcome
			comes poct.Outcome
			want  int
		}{
			{"overdue", test(30, heldFor("qc-overdue")), control(20, "1", true), 1},
			{"failed", test(30, heldFor("qc-failed")), control(20, "1", true), 1},
			{"lot not accepted", test(30, heldFor("lot-not-accepted", "qc-overdue")), control(20, "1", true), 1},
			{"drift", test(30, heldFor("qc-multirule")), control(20, "1", false), 1},
			{"waits for it", test(30, heldFor("qc-failed", "delta-large")), control(20, "1", true), 1},
			{"another lot: a failure counts for the meter", test(30, heldFor("qc-failed")), control(20, "1", true, onLot("7K40999")), 1},
			{"in the same minute", test(30, heldFor("qc-overdue")), control(30, "1", true), 1},
			{"run after the test", test(30, heldFor("qc-overdue")), control(31, "1", true), 0},
			{"another meter", test(30, heldFor("qc-overdue")), control(20, "1", true, onMeter("Q2")), 0},
			{"held for something else", test(30, heldFor("lot-unknown")), control(20, "1", true), 0},
			{"the control is held itself", test(30, heldFor("qc-overdue")), control(20, "1", true, heldFor("lot-unknown")), 0},
		} {
			w := NewWorld(t, open)
			id := w.Take(c.held)[0]
			w.Take(c.comes)
			n, err := w.Rejudge(w.Ctx, 10, passes)
			require.NoError(t, err, c.name)
			assert.Equal(t, c.want, n, c.name)
			if c.want == 0 {
				assert.Equal(t, poct.Held, w.State(id), c.name)
			} else {
				assert.Equal(t, poct.Delivering, w.State(id), c.name)
			}
			w.Verifies()
		}
	})
	t.Run("passes now", func(t *testing.T) {
		w := NewWorld(t, open)
		id := w.Take(test(30, heldFor("qc-overdue")))[0]
		h := w.Open(id)
		late := w.Take(control(20, "1", true))[0]
		n, err := w.Rejudge(w.Ctx, 10, func(b poct.Book, got poct.HoldRecord, a poct.Arrival, st poct.Settlement) (poct.Decision, error) {
			assert.Equal(t, h, got)
			assert.Equal(t, h.Arrival, a.ID)
			assert.Equal(t, poct.Settlement{Act: poct.ActRejudged, Version: 1, Actor: poct.System, At: w.Clock.Now(), Reason: "Control " + late + " came in late."}, st)
			controls, err := b.Controls("Q1", at(0), at(30))
			assert.Len(t, controls, 1)
			return poct.Decision{Outcomes: []poct.Outcome{Of(id, test(30))}}, err
		})
		require.NoError(t, err)
		assert.Equal(t, 1, n)
		assert.Equal(t, []string{"create v2 f0"}, w.Drain())
		assert.Equal(t, "received read held judged-again released sending delivered", w.Kinds(id))
		got, err := w.Hold(w.Ctx, h.ID)
		require.NoError(t, err)
		assert.Equal(t, poct.ActRejudged, got.Settled.Act)
		n, err = w.Rejudge(w.Ctx, 10, passes)
		require.NoError(t, err)
		assert.Zero(t, n)
		w.Adds(poct.Account{Arrivals: 2, Ends: ends(1, 1, 0, 0, 0, 0), Readings: ends(1, 1, 0, 0, 0, 0)})
	})
	t.Run("still held", func(t *testing.T) {
		w := NewWorld(t, open)
		id := w.Take(test(30, heldFor("qc-overdue")))[0]
		h := w.Open(id)
		w.Clock.Move(time.Hour)
		w.Take(control(20, "1", false))
		_, err := w.Rejudge(w.Ctx, 10, says(func(poct.HoldRecord) poct.Outcome { return test(30, heldFor("qc-overdue")) }))
		require.NoError(t, err)
		assert.Equal(t, h, w.Open(id), "for the same reason: it stays as it is")
		assert.Equal(t, "received read held judged-again", w.Kinds(id))
		w.Take(control(21, "1", false))
		_, err = w.Rejudge(w.Ctx, 10, says(func(poct.HoldRecord) poct.Outcome { return test(30, heldFor("qc-failed")) }))
		require.NoError(t, err)
		again := w.Open(id)
		assert.NotEqual(t, h.ID, again.ID)
		assert.Equal(t, "qc-failed", again.Problems[0].Code)
		assert.Equal(t, h.Opened, again.Opened, "it has waited as long as before")
		w.Verifies()
	})
	t.Run("a person comes first", func(t *testing.T) {
		w := NewWorld(t, open)
		id := w.Take(test(30, heldFor("qc-overdue")))[0]
		w.Take(control(20, "1", true))
		w.Act(w.Open(id), poct.ActDiscard)
		n, err := w.Rejudge(w.Ctx, 10, passes)
		require.NoError(t, err)
		assert.Zero(t, n)
		assert.Equal(t, poct.Discarded, w.State(id))
		w.Verifies()
	})
	t.Run("a person comes too late", func(t *testing.T) {
		w := NewWorld(t, open)
		id := w.Take(test(30, heldFor("qc-overdue")))[0]
		h := w.Open(id)
		w.Take(control(20, "1", true))
		_, err := w.Rejudge(w.Ctx, 10, passes)
		require.NoError(t, err)
		_, err = w.Settle(w.Ctx, h.ID, poct.Settlement{Act: poct.ActDiscard, Version: h.Version, Actor: "r.ito"}, nil)
		assert.ErrorIs(t, err, poct.ErrOvertaken)
		assert.Equal(t, poct.Delivering, w.State(id))
	})
	t.Run("a judge that fails holds up no other", func(t *testing.T) {
		w := NewWorld(t, open)
		first, second := w.Take(test(30, heldFor("qc-overdue")))[0], w.Take(test(31, heldFor("qc-overdue")))[0]
		w.Take(control(20, "1", true))
		down := errors.New("no answer")
		broken := func(b poct.Book, h poct.HoldRecord, a poct.Arrival, st poct.Settlement) (poct.Decision, error) {
			if h.Result == first {
				return poct.Decision{}, down
			}
			return poct.Decision{Outcomes: []poct.Outcome{Of(h.Result, test(31))}}, nil
		}
		n, err := w.Rejudge(w.Ctx, 10, broken)
		assert.Equal(t, 2, n)
		require.ErrorIs(t, err, down)
		assert.Equal(t, []poct.State{poct.Held, poct.Delivering}, []poct.State{w.State(first), w.State(second)})
		n, err = w.Rejudge(w.Ctx, 10, passes)
		require.NoError(t, err)
		assert.Zero(t, n, "not at once")
		w.Clock.Move(10 * time.Second)
		n, err = w.Rejudge(w.Ctx, 10, passes)
		require.NoError(t, err)
		assert.Equal(t, 1, n)
		assert.Equal(t, poct.Delivering, w.State(first))
		w.Verifies()
	})
	t.Run("a released control that was held", func(t *testing.T) {
		w := NewWorld(t, open)
		id := w.Take(test(30, heldFor("qc-overdue")))[0]
		c := w.Take(control(20, "1", true, heldFor("operator-unknown")))[0]
		w.Act(w.Open(c), poct.ActRelease, Of(c, control(20, "1", true)))
		select {
		case <-w.Arrived():
		default:
			t.Error("the judges were not woken")
		}
		_, err := w.Rejudge(w.Ctx, 10, passes)
		require.NoError(t, err)
		assert.Equal(t, poct.Delivering, w.State(id))
		w.Verifies()
	})
	t.Run("one by one", func(t *testing.T) {
		w := NewWorld(t, open)
		for i := range 5 {
			w.Take(test(30+i, heldFor("qc-overdue")))
		}
		w.Take(control(20, "1", true))
		total := 0
		for {
			n, err := w.Rejudge(w.Ctx, 2, says(func(h poct.HoldRecord) poct.Outcome {
				o := test(30)
				o.Result.Reading, o.Result.Key = h.Reading, h.Reading.Key()
				return o
			}))
			require.NoError(t, err)
			if total += n; n == 0 {
				break
			}
		}
		assert.Equal(t, 5, total)
		holds, err := w.Holds(w.Ctx, store.HoldFilter{Open: true})
		require.NoError(t, err)
		assert.Empty(t, holds)
	})
}
