package storetest

import (
	"crypto/sha256"
	"errors"
	"fmt"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidegate/poct"
)

func testAccept(t *testing.T, open Open) {
	t.Run("stored as it came", func(t *testing.T) {
		w := NewWorld(t, open)
		long := strings.Repeat("OBX|1|NM|34714-6^INR||2.5|\r", 1000)
		for _, c := range []struct{ name, raw string }{
			{"short", "MSH|^~\\&|QUILL3"}, {"long", long}, {"empty", ""}, {"no text", "\x00\xff\xfe\x0b\x1c"},
		} {
			batch := []byte("BHS|" + c.raw)
			got, err := w.Accept(w.Ctx, poct.Arrival{Inlet: "in", Raw: []byte(c.raw), Batch: batch, Position: 3,
				Peer: "10.0.0.7:4022", Format: "hl7v2", Fault: "cut off", ControlID: "M1", Received: Begin.Add(time.Second)})
			require.NoError(t, err, c.name)
			a, state, err := w.Arrival(w.Ctx, got.Arrival)
			require.NoError(t, err, c.name)
			want := poct.Arrival{ID: got.Arrival, Inlet: "in", Source: "in", Digest: sha256.Sum256([]byte(c.raw)), Received: Begin.Add(time.Second),
				Peer: "10.0.0.7:4022", Format: "hl7v2", Raw: []byte(c.raw), Batch: batch, Position: 3, Fault: "cut off", ControlID: "M1"}
			assert.Equal(t, want, a, c.name)
			assert.Equal(t, poct.Waiting, state, c.name)
		}
		w.Verifies()
	})
	t.Run("the same bytes", func(t *testing.T) {
		w := NewWorld(t, open)
		first := w.Send("one")
		for range 3 {
			got, err := w.Accept(w.Ctx, poct.Arrival{Inlet: "millrace", Raw: []byte("one")})
			require.NoError(t, err)
			assert.Equal(t, poct.Accepted{Arrival: first, Resent: true}, got)
		}
		other, err := w.Accept(w.Ctx, poct.Arrival{Inlet: "drop", Raw: []byte("one")})
		require.NoError(t, err)
		assert.False(t, other.Resent, "another inlet is another source")
		assert.NotEqual(t, first, other.Arrival)
		// Other bytes under the same message number are a new arrival.
		got, err := w.Accept(w.Ctx, poct.Arrival{Inlet: "millrace", Raw: []byte("two"), ControlID: "MSG-one"})
		require.NoError(t, err)
		assert.False(t, got.Resent)
		assert.Equal(t, "received resent resent resent", w.Kinds(first))
		w.Adds(poct.Account{Arrivals: 3, Ends: poct.Ends{Waiting: 3}, Readings: poct.Ends{Waiting: 3}, Resends: 3})
	})
	t.Run("many at once", func(t *testing.T) {
		w := NewWorld(t, open)
		var wg sync.WaitGroup
		ids := make([]string, 400)
		for i := range ids {
			wg.Go(func() {
				got, err := w.Accept(w.Ctx, poct.Arrival{Inlet: "in", Raw: fmt.Appendf(nil, "message %d", i%100)})
				assert.NoError(t, err)
				ids[i] = got.Arrival
			})
		}
		wg.Wait()
		seen := map[string]bool{}
		for i, id := range ids {
			assert.Equal(t, ids[i%100], id)
			seen[id] = true
		}
		assert.Len(t, seen, 100)
		w.Adds(poct.Account{Arrivals: 100, Ends: poct.Ends{Waiting: 100}, Readings: poct.Ends{Waiting: 100}, Resends: 300})
	})
	t.Run("notice", func(t *testing.T) {
		w := NewWorld(t, open)
		require.NoError(t, w.Notice(w.Ctx, poct.Notice{Inlet: "in", Peer: "p", What: "frame cut off", Bytes: make([]byte, 100<<10)}))
		events, err := w.Events(w.Ctx, 0, 10)
		require.NoError(t, err)
		require.Len(t, events, 1)
		assert.Equal(t, poct.EventInlet, events[0].Kind)
		w.Adds(poct.Account{})
	})
	t.Run("unknown", func(t *testing.T) {
		w := NewWorld(t, open)
		other := []byte(w.Send("one"))
		other[35] = "10"[min(int(other[35]-'0'), 1)] // an id that differs in its last digit alone
		for _, id := range []string{"", "x", "019c0000-0000-7000-8000-000000000000", string(other)} {
			_, _, err := w.Arrival(w.Ctx, id)
			assert.ErrorIs(t, err, poct.ErrNotFound, id)
		}
	})
}

func testClaim(t *testing.T, open Open) {
	t.Run("order and leases", func(t *testing.T) {
		w := NewWorld(t, open)
		var sent []string
		for i := range 5 {
			sent = append(sent, w.Send(fmt.Sprint(i)))
		}
		claim := func(most int) (ids []string) {
			claims, err := w.ClaimArrivals(w.Ctx, "one", most, time.Minute)
			require.NoError(t, err)
			for _, c := range claims {
				ids = append(ids, c.Arrival.ID)
			}
			return ids
		}
		assert.Equal(t, sent[:2], claim(2))
		assert.Equal(t, sent[2:4], claim(2))
		w.Clock.Move(time.Minute)
		assert.Equal(t, sent, claim(10), "expired leases go back, in front")
		assert.Empty(t, claim(10))
	})
	t.Run("what a judge is handed", func(t *testing.T) {
		w := NewWorld(t, open)
		for i, format := range []string{"hl7v2", "poct1a"} {
			_, err := w.Accept(w.Ctx, poct.Arrival{Inlet: "ward", Source: "ward", Format: format, Raw: []byte{byte('a' + i)},
				Digest: sha256.Sum256([]byte(format)), Batch: []byte("what it came with")})
			require.NoError(t, err)
		}
		claims := w.Claim()
		require.Len(t, claims, 2)
		assert.Empty(t, claims[0].Arrival.Batch, "a batch may be long, and its messages say all")
		assert.Equal(t, "what it came with", string(claims[1].Arrival.Batch), "a POCT1-A document does not name its meter: the hello does")
	})
	// A worker that was stopped while it decided: another one took the arrival
	// over and decided it. Only one decision stands.
	t.Run("a late worker is fenced", func(t *testing.T) {
		w := NewWorld(t, open)
		w.Send("one")
		late := w.Claim()
		w.Clock.Move(time.Minute)
		w.Judge(Released("Q1", "1", "2.5"))
		_, errs, err := w.Decide(w.Ctx, late, func(poct.Book, poct.Arrival) (poct.Decision, error) {
			t.Error("it is not even judged")
			return poct.Decision{}, nil
		})
		require.NoError(t, err)
		assert.ErrorIs(t, errs[0], poct.ErrFenced)
		w.Adds(poct.Account{Arrivals: 1, Ends: poct.Ends{Delivering: 1}, Readings: poct.Ends{Delivering: 1}})
	})
	// Two workers in the same moment: while one decides, the other gets
	// nothing, even when the lease runs out meanwhile.
	t.Run("no take-over in the middle of a decision", func(t *testing.T) {
		w := NewWorld(t, open)
		w.Send("one")
		claims := w.Claim()
		_, errs, err := w.Decide(w.Ctx, claims, func(poct.Book, poct.Arrival) (poct.Decision, error) {
			w.Clock.Move(time.Hour)
			other, err := w.ClaimArrivals(w.Ctx, "two", 10, time.Minute)
			assert.NoError(t, err)
			assert.Empty(t, other)
			return poct.Decision{Outcomes: []poct.Outcome{Released("Q1", "1", "2.5")}}, nil
		})
		require.NoError(t, errors.Join(append(errs, err)...))
	})
	t.Run("a signal", func(t *testing.T) {
		w := NewWorld(t, open)
		w.Send("one")
		<-w.Arrived()
	})
	t.Run("a failing judge", func(t *testing.T) {
		w := NewWorld(t, open)
		a, b, c := w.Send("a"), w.Send("b"), w.Send("c")
		broken := errors.New("the book cannot be read")
		decisions, errs, err := w.Decide(w.Ctx, w.Claim(), func(_ poct.Book, a poct.Arrival) (poct.Decision, error) {
			switch string(a.Raw) {
			case "a":
				return poct.Decision{}, broken
			case "b":
				panic("a rule went wrong")
			}
			return poct.Decision{Outcomes: []poct.Outcome{Released("Q1", "3", "2.5")}}, nil
		})
		require.NoError(t, err)
		assert.ErrorIs(t, errs[0], broken)
		assert.ErrorContains(t, errs[1], "a rule went wrong")
		assert.NoError(t, errs[2])
		assert.Equal(t, c, decisions[2].Arrival)
		assert.Empty(t, w.Claim(), "they rest for a moment")
		w.Clock.Move(2 * time.Second)
		claims := w.Claim()
		require.Len(t, claims, 2)
		assert.Equal(t, []string{a, b}, []string{claims[0].Arrival.ID, claims[1].Arrival.ID})
		w.Adds(poct.Account{Arrivals: 3, Ends: poct.Ends{Waiting: 2, Delivering: 1}, Readings: poct.Ends{Waiting: 2, Delivering: 1}})
	})
	t.Run("waiting for a look-up", func(t *testing.T) {
		w := NewWorld(t, open)
		id := w.Send("a")
		wait := func(poct.Book, poct.Arrival) (poct.Decision, error) {
			return poct.Decision{Wait: w.Clock.Now().Add(time.Minute)}, nil
		}
		for range 3 {
			claims := w.Claim()
			require.Len(t, claims, 1)
			_, errs, err := w.Decide(w.Ctx, claims, wait)
			require.NoError(t, errors.Join(append(errs, err)...))
			assert.Empty(t, w.Claim())
			w.Clock.Move(time.Minute)
		}
		assert.Equal(t, "received waiting-for-look-up", w.Kinds(id), "said once")
		w.Judge(Released("Q1", "1", "2.5"))
		w.Adds(poct.Account{Arrivals: 1, Ends: poct.Ends{Delivering: 1}, Readings: poct.Ends{Delivering: 1}})
	})
}

func testDecide(t *testing.T, open Open) {
	t.Run("every verdict", func(t *testing.T) {
		w := NewWorld(t, open)
		delivered := w.Take(Released("Q1", "1", "2.5"))[0]
		held := w.Take(Held("Q1", "2", "3.1"))[0]
		filed := w.Take(Control("Q1", "3", Begin))[0]
		w.Take(Aside(poct.Duplicate, delivered, Released("Q1", "1", "2.5")))
		ignored := w.Take(Aside(poct.Ignore, "", Released("Q1", "5", "2.0")))[0]
		assert.Equal(t, []string{"create v1 f0"}, w.Drain())
		for id, want := range map[string]poct.State{delivered: poct.Delivered, held: poct.Held, filed: poct.Filed, ignored: poct.Ignored} {
			assert.Equal(t, want, w.State(id))
		}
		assert.Equal(t, "received read released received read duplicate sending delivered", w.Kinds(delivered))
		w.Adds(poct.Account{Arrivals: 5, Ends: ends(1, 1, 1, 1, 1, 0), Readings: ends(1, 1, 1, 1, 1, 0)})
	})
	t.Run("what is ignored claims no key", func(t *testing.T) {
		w := NewWorld(t, open)
		w.Take(Aside(poct.Ignore, "", Released("Q1", "5", "2.0")))
		_, found, err := w.Book().ByKey(Released("Q1", "5", "2.0").Result.Key)
		require.NoError(t, err)
		assert.False(t, found)
	})
	t.Run("readings of one arrival", func(t *testing.T) {
		w := NewWorld(t, open)
		a, b, c := Released("Q1", "1", "2.5"), Held("Q1", "2", "3.1"), Control("Q1", "3", Begin)
		b.Result.Reading.Index, c.Result.Reading.Index = 1, 2
		ids := w.Take(a, b, c)
		want := poct.Account{Arrivals: 1, Ends: ends(0, 0, 1, 0, 0, 0), Readings: ends(0, 1, 1, 0, 0, 0)}
		want.Readings.Delivering = 1
		w.Adds(want)
		w.Drain()
		w.Act(w.Open(ids[1]), poct.ActDiscard)
		w.Adds(poct.Account{Arrivals: 1, Ends: ends(1, 0, 0, 0, 0, 0), Readings: ends(1, 1, 0, 0, 0, 1)})
	})
	t.Run("the book holds what was decided before in the batch", func(t *testing.T) {
		w := NewWorld(t, open)
		w.Send("first")
		w.Send("second")
		var found []bool
		_, errs, err := w.Decide(w.Ctx, w.Claim(), func(b poct.Book, a poct.Arrival) (poct.Decision, error) {
			o := Released("Q1", "1", "2.5")
			owner, ok, err := b.ByKey(o.Result.Key)
			found = append(found, ok)
			if ok {
				o = Aside(poct.Duplicate, owner.Result, o)
			}
			return poct.Decision{Outcomes: []poct.Outcome{o}}, err
		})
		require.NoError(t, errors.Join(append(errs, err)...))
		assert.Equal(t, []bool{false, true}, found)
	})
	t.Run("a key has one owner", func(t *testing.T) {
		w := NewWorld(t, open)
		w.Take(Released("Q1", "1", "2.5"))
		w.Send("again, and the judge does not notice")
		_, errs, err := w.Decide(w.Ctx, w.Claim(), func(poct.Book, poct.Arrival) (poct.Decision, error) {
			return poct.Decision{Outcomes: []poct.Outcome{Released("Q1", "1", "2.5")}}, nil
		})
		require.NoError(t, err)
		assert.Error(t, errs[0])
		w.Adds(poct.Account{Arrivals: 2, Ends: poct.Ends{Waiting: 1, Delivering: 1}, Readings: poct.Ends{Waiting: 1, Delivering: 1}})
	})
	t.Run("a conflict keeps its own id and no key", func(t *testing.T) {
		w := NewWorld(t, open)
		owner := w.Take(Released("Q1", "1", "2.5"))[0]
		conflict := Held("Q1", "1", "4.0")
		conflict.Result.Key = ""
		other := w.Take(conflict)[0]
		assert.NotEqual(t, owner, other)
		got, found, err := w.Book().ByKey(Released("Q1", "1", "2.5").Result.Key)
		require.NoError(t, err)
		assert.True(t, found)
		assert.Equal(t, owner, got.Result)
	})
	t.Run("no key, no release", func(t *testing.T) {
		w := NewWorld(t, open)
		w.Send("one")
		o := Released("Q1", "1", "2.5")
		o.Result.Key = ""
		_, errs, err := w.Decide(w.Ctx, w.Claim(), func(poct.Book, poct.Arrival) (poct.Decision, error) {
			return poct.Decision{Outcomes: []poct.Outcome{o}}, nil
		})
		require.NoError(t, err)
		assert.ErrorContains(t, errs[0], "no test key")
	})
	t.Run("issued rises", func(t *testing.T) {
		w := NewWorld(t, open)
		id := w.Take(Released("Q1", "1", "2.5"))[0]
		w.Clock.Move(-time.Hour) // the clock steps back
		w.Take(As(poct.Correct, Of(id, Released("Q1", "1", "2.6"))))
		w.Take(As(poct.Correct, Of(id, Released("Q1", "1", "2.7"))))
		tr, err := w.Trace(w.Ctx, id)
		require.NoError(t, err)
		require.Len(t, tr.Versions, 3)
		for i := range tr.Versions[1:] {
			before, after := tr.Versions[i].Result.Issued, tr.Versions[i+1].Result.Issued
			assert.GreaterOrEqual(t, after.Sub(before), time.Millisecond)
		}
	})
}
