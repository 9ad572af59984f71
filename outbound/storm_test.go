package outbound

import (
	"fmt"
	"math/rand/v2"
	"os"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidegate/poct"
	"tidegate/standin"
)

// storm delivers some hundred results, with corrections, withdrawals and
// re-filings among them, by two workers to a record system that goes wrong in
// every way it knows, and to a store whose commits fail now and then. At the
// end there is one resource per released result, at its last version.
func storm(t *testing.T, seed uint64, n int, w way, lag time.Duration) {
	inBubble(t, func(t *testing.T) {
		s := w.switches
		s.IndexLag = lag
		b := newBench(t, s)
		b.cfg.FHIR.Mode, b.cfg.FHIR.OwnIDs = w.mode, w.own
		b.cfg.LookupWait = max(linger, 2*lag)
		b.worker = b.newWorker("one")
		time.Sleep(lag) // its patients are in the index
		b.known()
		rnd := rand.New(rand.NewPCG(seed, seed))
		want := map[string]string{}
		for i := range n {
			if i == 900 { // known already
				continue
			}
			inr := fmt.Sprintf("%d.%d", 2+i%3, i%10)
			b.store.Add(outletID, result(i, inr), poct.Create)
			state := "final " + inr
			switch rnd.IntN(6) {
			case 0:
				b.store.Add(outletID, result(i, "1.1", version(2)), poct.Correct)
				state = "corrected 1.1"
			case 1:
				b.store.Add(outletID, result(i, inr, version(2)), poct.Withdraw)
				state = "entered-in-error " + inr
			case 2:
				b.store.Add(outletID, result(i, inr, version(2)), poct.Withdraw)
				b.store.Add(outletID, result(i, inr, version(3), toBo), poct.Create)
				state = "refiled " + inr
			}
			want[fmt.Sprint(i)] = state
		}
		b.record.Plan(standin.Random(seed, 0.25,
			standin.Fault{Kind: standin.Drop, Apply: true}, standin.Fault{Kind: standin.Drop},
			standin.Fault{Kind: standin.Reset}, standin.Fault{Kind: standin.EmptyAnswer, Apply: true},
			standin.Fault{Kind: standin.HTMLPage}, standin.Fault{Kind: standin.ErrorOutcome},
			standin.Fault{Kind: standin.Status, Status: 500}, standin.Fault{Kind: standin.Status, Status: 502},
			standin.Fault{Kind: standin.Status, Status: 503}, standin.Fault{Kind: standin.Status, Status: 503, RetryAfter: "1"},
			standin.Fault{Kind: standin.Status, Status: 504, Apply: true}, standin.Fault{Kind: standin.Status, Status: 429, RetryAfter: "1"},
			standin.Fault{Kind: standin.Status, Status: 409}, standin.Fault{Delay: 12 * time.Second},
		))
		var mu sync.Mutex
		b.store.Before = func(step string, _ poct.Delivery) error {
			mu.Lock()
			defer mu.Unlock()
			if step != "claim" && rnd.IntN(25) == 0 {
				return errCommit
			}
			return nil
		}
		go func() { b.run(b.worker, 1000*time.Hour) }()
		b.run(b.newWorker("two"), 1000*time.Hour)
		time.Sleep(time.Minute) // the other worker comes to rest
		for id := int64(1); id <= int64(b.store.Len()); id++ {
			row := b.store.Row(id)
			require.Equal(t, poct.DeliveryDone, row.State, "%s of %s after %d attempts: %v, %+v", row.Action, row.Result.ID, row.Attempts, row.Hold, row.Receipts)
		}

		got := map[string]string{}
		withdrawn := 0
		for _, o := range b.record.All("Observation") {
			r, err := readResource(o.Body)
			require.NoError(t, err)
			if r.Value.Code != "{INR}" {
				continue
			}
			at, err := time.Parse(time.RFC3339, r.Effective)
			require.NoError(t, err)
			i := fmt.Sprint(int(at.Sub(time.Date(2026, 3, 4, 9, 0, 0, 0, time.UTC)) / time.Minute))
			if i == "900" {
				continue
			}
			state := r.Status + " " + string(r.Value.Value)
			if r.Subject.Reference == "Patient/p-2" {
				state = "refiled " + string(r.Value.Value)
			}
			if r.Status == "entered-in-error" && got[i] != "" || got[i][:min(16, len(got[i]))] == "entered-in-error" && r.Status != "entered-in-error" {
				withdrawn++
			} else {
				require.Empty(t, got[i], "two stand for result %s", i)
			}
			if r.Status != "entered-in-error" || got[i] == "" {
				got[i] = state
			}
		}
		require.Equal(t, want, got)
		a := b.record.Scan()
		require.Empty(t, a.Twins)
		require.Empty(t, a.Backwards)
		t.Logf("%d results, %d requests, %d re-filed", n, b.record.Requests(), withdrawn)
	})
}

func TestStorm(t *testing.T) {
	seeds := uint64(1)
	if os.Getenv("TIDEGATE_LONG") != "" {
		seeds = 60
		for _, w := range ways {
			t.Run("10000 results, "+w.name, func(t *testing.T) { storm(t, 1, 10_000, w, 0) })
		}
	}
	for seed := uint64(1); seed <= seeds; seed++ {
		for _, w := range ways {
			t.Run(fmt.Sprintf("seed %d, %s", seed, w.name), func(t *testing.T) { storm(t, seed, 60, w, 0) })
			if !w.ours() {
				t.Run(fmt.Sprintf("seed %d, %s, index lags", seed, w.name), func(t *testing.T) { storm(t, seed, 40, w, 3*time.Second) })
			}
		}
	}
}
