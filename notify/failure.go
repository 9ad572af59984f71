package notify

import (
	"errors"
	"math/rand/v2"
	"time"
)

// Classes of an attempt, for logs and metrics.
const (
	Sent        = "sent"
	Unreachable = "unreachable" // no answer: it may have been taken or not
	Failing     = "failing"     // the other side says that it cannot now
	Throttled   = "throttled"   // it asks for a pause
	Denied      = "denied"      // it does not take the credentials
	Misplaced   = "misplaced"   // nothing that takes notifications stands at this address
	Refused     = "refused"     // it does not take this notification
	GivenUp     = "given-up"    // left: older than give_up, or refused each time
)

// failure is an attempt that came to nothing. Its text holds no address and
// nothing of the answer's body.
type failure struct {
	class string
	pause time.Duration // what the other side asked for, 0 if nothing
	text  string
}

func (f *failure) Error() string { return f.class + ": " + f.text }

// classOf gives the class of an attempt's error.
func classOf(err error) string {
	var f *failure
	switch {
	case err == nil:
		return Sent
	case errors.As(err, &f):
		return f.class
	}
	return Unreachable
}

// pauseAfter is the pause after a number of failed attempts, at least one:
// doubled from first to most, of which the upper half is random, so that
// channels that failed together do not come back together. What the other side
// asks for counts where it is longer.
func (r Retry) pauseAfter(attempts int, err error) time.Duration {
	d := r.First
	for i := 1; i < attempts && d < r.Max; i++ {
		d *= 2
	}
	d = min(d, r.Max)
	d = d/2 + rand.N(d/2+1) //nolint:gosec // spreads the load, guards nothing
	var f *failure
	if errors.As(err, &f) {
		d = max(d, min(f.pause, r.Max))
	}
	return d
}
