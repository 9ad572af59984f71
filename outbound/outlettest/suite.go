package outlettest

import (
	"context"
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidegate/poct"
)

// Runner is an outlet's worker under test.
type Runner interface {
	Run(ctx context.Context) error
}

// Break says how the destination answers the next write.
type Break string

// Ways to break.
const (
	LoseAnswer  Break = "carried out, answer lost"
	LoseRequest Break = "lost before it was carried out"
	Refuse      Break = "this record is refused"
	Down        Break = "away until it is mended"
)

// Harness is one kind of outlet with its far end, made anew for each test and
// inside a bubble of testing/synctest.
type Harness interface {
	// Worker makes a worker on a store, for results of Result.
	Worker(store *Store, owner string) Runner
	// Result is a result that the far end takes, told apart by n.
	Result(n, version int) poct.Result
	// Outlet is the id that deliveries are queued for.
	Outlet() string
	// Break spoils the next write, or with Down all requests until Mend.
	Break(how Break)
	Mend()
	// Holds lists the versions of a result that the far end holds and that
	// still stand: one at most, if all is well.
	Holds(n int) []int
}

// Run holds a kind of outlet to what every outlet promises. In a bubble, made
// by the caller's inBubble, time costs nothing.
func Run(t *testing.T, inBubble func(*testing.T, func(*testing.T)), harness func(*testing.T) Harness) {
	tests := []struct {
		name string
		run  func(*testing.T, *run)
	}{
		{"a result arrives once", func(t *testing.T, r *run) {
			r.add(1, 1, poct.Create)
			r.until(t)
			require.Equal(t, []int{1}, r.h.Holds(1))
		}},
		{"versions arrive in order", func(t *testing.T, r *run) {
			r.add(1, 1, poct.Create)
			r.add(1, 2, poct.Correct)
			r.add(1, 3, poct.Correct)
			r.until(t)
			require.Equal(t, []int{3}, r.h.Holds(1))
		}},
		{"a withdrawn result no longer stands", func(t *testing.T, r *run) {
			r.add(1, 1, poct.Create)
			r.add(1, 2, poct.Withdraw)
			r.until(t)
			require.Empty(t, r.h.Holds(1))
		}},
		{"a lost answer makes no second one", func(t *testing.T, r *run) {
			r.add(0, 1, poct.Create)
			r.until(t)
			r.h.Break(LoseAnswer)
			r.add(1, 1, poct.Create)
			r.until(t)
			require.Equal(t, []int{1}, r.h.Holds(1))
		}},
		{"a lost request is sent again", func(t *testing.T, r *run) {
			r.add(0, 1, poct.Create)
			r.until(t)
			r.h.Break(LoseRequest)
			r.add(1, 1, poct.Create)
			r.until(t)
			require.Equal(t, []int{1}, r.h.Holds(1))
		}},
		{"bytes sent again are the bytes committed", func(t *testing.T, r *run) {
			r.add(0, 1, poct.Create)
			r.until(t)
			r.h.Break(LoseRequest)
			id := r.add(1, 1, poct.Create)
			var first []byte
			r.store.Before = func(step string, d poct.Delivery) error {
				if step == "finish" && d.ID == id && first == nil {
					first = d.Body
				}
				return nil
			}
			r.until(t)
			require.NotEmpty(t, first)
			require.Equal(t, string(first), string(r.store.Row(id).Body))
		}},
		{"a refused record is held and blocks no other", func(t *testing.T, r *run) {
			r.add(0, 1, poct.Create)
			r.until(t)
			r.h.Break(Refuse)
			bad := r.add(1, 1, poct.Create)
			r.until(t)
			r.add(2, 1, poct.Create)
			r.until(t)
			require.Equal(t, poct.DeliveryHeld, r.store.Row(bad).State)
			require.NotEmpty(t, r.store.Row(bad).Hold.Remedy)
			require.Equal(t, []int{1}, r.h.Holds(2))
		}},
		{"nothing is lost while the destination is away", func(t *testing.T, r *run) {
			r.add(0, 1, poct.Create)
			r.until(t)
			r.h.Break(Down)
			for n := 1; n <= 20; n++ {
				r.add(n, 1, poct.Create)
			}
			r.work(t, time.Hour)
			require.Equal(t, 20, r.store.Open())
			r.h.Mend()
			r.until(t)
			for n := 1; n <= 20; n++ {
				require.Equal(t, []int{1}, r.h.Holds(n), "result %d", n)
			}
		}},
		{"a failed receipt is made up for", func(t *testing.T, r *run) {
			fail := true
			r.store.Before = func(step string, _ poct.Delivery) error {
				if step == "finish" && fail {
					fail = false
					return fmt.Errorf("no room")
				}
				return nil
			}
			r.add(1, 1, poct.Create)
			r.until(t)
			require.Equal(t, []int{1}, r.h.Holds(1))
		}},
		{"two workers share the work", func(t *testing.T, r *run) {
			for n := 1; n <= 20; n++ {
				r.add(n, 1, poct.Create)
			}
			other := r.h.Worker(r.store, "two")
			ctx, cancel := context.WithTimeout(t.Context(), 30*time.Minute)
			defer cancel()
			done := make(chan error, 1)
			go func() { done <- other.Run(ctx) }()
			r.until(t)
			cancel()
			require.NoError(t, <-done)
			for n := 1; n <= 20; n++ {
				require.Equal(t, []int{1}, r.h.Holds(n), "result %d", n)
			}
		}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			inBubble(t, func(t *testing.T) {
				h := harness(t)
				store := NewStore(time.Now)
				tt.run(t, &run{h: h, store: store, worker: h.Worker(store, "one")})
			})
		})
	}
}

type run struct {
	h      Harness
	store  *Store
	worker Runner
}

func (r *run) add(n, version int, action poct.Action) int64 {
	return r.store.Add(r.h.Outlet(), r.h.Result(n, version), action)
}

// until works until nothing is open.
func (r *run) until(t *testing.T) {
	t.Helper()
	r.work(t, time.Hour)
	require.Zero(t, r.store.Open(), "deliveries that never ended")
}

// work lets the worker run until nothing is open or the time is over.
func (r *run) work(t *testing.T, most time.Duration) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), most)
	defer cancel()
	done := make(chan error, 1)
	go func() { done <- r.worker.Run(ctx) }()
	for r.store.Open() > 0 && ctx.Err() == nil {
		time.Sleep(100 * time.Millisecond) // the bubble's clock
	}
	cancel()
	require.NoError(t, <-done)
}
