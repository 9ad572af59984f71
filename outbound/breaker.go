package outbound

import (
	"sync"
	"time"
)

// breaker leaves a failing destination alone as a whole. After a number of
// failures in a row it opens for a pause, then lets one delivery through as a
// probe; its outcome closes or reopens it. After that, and after the destination
// asked for a pause, deliveries come back a few at a time: each that goes well
// lets one more be under way.
type breaker struct {
	most  int
	pause time.Duration
	wide  int // deliveries at once when all is well

	room int // deliveries at once now; 0 is wide

	mu       sync.Mutex
	failures int
	until    time.Time // closed if zero
	probing  bool
	reason   string
	since    time.Time // of the present state
	lastGood time.Time
}

// gate says how many deliveries may start now (at most want, with so many under
// way), or until when to wait.
func (b *breaker) gate(now time.Time, want, flying int) (int, time.Time) {
	b.mu.Lock()
	defer b.mu.Unlock()
	switch {
	case b.until.IsZero() && b.room > 0:
		return max(min(want, b.room-flying), 0), time.Time{}
	case b.until.IsZero():
		return want, time.Time{}
	case now.Before(b.until):
		return 0, b.until
	case b.probing:
		return 0, now.Add(b.pause)
	}
	b.probing = true
	return min(want, 1), time.Time{}
}

// unused gives a probe back that found nothing to send.
func (b *breaker) unused() {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.probing = false
}

// good closes the breaker: the destination answered in its right mind, even
// if it refused a record.
func (b *breaker) good(now time.Time) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if !b.until.IsZero() || b.since.IsZero() {
		b.since = now
	}
	b.failures, b.until, b.probing, b.reason, b.lastGood = 0, time.Time{}, false, "", now
	if b.room > 0 {
		if b.room++; b.room >= b.wide {
			b.room = 0
		}
	}
}

// bad counts a failure. at least asks for a pause at once, whatever the count;
// 0 leaves it to the count.
func (b *breaker) bad(now time.Time, reason string, atLeast time.Duration) (opened bool) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.failures++
	wasOpen := !b.until.IsZero()
	if atLeast == 0 && b.failures < b.most && !b.probing {
		return false
	}
	if !wasOpen {
		b.since = now
	}
	pause := b.pause
	if atLeast > 0 {
		pause = atLeast
	}
	if until := now.Add(pause); until.After(b.until) {
		b.until = until
	}
	b.probing = false
	b.room = 1
	opened = !wasOpen || b.reason != reason
	b.reason = reason
	return opened
}

// Health is the state of an outlet for people.
type Health struct {
	Outlet   string    `json:"outlet"`
	Up       bool      `json:"up"`
	Since    time.Time `json:"since,omitzero"` // of this state
	LastGood time.Time `json:"last_good,omitzero"`
	NextTry  time.Time `json:"next_try,omitzero"` // while it is left alone
	Reason   string    `json:"reason,omitempty"`  // class and status of what failed
	Failures int       `json:"failures"`          // in a row
	InFlight int       `json:"in_flight"`
}

func (b *breaker) health() Health {
	b.mu.Lock()
	defer b.mu.Unlock()
	return Health{
		Up: b.until.IsZero(), Since: b.since, LastGood: b.lastGood,
		NextTry: b.until, Reason: b.reason, Failures: b.failures,
	}
}
