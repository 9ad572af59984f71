package app

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/rs/zerolog"
	"golang.org/x/sync/errgroup"
)

// stage is a group of things that run and end together.
type stage struct {
	name string
	runs []runner
	// bound is how long the stage may take to end by itself; then its
	// goroutines are left behind and the shutdown goes on.
	bound time.Duration
}

type runner struct {
	name string
	run  func(context.Context) error
}

// runStages starts all stages and, when ctx ends or anything fails, ends them
// one after another in the order given: inlets first, so that nothing new
// comes in while what came in is finished, the web last but for the store.
func runStages(ctx context.Context, log zerolog.Logger, stages []stage) error {
	type live struct {
		stage
		cancel context.CancelFunc
		done   chan error
	}
	failed := make(chan error, 1)
	var started []live
	for _, s := range stages {
		sctx, cancel := context.WithCancel(context.WithoutCancel(ctx))
		g, gctx := errgroup.WithContext(sctx)
		for _, r := range s.runs {
			g.Go(func() error {
				err := guard(r, gctx)
				if err != nil {
					select {
					case failed <- fmt.Errorf("%s: %w", r.name, err):
					default:
					}
				}
				return err
			})
		}
		l := live{stage: s, cancel: cancel, done: make(chan error, 1)}
		go func() { l.done <- g.Wait() }()
		started = append(started, l)
	}
	var first error
	select {
	case <-ctx.Done():
		log.Info().Msg("shutting down")
	case first = <-failed:
		log.Error().Err(first).Msg("shutting down after a failure")
	}
	for _, l := range started {
		l.cancel()
		select {
		case err := <-l.done:
			if first == nil && err != nil && !errors.Is(err, context.Canceled) {
				first = fmt.Errorf("%s: %w", l.name, err)
			}
		case <-time.After(l.bound):
			log.Warn().Str("stage", l.name).Dur("after", l.bound).Msg("did not end in time; going on")
		}
	}
	return first
}

// guard turns a panic of a long-running part into an error, so that the other
// parts are ended in order instead of being torn down.
func guard(r runner, ctx context.Context) (err error) {
	defer func() {
		if p := recover(); p != nil {
			// The value may hold patient data; its type says enough for the log.
			err = fmt.Errorf("panic of type %T", p)
		}
	}()
	return r.run(ctx)
}
