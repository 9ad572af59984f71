//go:build failpoints

package rules

import (
	"crypto/rand"
	"errors"
	"fmt"
	"slices"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidegate/fault"
	"tidegate/ledger"
	"tidegate/poct"
	"tidegate/store"
	"tidegate/store/storetest"
)

func world(t *testing.T) *storetest.World {
	t.Helper()
	return storetest.NewWorld(t, func(t testing.TB, now func() time.Time) storetest.Store {
		s, err := store.Open(t.TempDir(), store.Options{Now: now, Fatal: func(err error) { t.Errorf("fatal: %v", err) }})
		require.NoError(t, err)
		t.Cleanup(func() { _ = s.Close() })
		return s
	})
}

// TestRuleA4NeverByControlIDAlone: a meter that starts its numbers anew sends
// another message under a number that was used. It was taken for a resend,
// acknowledged and dropped.
func TestRuleA4NeverByControlIDAlone(t *testing.T) {
	w := world(t)
	accept := func(source, raw string) poct.Accepted {
		got, err := w.Accept(w.Ctx, poct.Arrival{Inlet: "bench", Source: source, Raw: []byte(raw), ControlID: "1"})
		require.NoError(t, err)
		return got
	}
	first := accept("bench", "one test")
	other := accept("bench", "another test")
	require.False(t, other.Resent)
	require.NotEqual(t, first.Arrival, other.Arrival)
	require.Equal(t, poct.Accepted{Arrival: first.Arrival, Resent: true}, accept("bench", "one test"))
	require.False(t, accept("another inlet", "one test").Resent, "what two sources say are two arrivals")
	w.Verifies()
}

// TestRuleA7TwoWorkers: the first worker is stopped while it decides, its lease
// runs out, a second one decides, and the first goes on.
func TestRuleA7TwoWorkers(t *testing.T) {
	w := world(t)
	w.Send("one test")
	release := poct.Decision{Outcomes: []poct.Outcome{storetest.Released("Q3-0118", "1", "2.4")}}
	judge := func(poct.Book, poct.Arrival) (poct.Decision, error) {
		return poct.Decision{Outcomes: slices.Clone(release.Outcomes)}, nil
	}
	slow := w.Claim()
	require.Len(t, slow, 1)
	w.Clock.Move(2 * time.Minute)
	quick := w.Claim()
	require.Len(t, quick, 1, "the lease ran out")
	_, errs, err := w.Decide(w.Ctx, quick, judge)
	require.NoError(t, errors.Join(append(errs, err)...))
	_, errs, err = w.Decide(w.Ctx, slow, judge)
	require.ErrorIs(t, errors.Join(append(errs, err)...), poct.ErrFenced)
	require.Len(t, w.Drain(), 1, "the result was released once")
	w.Verifies()
}

// TestRuleA7TwoDesks: two people act on one hold at the same moment. One of
// them is told that the other was first.
func TestRuleA7TwoDesks(t *testing.T) {
	w := world(t)
	hold := w.Open(w.Take(storetest.Held("Q3-0118", "1", "2.4"))[0])
	var wg sync.WaitGroup
	errs := make([]error, 2)
	for i, act := range []poct.Act{poct.ActRelease, poct.ActDiscard} {
		wg.Go(func() {
			_, errs[i] = w.Settle(w.Ctx, hold.ID, poct.Settlement{Act: act, Version: hold.Version, Actor: fmt.Sprint("desk ", i), Reason: "Compared with the vial."},
				func(poct.Book, poct.HoldRecord, poct.Arrival) (poct.Decision, error) {
					o := storetest.Released("Q3-0118", "1", "2.4")
					if act == poct.ActDiscard {
						return poct.Decision{}, nil
					}
					return poct.Decision{Outcomes: []poct.Outcome{o}}, nil
				})
		})
	}
	wg.Wait()
	require.True(t, (errs[0] == nil) != (errs[1] == nil), "exactly one act counts: %v", errs)
	require.ErrorIs(t, errors.Join(errs...), poct.ErrOvertaken)
	w.Verifies()
}

// TestRuleD1TwoSealers: two sealers on one store, each stopped at every point
// of a seal while the other goes on and arrivals come in. Two heads of one size
// are one head.
func TestRuleD1TwoSealers(t *testing.T) {
	for _, point := range []string{"seal.read", "seal.appended", "seal.anchored", "seal.signed"} {
		t.Run(point, func(t *testing.T) {
			s, err := store.Open(t.TempDir(), store.Options{AnchorFile: t.TempDir() + "/head"})
			require.NoError(t, err)
			t.Cleanup(func() { require.NoError(t, s.Close()) })
			private, public, err := ledger.NewKey("millrace.example/rules", rand.Reader)
			require.NoError(t, err)
			key, err := ledger.ParseKey(private)
			require.NoError(t, err)
			keys, err := ledger.Keys(public)
			require.NoError(t, err)
			n := 0
			more := func() {
				for range 3 {
					n++
					_, err := s.Accept(t.Context(), poct.Arrival{Inlet: "bench", Raw: fmt.Appendf(nil, "test %d", n)})
					require.NoError(t, err)
				}
			}
			var once sync.Once
			stopped, goOn := make(chan struct{}), make(chan struct{})
			fault.Set(point, func() {
				first := false
				once.Do(func() { first = true; close(stopped) })
				if first {
					<-goOn
				}
			})
			t.Cleanup(func() { fault.Set(point, nil) })
			heads := map[int64]ledger.Head{}
			var mu sync.Mutex
			seal := func() {
				text, err := s.Seal(t.Context(), key)
				if err != nil || len(text) == 0 {
					return // overtaken by the other one: it signs nothing
				}
				c, _, err := ledger.Open(text, keys...)
				mu.Lock()
				defer mu.Unlock()
				if other, ok := heads[c.Size]; err != nil || ok && other != c.Head {
					t.Errorf("size %d: %v and %v, %v", c.Size, other, c.Head, err)
				}
				heads[c.Size] = c.Head
			}
			more()
			var wg sync.WaitGroup
			wg.Go(seal)
			<-stopped
			wg.Go(seal)
			more()
			close(goOn)
			wg.Wait()
			more()
			seal()
			size, err := s.Size(t.Context())
			require.NoError(t, err)
			require.Contains(t, heads, size, "what was appended is sealed by whoever comes")
			v, err := s.Verify(t.Context(), public, nil)
			require.NoError(t, err)
			require.True(t, v.Verified, "%v", v.Faults)
		})
	}
}
