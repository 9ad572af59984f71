package pipeline

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/rs/zerolog"

	"tidegate/poct"
)

// Store is what the worker needs of the store. Decide commits the decisions of
// a batch in one transaction and runs the judge inside it; it is safe to call
// from several goroutines.
type Store interface {
	ClaimArrivals(ctx context.Context, owner string, most int, lease time.Duration) ([]poct.Claim, error)
	Decide(ctx context.Context, claims []poct.Claim, judge func(poct.Book, poct.Arrival) (poct.Decision, error)) ([]poct.Decision, []error, error)
	// Rejudge judges open holds again that a control which came late may change,
	// at most this many, and tells how many it went through.
	Rejudge(ctx context.Context, most int, judge func(poct.Book, poct.HoldRecord, poct.Arrival, poct.Settlement) (poct.Decision, error)) (int, error)
	// Arrived signals that a new arrival, or a hold to be judged again, may be
	// waiting. It never blocks the store.
	Arrived() <-chan struct{}
}

// Settings of a worker.
type Settings struct {
	Store Store
	Judge *Judge
	Log   zerolog.Logger
	// Ask is told of the patients whom a batch names, before the transaction that
	// judges it: what lies over a network is looked up here, never inside. It is
	// called with none before holds are judged again. May be nil.
	Ask func(context.Context, []poct.PatientRef)
	// Name of this worker in leases, unique per process.
	Name string
	// Decided is called for each decision after its commit; may be nil.
	Decided func(poct.Decision)
}

const (
	batch = 64               // arrivals a claim: bounds how long one decision transaction keeps the writer
	lease = 30 * time.Second // far above the time a batch takes; an expired one is judged again, the epoch fences the late
	idle  = 2 * time.Second  // how soon expired leases and waits are noticed without a signal
)

// Worker judges arrivals in the order they came. One worker per store keeps
// that order; more are safe and only loosen it.
type Worker struct{ s Settings }

// NewWorker checks the settings and starts nothing.
func NewWorker(s Settings) (*Worker, error) {
	if s.Store == nil || s.Judge == nil {
		return nil, errors.New("pipeline: a worker needs a store and a judge")
	}
	if s.Name == "" {
		s.Name = "pipeline"
	}
	return &Worker{s: s}, nil
}

// Run judges until ctx ends, then returns nil. A batch under way is finished
// first: what it has claimed is decided or its lease runs out.
func (w *Worker) Run(ctx context.Context) error {
	tick := time.NewTicker(idle)
	defer tick.Stop()
	last := ""
	for {
		n, err := w.Step(context.WithoutCancel(ctx))
		last = w.report(last, err)
		if n > 0 && err == nil && ctx.Err() == nil {
			continue
		}
		select {
		case <-ctx.Done():
			return nil
		case <-w.s.Store.Arrived():
		case <-tick.C:
		}
	}
}

// Step claims and decides one batch of arrivals, then judges again a batch of
// the holds that controls among them may change. It tells how many of both it
// went through.
func (w *Worker) Step(ctx context.Context) (int, error) {
	n, err := w.decide(ctx)
	if w.s.Ask != nil {
		w.s.Ask(ctx, nil)
	}
	again, failed := w.s.Store.Rejudge(ctx, batch, w.s.Judge.Again)
	if failed != nil {
		err = errors.Join(err, fmt.Errorf("judge holds again: %w", failed))
	}
	return n + again, err
}

func (w *Worker) decide(ctx context.Context) (int, error) {
	claims, err := w.s.Store.ClaimArrivals(ctx, w.s.Name, batch, lease)
	if err != nil {
		return 0, fmt.Errorf("claim arrivals: %w", err)
	}
	if len(claims) == 0 {
		return 0, nil
	}
	if w.s.Ask != nil {
		var refs []poct.PatientRef
		for _, c := range claims {
			refs = append(refs, w.s.Judge.Patients(c.Arrival)...)
		}
		w.s.Ask(ctx, refs)
	}
	decisions, errs, err := w.s.Store.Decide(ctx, claims, w.s.Judge.Decide)
	if err != nil {
		return len(claims), fmt.Errorf("decide %d arrivals: %w", len(claims), err)
	}
	for i, e := range errs {
		switch {
		case e == nil:
			if w.s.Decided != nil {
				w.s.Decided(decisions[i])
			}
		case errors.Is(e, poct.ErrFenced):
			// Another worker took it over; its decision stands.
		default:
			err = errors.Join(err, fmt.Errorf("decide arrival %s: %w", claims[i].Arrival.ID, e))
		}
	}
	return len(claims), err
}

// report logs an error once, until it changes.
func (w *Worker) report(last string, err error) string {
	now := ""
	if err != nil {
		now = err.Error()
	}
	if now != last && now != "" {
		w.s.Log.Error().Err(err).Str("stage", "pipeline").Msg("arrivals wait; tried again until it works")
	}
	if now == "" && last != "" {
		w.s.Log.Info().Str("stage", "pipeline").Msg("arrivals are judged again")
	}
	return now
}
