//go:build failpoints

package powercut

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"errors"
	"fmt"
	"sync"
	"time"

	"tidegate/ledger"
	"tidegate/poct"
	"tidegate/store"
	"tidegate/store/storetest"
)

// told is what the store has said yes to so far, by step. Only what it said
// yes to must be found after a cut.
type told struct {
	mu       sync.Mutex
	arrivals map[string][32]byte // id: digest of the bytes
	decided  map[string]bool     // arrival
	intended map[int64][32]byte  // delivery: digest of the body
	finished map[int64]bool      // delivery
	heads    []ledger.Head       // signed and handed out
}

func newTold() *told {
	return &told{arrivals: map[string][32]byte{}, decided: map[string]bool{}, intended: map[int64][32]byte{}, finished: map[int64]bool{}}
}

func (t *told) note(what func()) {
	t.mu.Lock()
	defer t.mu.Unlock()
	what()
}

// clone is what was said until now.
func (t *told) clone() *told {
	t.mu.Lock()
	defer t.mu.Unlock()
	c := newTold()
	for k, v := range t.arrivals {
		c.arrivals[k] = v
	}
	for k, v := range t.decided {
		c.decided[k] = v
	}
	for k, v := range t.intended {
		c.intended[k] = v
	}
	for k, v := range t.finished {
		c.finished[k] = v
	}
	c.heads = append(c.heads, t.heads...)
	return c
}

// shift is a store at work on a disk, with all that happens to a result: it is
// accepted, decided, intended, delivered, and its events are sealed.
type shift struct {
	*told
	store *store.Store
	key   *ledger.Key
	keys  string // the public half
}

func newShift(s *store.Store) (*shift, error) {
	private, public, err := ledger.NewKey("millrace.example/cut", rand.Reader)
	if err != nil {
		return nil, err
	}
	key, err := ledger.ParseKey(private)
	return &shift{newTold(), s, key, public}, err
}

// work goes on until ctx ends or the store gives up.
func (w *shift) work(ctx context.Context) error {
	var wg sync.WaitGroup
	errs := make([]error, 6)
	for i, part := range []func(context.Context) error{w.accept("a"), w.accept("b"), w.accept("c"), w.decide, w.deliver, w.seal} {
		wg.Go(func() {
			if err := part(ctx); err != nil && ctx.Err() == nil {
				errs[i] = err
			}
		})
	}
	wg.Wait()
	return errors.Join(errs...)
}

func (w *shift) accept(name string) func(context.Context) error {
	return func(ctx context.Context) error {
		for n := 0; ctx.Err() == nil; n++ {
			raw := fmt.Appendf(nil, "test %s-%d of an invented meter", name, n)
			got, err := w.store.Accept(ctx, poct.Arrival{Inlet: "bench", Raw: raw, ControlID: fmt.Sprint(name, n)})
			if err != nil {
				return err
			}
			w.note(func() { w.arrivals[got.Arrival] = sha256.Sum256(raw) })
		}
		return nil
	}
}

func (w *shift) decide(ctx context.Context) error {
	for ctx.Err() == nil {
		claims, err := w.store.ClaimArrivals(ctx, "judge", 16, time.Minute)
		if err != nil {
			return err
		}
		if len(claims) == 0 {
			select {
			case <-w.store.Arrived():
			case <-ctx.Done():
			}
			continue
		}
		_, errs, err := w.store.Decide(ctx, claims, func(_ poct.Book, a poct.Arrival) (poct.Decision, error) {
			outcome := storetest.Released("Q3-0118", a.ControlID, "2.4")
			if a.ControlID[len(a.ControlID)-1] == '7' {
				outcome = storetest.Held("Q3-0118", a.ControlID, "2.4")
			}
			return poct.Decision{Outcomes: []poct.Outcome{outcome}}, nil
		})
		if err := errors.Join(append(errs, err)...); err != nil {
			return err
		}
		w.note(func() {
			for _, c := range claims {
				w.decided[c.Arrival.ID] = true
			}
		})
	}
	return nil
}

func (w *shift) deliver(ctx context.Context) error {
	for ctx.Err() == nil {
		due, err := w.store.ClaimDeliveries(ctx, "record", "outlet", 8, time.Minute)
		if err != nil {
			return err
		}
		if len(due) == 0 {
			select {
			case <-w.store.Due("record"):
			case <-ctx.Done():
			}
			continue
		}
		for _, d := range due {
			body := fmt.Appendf(nil, "bundle of %s version %d", d.Result.ID, d.Result.Version)
			if err := w.store.Intent(ctx, d, body, nil); err != nil {
				return err
			}
			w.note(func() { w.intended[d.ID] = sha256.Sum256(body) })
			err := w.store.Finish(ctx, d, poct.SendOutcome{Done: true, Receipt: poct.Receipt{Status: 201, Class: "delivered",
				Remote: map[string]string{"observation/inr": "Observation/" + d.Result.ID}}})
			if err != nil {
				return err
			}
			w.note(func() { w.finished[d.ID] = true })
		}
	}
	return nil
}

func (w *shift) seal(ctx context.Context) error {
	for ctx.Err() == nil {
		text, err := w.store.Seal(ctx, w.key)
		if err != nil {
			return err
		}
		if len(text) > 0 {
			keys, err := ledger.Keys(w.keys)
			if err != nil {
				return err
			}
			c, _, err := ledger.Open(text, keys...)
			if err != nil {
				return err
			}
			w.note(func() { w.heads = append(w.heads, c.Head) })
		}
		pause := time.NewTimer(20 * time.Millisecond) // as a daemon seals now and then
		select {
		case <-pause.C:
		case <-ctx.Done():
			pause.Stop()
		}
	}
	return nil
}
