package notify

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"sync"
	"time"

	"github.com/rs/zerolog"

	"tidegate/poct"
)

// Outbox is what a worker needs of the store.
type Outbox interface {
	// Notifications lists, oldest first, at most max of those that a channel has
	// not yet moved past. One that asks for the first time begins behind all that
	// is there.
	Notifications(ctx context.Context, channel string, max int) ([]poct.Notification, error)
	// Notified moves a channel past a notification, and all before it, for good.
	Notified(ctx context.Context, channel, id string) error
	// Notifying gives a signal after notifications were written.
	Notifying() <-chan struct{}
}

// Settings of a worker.
type Settings struct {
	Outbox Outbox
	Log    zerolog.Logger
	Now    func() time.Time // default time.Now
	// Secret reads a secret file; it refuses one that others can read.
	Secret func(path string) (string, error)
	// HTTP replaces the client of webhooks; for tests.
	HTTP *http.Client
	// Poll is how often notifications are looked for without a signal, default 5s.
	Poll time.Duration
}

// Worker serves all channels.
type Worker struct {
	s        Settings
	channels []*channel
}

// New makes the worker of the configured channels. It reads their secrets but
// opens no connection.
func New(cfgs []Config, s Settings) (*Worker, error) {
	if s.Outbox == nil {
		return nil, errors.New("notify: a worker needs an outbox")
	}
	if s.Now == nil {
		s.Now = time.Now
	}
	if s.Poll == 0 {
		s.Poll = 5 * time.Second
	}
	w := &Worker{s: s}
	for _, cfg := range cfgs {
		cfg = cfg.WithDefaults()
		if faults := cfg.Validate(); len(faults) > 0 {
			return nil, fmt.Errorf("channel %s: %s: %s; %s", cfg.ID, faults[0].Key, faults[0].What, faults[0].Instead)
		}
		var to sender
		var err error
		switch {
		case cfg.TokenFile != "" && s.Secret == nil:
			err = errors.New("no way to read secrets was given")
		case cfg.Kind == Webhook:
			to, err = newWebhook(cfg, s)
		default:
			to = &stream{cfg: cfg}
		}
		if err != nil {
			return nil, fmt.Errorf("channel %s: %w", cfg.ID, err)
		}
		w.channels = append(w.channels, newChannel(cfg, s, to))
	}
	return w, nil
}

// Begin makes each channel known to the outbox: it is told of what is written
// from its first Begin on. Call it before anything can be written.
func (w *Worker) Begin(ctx context.Context) error {
	for _, c := range w.channels {
		if _, err := w.s.Outbox.Notifications(ctx, c.cfg.ID, 1); err != nil {
			return fmt.Errorf("channel %s: %w", c.cfg.ID, err)
		}
	}
	return nil
}

// Run tells until ctx ends. What is on the way then is told again after the
// next start, under the same id.
func (w *Worker) Run(ctx context.Context) error {
	var running sync.WaitGroup
	for _, c := range w.channels {
		running.Go(func() { c.run(ctx) })
	}
	// One signal is for all channels. It is fetched before they are woken, so
	// that nothing written meanwhile goes unnoticed.
	for ctx.Err() == nil {
		signal := w.s.Outbox.Notifying()
		for _, c := range w.channels {
			select {
			case c.wake <- struct{}{}:
			default: // it looks already
			}
		}
		select {
		case <-ctx.Done():
		case <-signal:
		}
	}
	running.Wait()
	return nil
}

// Health tells how each channel does, in the order of the configuration.
func (w *Worker) Health() []Health {
	out := make([]Health, len(w.channels))
	for i, c := range w.channels {
		out[i] = c.health()
	}
	return out
}
