package storetest

import (
	"errors"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidegate/poct"
	"tidegate/store"
)

func testSettle(t *testing.T, open Open) {
	held := Held("Q1", "1", "2.5")
	t.Run("correct", func(t *testing.T) {
		w := NewWorld(t, open)
		id := w.Take(held)[0]
		h := w.Open(id)
		assert.Equal(t, "lot-unknown", h.Problems[0].Code)
		assert.Equal(t, "2.5", h.Reading.Measurements[0].RawValue)
		got, err := w.Settle(w.Ctx, h.ID, poct.Settlement{Act: poct.ActCorrect, Version: 1, Actor: "r.ito",
			Changes: map[string]string{poct.FieldStripLot: "7K40231"}, Reason: "Read from the vial."},
			func(b poct.Book, got poct.HoldRecord, a poct.Arrival) (poct.Decision, error) {
				assert.Equal(t, h, got)
				assert.Equal(t, h.Arrival, a.ID)
				owner, ok, err := b.ByKey(held.Result.Key)
				assert.True(t, ok)
				assert.Equal(t, id, owner.Result)
				return poct.Decision{Outcomes: []poct.Outcome{Of(id, Released("Q1", "1", "2.5"))}}, err
			})
		require.NoError(t, err)
		assert.False(t, got.Open)
		assert.Equal(t, 2, got.Version)
		assert.Equal(t, "r.ito", got.Settled.Actor)
		assert.Equal(t, Begin, got.Settled.At)
		assert.Equal(t, []string{"create v2 f0"}, w.Drain())
		tr, err := w.Trace(w.Ctx, id)
		require.NoError(t, err)
		require.Len(t, tr.Versions, 2)
		assert.Equal(t, []string{"tidegate", "r.ito"}, []string{tr.Versions[0].Actor, tr.Versions[1].Actor})
		assert.Equal(t, "Read from the vial.", tr.Versions[1].Reason)
		assert.Equal(t, "received read held corrected released sending delivered", w.Kinds(id))
		w.Adds(poct.Account{Arrivals: 1, Ends: ends(1, 0, 0, 0, 0, 0), Readings: ends(1, 0, 0, 0, 0, 0)})
	})
	for _, c := range []struct {
		name    string
		act     poct.Act
		outcome func(string) poct.Outcome
		kinds   string
		state   poct.State
	}{
		{"release", poct.ActRelease, func(id string) poct.Outcome { return Of(id, Released("Q1", "1", "2.5")) },
			"received read held released-by-person released", poct.Delivering},
		{"release finds another problem", poct.ActRelease, func(id string) poct.Outcome { return Of(id, held) },
			"received read held send-again held", poct.Held},
		{"still held", poct.ActCorrect, func(id string) poct.Outcome { return Of(id, held) },
			"received read held corrected held", poct.Held},
		{"judged again", poct.ActRetry, func(id string) poct.Outcome { return Of(id, Released("Q1", "1", "2.5")) },
			"received read held send-again released", poct.Delivering},
		{"found to be a control", poct.ActCorrect, func(id string) poct.Outcome { return Of(id, Control("Q1", "1", Begin)) },
			"received read held corrected filed", poct.Filed},
		{"found to be ignored", poct.ActRetry, func(id string) poct.Outcome { return Aside(poct.Ignore, id, Released("Q1", "1", "2.5")) },
			"received read held send-again ignored", poct.Ignored},
		{"discard", poct.ActDiscard, nil, "received read held discarded", poct.Discarded},
	} {
		t.Run(c.name, func(t *testing.T) {
			w := NewWorld(t, open)
			id := w.Take(held)[0]
			h := w.Open(id)
			var outcomes []poct.Outcome
			if c.outcome != nil {
				outcomes = append(outcomes, c.outcome(id))
			}
			w.Act(h, c.act, outcomes...)
			assert.Equal(t, c.kinds, w.Kinds(id))
			assert.Equal(t, c.state, w.State(id))
			if c.state == poct.Held {
				assert.NotEqual(t, h.ID, w.Open(id).ID)
			}
			w.Verifies()
			got, err := w.Account(w.Ctx)
			require.NoError(t, err)
			assert.Zero(t, got.Lost)
		})
	}
	t.Run("two desks", func(t *testing.T) {
		w := NewWorld(t, open)
		id := w.Take(held)[0]
		h := w.Open(id)
		var wg sync.WaitGroup
		errs := make([]error, 2)
		for i, act := range []poct.Act{poct.ActDiscard, poct.ActRelease} {
			wg.Go(func() {
				_, errs[i] = w.Settle(w.Ctx, h.ID, poct.Settlement{Act: act, Version: h.Version, Actor: "desk", Reason: "Compared."},
					func(poct.Book, poct.HoldRecord, poct.Arrival) (poct.Decision, error) {
						return poct.Decision{Outcomes: []poct.Outcome{Of(id, Released("Q1", "1", "2.5"))}}, nil
					})
			})
		}
		wg.Wait()
		if errs[0] == nil {
			assert.ErrorIs(t, errs[1], poct.ErrOvertaken)
		} else {
			require.NoError(t, errs[1])
			assert.ErrorIs(t, errs[0], poct.ErrOvertaken)
		}
		w.Verifies()
	})
	t.Run("a judge that fails changes nothing", func(t *testing.T) {
		w := NewWorld(t, open)
		id := w.Take(held)[0]
		h := w.Open(id)
		_, err := w.Settle(w.Ctx, h.ID, poct.Settlement{Act: poct.ActRelease, Version: 1, Actor: "r.ito"},
			func(poct.Book, poct.HoldRecord, poct.Arrival) (poct.Decision, error) {
				return poct.Decision{}, poct.ErrNotAllowed
			})
		assert.ErrorIs(t, err, poct.ErrNotAllowed)
		assert.Equal(t, h, w.Open(id))
		assert.Equal(t, "received read held", w.Kinds(id))
		w.Verifies()
	})
	t.Run("unknown hold", func(t *testing.T) {
		w := NewWorld(t, open)
		id := w.Take(held)[0]
		_, err := w.Settle(w.Ctx, id, poct.Settlement{Act: poct.ActDiscard, Version: 1}, nil)
		assert.ErrorIs(t, err, poct.ErrNotFound)
	})
	t.Run("a newer version takes the hold's place", func(t *testing.T) {
		w := NewWorld(t, open)
		id := w.Take(held)[0]
		h := w.Open(id)
		w.Take(As(poct.Correct, Of(id, Released("Q1", "1", "2.6"))))
		got, err := w.Hold(w.Ctx, h.ID)
		require.NoError(t, err)
		assert.False(t, got.Open)
		assert.Equal(t, poct.ActReplaced, got.Settled.Act)
		assert.Equal(t, poct.System, got.Settled.Actor)
		_, err = w.Settle(w.Ctx, h.ID, poct.Settlement{Act: poct.ActDiscard, Version: 1, Actor: "r.ito"}, nil)
		assert.ErrorIs(t, err, poct.ErrOvertaken)
		assert.Equal(t, []string{"create v2 f0"}, w.Drain())
		w.Adds(poct.Account{Arrivals: 2, Ends: ends(2, 0, 0, 0, 0, 0), Readings: ends(2, 0, 0, 0, 0, 0)})
	})
	t.Run("a doubtful correction, discarded", func(t *testing.T) {
		w := NewWorld(t, open)
		id := w.Take(Released("Q1", "1", "2.5"))[0]
		w.Drain()
		w.Take(Of(id, Held("Q1", "1", "9.9")))
		assert.Equal(t, poct.Held, w.State(id))
		w.Act(w.Open(id), poct.ActDiscard)
		assert.Equal(t, poct.Delivered, w.State(id), "the first version is in the record still")
		w.Adds(poct.Account{Arrivals: 2, Ends: ends(1, 0, 0, 0, 0, 1), Readings: ends(1, 0, 0, 0, 0, 1)})
	})
	t.Run("found to repeat another result", func(t *testing.T) {
		w := NewWorld(t, open)
		other := w.Take(Released("Q1", "1", "2.5"))[0]
		unread := held
		unread.Result.Key, unread.Result.Reading = "", poct.Reading{Kind: poct.KindUnread}
		id := w.Take(unread)[0]
		w.Act(w.Open(id), poct.ActRetry, Aside(poct.Duplicate, other, Released("Q1", "1", "2.5")))
		assert.Equal(t, poct.Duplicated, w.State(id))
		w.Drain()
		w.Adds(poct.Account{Arrivals: 2, Ends: ends(1, 0, 0, 1, 0, 0), Readings: ends(1, 0, 0, 1, 0, 0)})
	})
	t.Run("unread bytes hold several readings", func(t *testing.T) {
		w := NewWorld(t, open)
		unread := held
		unread.Result.Key, unread.Result.Reading = "", poct.Reading{Kind: poct.KindUnread}
		id := w.Take(unread)[0]
		second := Held("Q1", "2", "3.0")
		second.Result.Reading.Index = 1
		w.Act(w.Open(id), poct.ActRetry, Of(id, Released("Q1", "1", "2.5")), second)
		assert.Equal(t, []string{"create v2 f0"}, w.Drain())
		owner, ok, err := w.Book().ByKey(held.Result.Key)
		require.NoError(t, err)
		assert.True(t, ok, "it claims its key now")
		assert.Equal(t, id, owner.Result)
		w.Adds(poct.Account{Arrivals: 1, Ends: ends(0, 0, 1, 0, 0, 0), Readings: ends(1, 0, 1, 0, 0, 0)})
	})
	t.Run("lists", func(t *testing.T) {
		w := NewWorld(t, open)
		a := w.Open(w.Take(held)[0])
		other := Held("Q2", "1", "6.1")
		other.Result.Site, other.Cause, other.Critical, other.Problems[0].Code = "harbour", "clock|Q2", true, "clock-off"
		w.Clock.Move(time.Minute)
		b := w.Open(w.Take(other)[0])
		c := w.Open(w.Take(Held("Q1", "3", "2.0"))[0])
		w.Act(c, poct.ActDiscard)
		for _, f := range []struct {
			name   string
			filter store.HoldFilter
			want   []string
		}{
			{"all", store.HoldFilter{}, []string{a.ID, b.ID, c.ID}},
			{"open", store.HoldFilter{Open: true}, []string{a.ID, b.ID}},
			{"settled", store.HoldFilter{Settled: true}, []string{c.ID}},
			{"site", store.HoldFilter{Sites: []string{"harbour", "x"}}, []string{b.ID}},
			{"every site", store.HoldFilter{Sites: []string{"*"}, Open: true}, []string{a.ID, b.ID}},
			{"cause", store.HoldFilter{Cause: a.Cause}, []string{a.ID, c.ID}},
			{"code", store.HoldFilter{Code: "clock-off"}, []string{b.ID}},
			{"page", store.HoldFilter{Limit: 1}, []string{a.ID}},
			{"next page", store.HoldFilter{Limit: 1, After: a.ID}, []string{b.ID}},
			{"none", store.HoldFilter{Code: "clock"}, nil},
		} {
			holds, err := w.Holds(w.Ctx, f.filter)
			require.NoError(t, err, f.name)
			var ids []string
			for _, h := range holds {
				ids = append(ids, h.ID)
			}
			assert.Equal(t, f.want, ids, f.name)
		}
		counts, err := w.HoldCounts(w.Ctx)
		require.NoError(t, err)
		assert.Equal(t, []store.HoldCount{
			{Cause: "clock|Q2", Count: 1, Sites: []string{"harbour"}, Oldest: b.Opened, Critical: 1},
			{Cause: a.Cause, Count: 1, Sites: []string{"saltmarsh"}, Oldest: a.Opened},
		}, counts)
		sums, err := w.Counts(w.Ctx)
		require.NoError(t, err)
		assert.EqualValues(t, 2, sums.OpenHolds)
		assert.Equal(t, a.Opened, sums.OldestHold)
		assert.Equal(t, map[string]int64{"lot-unknown": 2, "clock-off": 1}, sums.Problems)
	})
	t.Run("critical", func(t *testing.T) {
		w := NewWorld(t, open)
		o := Held("Q1", "1", "6.1")
		o.Critical = true
		id := w.Take(o)[0]
		h := w.Open(id)
		assert.True(t, h.Critical)
		assert.False(t, h.Called)
		list, err := w.Criticals(w.Ctx, true)
		require.NoError(t, err)
		require.Len(t, list, 1)
		assert.Equal(t, poct.Critical{Result: id, Hold: h.ID, Site: "saltmarsh", Value: "6.1", Meter: "Q1", Tested: Begin.Add(-10 * time.Minute), Opened: Begin}, list[0])
		require.NoError(t, w.Call(w.Ctx, poct.CallTry{Result: id, By: "r.ito", To: "ward", Reached: true, ReadBack: "6.1", Comment: "Told the ward."}))
		assert.ErrorIs(t, w.Call(w.Ctx, poct.CallTry{Result: id, By: "k.osei", To: "ward", Reached: true, ReadBack: "6.1", Comment: "Told again."}), poct.ErrOvertaken)
		assert.True(t, w.Open(id).Called)
		list, err = w.Criticals(w.Ctx, true)
		require.NoError(t, err)
		assert.Empty(t, list)
		// The same value once more does not open the call again; another does.
		same := Of(id, o)
		w.Act(w.Open(id), poct.ActCorrect, same)
		list, _ = w.Criticals(w.Ctx, true)
		assert.Empty(t, list)
		higher := Of(id, Held("Q1", "1", "7.0"))
		higher.Critical = true
		w.Take(higher)
		list, _ = w.Criticals(w.Ctx, true)
		require.Len(t, list, 1)
		assert.Equal(t, "7.0", list[0].Value)
		assert.ErrorIs(t, w.Call(w.Ctx, poct.CallTry{Result: w.Take(Released("Q9", "1", "2.0"))[0], By: "r.ito", To: "ward"}), poct.ErrNotFound)
		w.Verifies()
	})
}

// testRefused is holds on deliveries that the record system refused.
func testRefused(t *testing.T, open Open) {
	first := Released("Q1", "1", "2.5")
	t.Run("send again", func(t *testing.T) {
		for _, unsure := range []bool{false, true} {
			w := NewWorld(t, open)
			id := w.Take(first)[0]
			h := w.Refuse(w.Sent(w.One()), unsure)
			assert.NotZero(t, h.Delivery)
			assert.Equal(t, "record-refused", h.Problems[0].Code)
			assert.Equal(t, "saltmarsh", h.Site)
			assert.Equal(t, poct.Held, w.State(id))
			assert.Empty(t, w.Deliveries())
			w.Adds(poct.Account{Arrivals: 1, Ends: ends(0, 0, 1, 0, 0, 0), Readings: ends(0, 0, 1, 0, 0, 0)})
			w.Act(h, poct.ActRetry)
			assert.Equal(t, poct.Delivering, w.State(id))
			d := w.One()
			assert.Equal(t, unsure, d.Intent, "looked up first if it may have landed")
			w.Answered(w.Sent(d), nil)
			w.Adds(poct.Account{Arrivals: 1, Ends: ends(1, 0, 0, 0, 0, 0), Readings: ends(1, 0, 0, 0, 0, 0)})
		}
	})
	t.Run("discard", func(t *testing.T) {
		w := NewWorld(t, open)
		id := w.Take(first)[0]
		w.Act(w.Refuse(w.Sent(w.One()), false), poct.ActDiscard)
		assert.Equal(t, poct.Discarded, w.State(id))
		assert.Empty(t, w.Drain())
		w.Adds(poct.Account{Arrivals: 1, Ends: ends(0, 0, 0, 0, 0, 1), Readings: ends(0, 0, 0, 0, 0, 1)})
	})
	t.Run("discard what may have landed", func(t *testing.T) {
		w := NewWorld(t, open)
		id := w.Take(first)[0]
		w.Act(w.Refuse(w.Sent(w.One()), true), poct.ActDiscard)
		assert.Equal(t, poct.Delivering, w.State(id))
		d := w.One()
		assert.Equal(t, poct.Withdraw, d.Action)
		assert.True(t, d.Unsure)
		w.Answered(w.Sent(d), nil)
		assert.Equal(t, poct.Discarded, w.State(id))
		w.Adds(poct.Account{Arrivals: 1, Ends: ends(0, 0, 0, 0, 0, 1), Readings: ends(0, 0, 0, 0, 0, 1)})
	})
	t.Run("discard with a correction behind", func(t *testing.T) {
		w := NewWorld(t, open)
		id := w.Take(first)[0]
		d := w.Sent(w.One())
		w.Take(As(poct.Correct, Of(id, Released("Q1", "1", "2.6"))))
		h := w.Refuse(d, true)
		assert.Empty(t, w.Deliveries(), "the correction waits")
		w.Act(h, poct.ActDiscard)
		next := w.One()
		assert.Equal(t, poct.Create, next.Action, "nothing is there to correct")
		assert.True(t, next.Unsure)
		assert.Equal(t, 2, next.Result.Version)
		w.Answered(w.Sent(next), nil)
		assert.Equal(t, poct.Delivered, w.State(id))
		w.Adds(poct.Account{Arrivals: 2, Ends: ends(1, 0, 0, 0, 0, 1), Readings: ends(1, 0, 0, 0, 0, 1)})
	})
	t.Run("corrected by a person", func(t *testing.T) {
		for _, unsure := range []bool{false, true} {
			w := NewWorld(t, open)
			id := w.Take(first)[0]
			w.Act(w.Refuse(w.Sent(w.One()), unsure), poct.ActCorrect, Of(id, first))
			d := w.One()
			assert.Equal(t, poct.Create, d.Action)
			assert.Equal(t, unsure, d.Unsure)
			assert.Equal(t, 2, d.Result.Version)
			w.Answered(w.Sent(d), nil)
			w.Adds(poct.Account{Arrivals: 1, Ends: ends(1, 0, 0, 0, 0, 0), Readings: ends(1, 0, 0, 0, 0, 0)})
		}
	})
	t.Run("a correction refused, then discarded", func(t *testing.T) {
		w := NewWorld(t, open)
		id := w.Take(first)[0]
		w.Drain()
		w.Take(As(poct.Correct, Of(id, Released("Q1", "1", "2.6"))))
		w.Act(w.Refuse(w.Sent(w.One()), false), poct.ActDiscard)
		assert.Equal(t, poct.Delivered, w.State(id), "the first version stands in the record")
		w.Adds(poct.Account{Arrivals: 2, Ends: ends(1, 0, 0, 0, 0, 1), Readings: ends(1, 0, 0, 0, 0, 1)})
	})
	t.Run("refused by one outlet of two", func(t *testing.T) {
		w := NewWorld(t, open)
		o := first
		o.Outlets = []string{"record", "second"}
		id := w.Take(o)[0]
		h := w.Refuse(w.Sent(w.One()), false)
		ds, err := w.ClaimDeliveries(w.Ctx, "second", "test", 10, time.Minute)
		require.NoError(t, err)
		w.Answered(w.Sent(ds[0]), nil)
		assert.Equal(t, poct.Held, w.State(id))
		w.Act(h, poct.ActDiscard)
		assert.Equal(t, poct.Delivered, w.State(id))
		w.Adds(poct.Account{Arrivals: 1, Ends: ends(1, 0, 0, 0, 0, 0), Readings: ends(1, 0, 0, 0, 0, 0)})
	})
	t.Run("refused by both outlets", func(t *testing.T) {
		w := NewWorld(t, open)
		o := first
		o.Outlets = []string{"record", "second"}
		id := w.Take(o)[0]
		a := w.Refuse(w.Sent(w.One()), false)
		ds, err := w.ClaimDeliveries(w.Ctx, "second", "test", 10, time.Minute)
		require.NoError(t, err)
		w.ok(w.Finish(w.Ctx, w.Sent(ds[0]), poct.SendOutcome{Hold: &poct.Problem{Code: "record-refused"}}))
		w.Act(a, poct.ActRetry)
		assert.Equal(t, poct.Held, w.State(id), "the other is held still")
		w.Drain()
		w.Act(w.Open(id), poct.ActRetry)
		ds, err = w.ClaimDeliveries(w.Ctx, "second", "test", 10, time.Minute)
		require.NoError(t, err)
		w.Answered(w.Sent(ds[0]), nil)
		assert.Equal(t, poct.Delivered, w.State(id))
		w.Adds(poct.Account{Arrivals: 1, Ends: ends(1, 0, 0, 0, 0, 0), Readings: ends(1, 0, 0, 0, 0, 0)})
	})
	t.Run("two desks", func(t *testing.T) {
		w := NewWorld(t, open)
		w.Take(first)
		h := w.Refuse(w.Sent(w.One()), false)
		w.Act(h, poct.ActDiscard)
		_, err := w.Settle(w.Ctx, h.ID, poct.Settlement{Act: poct.ActRetry, Version: h.Version}, nil)
		assert.True(t, errors.Is(err, poct.ErrOvertaken))
	})
}
