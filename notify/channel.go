package notify

import (
	"context"
	"maps"
	"sync"
	"time"

	"github.com/rs/zerolog"

	"tidegate/poct"
)

// sender is one way out. send is called by one goroutine and returns nil only
// when the other side has said that it took the notice.
type sender interface {
	send(ctx context.Context, id string, body []byte) error
	close()
}

const (
	batch = 64
	// mostRefusals is how often a notification is tried that the other side
	// refuses as such: it would stand before those that come after it.
	mostRefusals = 3
)

// Health is the state of a channel for people and metrics.
type Health struct {
	Channel  string           `json:"channel"`
	Kind     string           `json:"kind"`
	Up       bool             `json:"up"` // the last attempt succeeded, or there was none yet
	Since    time.Time        `json:"since,omitzero"`
	Reason   string           `json:"reason,omitempty"` // class and status of what failed
	Oldest   time.Time        `json:"oldest,omitzero"`  // when the oldest one not yet taken was written, while it is being tried
	Attempts map[string]int64 `json:"attempts"`         // by class, since the start; given-up counts notifications
}

// channel tells one receiver, one notification after another.
type channel struct {
	cfg  Config
	s    Settings
	to   sender
	log  zerolog.Logger
	wake chan struct{}

	mu    sync.Mutex
	state Health
	last  string // class of the last attempt
}

func newChannel(cfg Config, s Settings, to sender) *channel {
	return &channel{
		cfg: cfg, s: s, to: to, log: s.Log.With().Str("channel", cfg.ID).Logger(), wake: make(chan struct{}, 1),
		state: Health{Channel: cfg.ID, Kind: cfg.Kind, Up: true, Since: s.Now(), Attempts: map[string]int64{}},
	}
}

func (c *channel) health() Health {
	c.mu.Lock()
	defer c.mu.Unlock()
	h := c.state
	h.Attempts = maps.Clone(h.Attempts)
	return h
}

// run takes batch after batch until ctx ends.
func (c *channel) run(ctx context.Context) {
	defer c.to.close()
	told := ""
	for ctx.Err() == nil {
		n, err := c.round(ctx)
		if err != nil {
			if told != err.Error() && ctx.Err() == nil {
				told = err.Error()
				c.log.Error().Err(err).Msg("notifications cannot be read or marked as sent; tried again until it works")
			}
			c.rest(ctx, c.s.Poll, nil)
			continue
		}
		told = ""
		if n < batch {
			c.rest(ctx, c.s.Poll, c.wake)
		}
	}
}

func (c *channel) rest(ctx context.Context, pause time.Duration, wake <-chan struct{}) {
	t := time.NewTimer(pause)
	defer t.Stop()
	select {
	case <-ctx.Done():
	case <-t.C:
	case <-wake:
	}
}

// round works through one batch and gives its size. The cursor moves after
// each notification that was taken, and once over those in a row that are not
// told here.
func (c *channel) round(ctx context.Context) (int, error) {
	list, err := c.s.Outbox.Notifications(ctx, c.cfg.ID, batch)
	if err != nil {
		return 0, err
	}
	passed := ""
	for _, n := range list {
		if c.cfg.wants(n) && !c.tooOld(n) {
			if err := c.move(ctx, passed); err != nil {
				return 0, err
			}
			if !c.tell(ctx, n) {
				return 0, nil // ctx ended
			}
			if err := c.move(ctx, n.ID); err != nil {
				return 0, err
			}
			passed = ""
			continue
		}
		passed = n.ID
	}
	return len(list), c.move(ctx, passed)
}

func (c *channel) move(ctx context.Context, id string) error {
	if id == "" {
		return nil
	}
	return c.s.Outbox.Notified(ctx, c.cfg.ID, id)
}

// tooOld leaves a wanted notification that nobody took in time.
func (c *channel) tooOld(n poct.Notification) bool {
	age := c.s.Now().Sub(n.At)
	if age <= c.cfg.GiveUp {
		return false
	}
	c.leave(n, "older than give_up")
	return true
}

func (c *channel) leave(n poct.Notification, why string) {
	c.mu.Lock()
	c.state.Attempts[GivenUp]++
	c.mu.Unlock()
	c.log.Error().Str("notification", n.ID).Str("kind", n.Kind).Str("site", n.Site).Str("why", why).
		Time("at", n.At).Msg("a notification was left untold; look at the pages")
}

// tell tries until the other side took the notification, it is refused or too
// old. It returns false if ctx ended before.
func (c *channel) tell(ctx context.Context, n poct.Notification) bool {
	body, err := render(n)
	if err != nil {
		c.leave(n, "cannot be written")
		return true
	}
	c.trying(n.At)
	defer c.trying(time.Time{})
	refusals := 0
	for attempts := 1; ; attempts++ {
		step, cancel := context.WithTimeout(ctx, c.cfg.Timeout)
		err := c.to.send(step, n.ID, body)
		cancel()
		if err != nil && ctx.Err() != nil {
			return false
		}
		c.answered(err)
		if err == nil {
			return true
		}
		if classOf(err) == Refused {
			refusals++
		}
		if refusals == mostRefusals {
			c.leave(n, "the other side refuses it")
			return true
		}
		c.rest(ctx, c.cfg.Retry.pauseAfter(attempts, err), nil)
		if ctx.Err() != nil {
			return false
		}
		if c.tooOld(n) {
			return true
		}
	}
}

func (c *channel) trying(oldest time.Time) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.state.Oldest = oldest
}

// answered counts an attempt and logs when the state changes, not each time.
func (c *channel) answered(err error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	class := classOf(err)
	c.state.Attempts[class]++
	if up := err == nil; up != c.state.Up {
		c.state.Up, c.state.Since = up, c.s.Now()
	}
	c.state.Reason = ""
	if err != nil {
		c.state.Reason = err.Error()
	} else {
		c.state.Oldest = time.Time{}
	}
	if class == c.last {
		return
	}
	if err != nil {
		c.log.Warn().Err(err).Msg("notifications do not get through; tried again")
	} else if c.last != "" {
		c.log.Info().Msg("notifications get through again")
	}
	c.last = class
}
