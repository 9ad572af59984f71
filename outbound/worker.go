package outbound

import (
	"context"
	"errors"
	"fmt"
	"io"
	"maps"
	"math/rand/v2"
	"net/http"
	"sync"
	"time"

	"github.com/rs/zerolog"

	"tidegate/fault"
	"tidegate/poct"
)

// Settings of a worker.
type Settings struct {
	ID    string // outlet id
	Store Store
	Log   zerolog.Logger   // carries the outlet's id
	Now   func() time.Time // default time.Now
	// Owner of the leases, unique per process.
	Owner string
	// Systems gives the FHIR identifier system of an assigning authority.
	Systems map[string]string
	// HTTP replaces the client that is made from the configuration; for tests.
	HTTP *http.Client
	// Wake signals that a delivery may be due; nil leaves it to Poll.
	Wake <-chan struct{}
	// Poll is how often due deliveries are looked for without a signal, default 500ms.
	Poll time.Duration
	// Rand makes the jitter repeatable; nil for a random seed.
	Rand *rand.Rand
	// Answered is called after each committed receipt with how long the
	// delivery has been due; may be nil.
	Answered func(r poct.Receipt, done bool, due time.Duration)
}

// Worker delivers to one outlet. Several may run on one store: leases keep
// them apart.
type Worker struct {
	cfg     Config
	s       Settings
	to      Destination
	breaker *breaker
	backoff *backoff
	lease   time.Duration

	conflicts counts // refusals as a conflict, with nothing to be seen

	mu       sync.Mutex
	sent     map[int64]time.Time // end of the last send of this process, by delivery
	inFlight int
}

// New makes the worker of one outlet, of whatever kind. It reads secrets but
// opens no connection.
func New(cfg Config, s Settings) (*Worker, error) {
	cfg = cfg.WithDefaults()
	if cfg.ID == "" {
		cfg.ID = s.ID
	}
	if faults := cfg.Validate(); len(faults) > 0 {
		return nil, fmt.Errorf("outlet %s: %s: %s; %s", cfg.ID, faults[0].Key, faults[0].What, faults[0].Instead)
	}
	if s.Now == nil {
		s.Now = time.Now
	}
	to, err := cfg.part(cfg.Kind).open(cfg, s)
	if err != nil {
		return nil, fmt.Errorf("outlet %s: %w", cfg.ID, err)
	}
	return NewWorker(cfg, s, to)
}

// NewWorker makes a worker for any destination.
func NewWorker(cfg Config, s Settings, to Destination) (*Worker, error) {
	cfg = cfg.WithDefaults()
	if s.Store == nil || to == nil {
		return nil, errors.New("outbound: a worker needs a store and a destination")
	}
	if s.Now == nil {
		s.Now = time.Now
	}
	if s.Owner == "" {
		s.Owner = "outbound"
	}
	if s.Poll == 0 {
		s.Poll = 500 * time.Millisecond
	}
	if s.Rand == nil {
		s.Rand = rand.New(rand.NewPCG(rand.Uint64(), rand.Uint64()))
	}
	return &Worker{
		cfg: cfg, s: s, to: to,
		breaker: &breaker{most: cfg.Breaker.Failures, pause: cfg.Breaker.Pause, wide: cfg.InFlight},
		backoff: &backoff{first: cfg.Retry.First, most: cfg.Retry.Max, rnd: s.Rand},
		// Room for the look-ups before a send, the send, and those after it.
		lease: 6 * cfg.Timeout,
		sent:  map[int64]time.Time{},
	}, nil
}

// Health tells how the outlet does.
func (w *Worker) Health() Health {
	h := w.breaker.health()
	h.Outlet = w.cfg.ID
	w.mu.Lock()
	h.InFlight = w.inFlight
	w.mu.Unlock()
	return h
}

// Run delivers until ctx ends. Deliveries on the way are finished first; each
// is bounded by its lease. What the destination keeps open is closed then.
func (w *Worker) Run(ctx context.Context) error {
	if c, ok := w.to.(io.Closer); ok {
		defer func() { _ = c.Close() }() // nothing more is expected of it
	}
	var flying sync.WaitGroup
	defer flying.Wait()
	free := make(chan struct{}, w.cfg.InFlight)
	flying.Go(func() { w.refresh(ctx) })
	last := ""
	slots := w.cfg.InFlight
	for ctx.Err() == nil {
		slots += drain(free)
		n, until := w.breaker.gate(w.s.Now(), slots, w.cfg.InFlight-slots)
		var claimed []poct.Delivery
		if n > 0 {
			var err error
			claimed, err = w.s.Store.ClaimDeliveries(ctx, w.cfg.ID, w.s.Owner, n, w.lease)
			if len(claimed) == 0 {
				w.breaker.unused()
			}
			last = w.report(ctx, last, err)
		}
		for _, d := range claimed {
			slots--
			w.count(1)
			flying.Go(func() {
				defer func() { w.count(-1); free <- struct{}{} }()
				w.deliver(context.WithoutCancel(ctx), d)
			})
		}
		if len(claimed) == n && n > 0 && slots > 0 {
			continue // there may be more
		}
		slots += w.rest(ctx, free, until)
	}
	return nil
}

func drain(free chan struct{}) (n int) {
	for {
		select {
		case <-free:
			n++
		default:
			return n
		}
	}
}

// rest waits for a signal, a free slot or the time, and tells how many slots
// came free.
func (w *Worker) rest(ctx context.Context, free chan struct{}, until time.Time) int {
	pause := w.s.Poll
	if !until.IsZero() {
		pause = max(until.Sub(w.s.Now()), time.Millisecond)
	}
	t := time.NewTimer(pause)
	defer t.Stop()
	select {
	case <-ctx.Done():
	case <-t.C:
	case <-w.s.Wake:
	case <-free:
		return 1
	}
	return 0
}

func (w *Worker) count(by int) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.inFlight += by
}

// report logs a failing store once, until the error changes.
func (w *Worker) report(ctx context.Context, last string, err error) string {
	now := ""
	if err != nil && ctx.Err() == nil {
		now = err.Error()
	}
	if now != last {
		if now != "" {
			w.s.Log.Error().Err(err).Msg("deliveries cannot be claimed; tried again until it works")
		} else {
			w.s.Log.Info().Msg("deliveries are claimed again")
		}
	}
	return now
}

// refresh reads what the record system can do: until it works, then daily.
func (w *Worker) refresh(ctx context.Context) {
	told := false
	for attempt := 1; ; attempt++ {
		step, cancel := context.WithTimeout(ctx, w.cfg.Timeout)
		err := w.to.Refresh(step)
		cancel()
		pause := 24 * time.Hour
		if err != nil {
			pause = max(w.backoff.after(attempt), w.cfg.Breaker.Pause)
			if !told && ctx.Err() == nil {
				told = true
				w.s.Log.Warn().Err(err).Msg("what the record system can do is not known yet; going on with what every R4 server must")
			}
		} else {
			attempt, told = 0, false
		}
		t := time.NewTimer(pause)
		select {
		case <-ctx.Done():
			t.Stop()
			return
		case <-t.C:
		}
	}
}

// deliver takes one leased delivery as far as it goes.
func (w *Worker) deliver(ctx context.Context, d poct.Delivery) {
	ctx, cancel := context.WithDeadline(ctx, deadline(d, w.lease, w.s.Now()))
	defer cancel()
	fault.Point("outbound.claimed")
	a, intent := w.attempt(ctx, &d)
	w.finish(context.WithoutCancel(ctx), d, a, intent)
}

func deadline(d poct.Delivery, lease time.Duration, now time.Time) time.Time {
	if d.Lease.IsZero() {
		return now.Add(lease)
	}
	return d.Lease
}

// attempt looks up, prepares and sends. intent tells whether bytes may be at
// the other side after it.
func (w *Worker) attempt(ctx context.Context, d *poct.Delivery) (a Answered, intent bool) {
	if d.Intent || d.Unsure {
		if wait := w.settled(*d).Sub(w.s.Now()); wait > 0 {
			return Answered{Class: Waiting, Pause: wait, Note: "waiting out the last send"}, d.Intent
		}
	}
	// What landed is looked up each time: marks may be an earlier version's.
	d.Remote = settledRemote(merged(d.Remote, nil))
	claimed := *d // what the store knows of it
	if d.Intent {
		if a = w.signedIn(func() Answered { return w.to.Find(ctx, *d) }); a.Class != Absent {
			return a, true
		}
		d.Remote = merged(d.Remote, a.Remote)
	} else if d.Body == nil {
		var remote map[string]string
		a = w.signedIn(func() (a Answered) { d.Body, remote, a = w.to.Prepare(ctx, claimed); return a })
		if a.Class != Done || d.Body == nil { // nil: nothing is left to send
			return a, false
		}
		d.Remote = merged(d.Remote, remote)
		fault.Point("outbound.rendered")
	}
	if a, ok := w.intend(ctx, claimed, *d); !ok {
		return a, claimed.Intent || a.Note == notCommitted
	}
	fault.Point("outbound.intended")
	a = w.signedIn(func() Answered {
		a := w.to.Send(ctx, *d)
		w.mark(d.ID)
		return a
	})
	fault.Point("outbound.answered")
	if a.Class == Compare { // a version or identifier stood in the way: ours, or another's
		found := w.signedIn(func() Answered { return w.to.Find(ctx, *d) })
		if found.Class == Absent {
			found.Class, found.Status = Transient, a.Status
			if w.conflicts.more(d.ID) >= mostConflicts {
				found.Class, found.Problem = Refused, problemRefused(w.cfg.ID, "it calls this a conflict each time")
			}
		}
		return found, true
	}
	return a, claimed.Intent || a.Landed || a.Class != NotSent
}

// mostConflicts is how often a write may be refused as a conflict with nothing
// there to be seen, before a person looks.
const mostConflicts = 12

const notCommitted = "intent not committed"

// intend commits the bytes as about to be sent. It does not while the lease is
// too short to send and still be the only one who may.
func (w *Worker) intend(ctx context.Context, claimed, d poct.Delivery) (Answered, bool) {
	if left := d.Lease.Sub(w.s.Now()); !d.Lease.IsZero() && left < w.cfg.Timeout {
		return Answered{Class: Waiting, Note: "lease too short to send"}, false
	}
	err := w.s.Store.Intent(ctx, claimed, d.Body, d.Remote)
	switch {
	case errors.Is(err, poct.ErrFenced):
		return Answered{Class: Waiting, Note: "fenced"}, false
	case err != nil: // nothing was sent, but the commit may be there after all
		w.s.Log.Error().Str("result", d.Result.ID).Err(err).Msg("intent not committed; nothing sent")
		return Answered{Class: Waiting, Pause: w.backoff.after(1), Note: notCommitted}, false
	}
	return Answered{}, true
}

// settled is when the last possible send of a delivery has surely come to its
// end at the other side: after the send itself, the server's linger and the
// index's lag.
func (w *Worker) settled(d poct.Delivery) time.Time {
	w.mu.Lock()
	end, known := w.sent[d.ID]
	w.mu.Unlock()
	if !known { // another process sent, and kept to its deadline
		end = d.SentBy
		if by := d.IntentAt.Add(w.cfg.Timeout); !d.IntentAt.IsZero() && (end.IsZero() || by.Before(end)) {
			end = by
		}
	}
	return end.Add(w.cfg.LookupWait)
}

func (w *Worker) mark(id int64) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.sent[id] = w.s.Now()
}

// signedIn repeats a step once after fresh credentials.
func (w *Worker) signedIn(step func() Answered) Answered {
	a := step()
	if a.Class != SignIn {
		return a
	}
	changed, err := w.to.SignInAgain()
	if err != nil {
		w.s.Log.Error().Err(err).Msg("the credentials cannot be read")
	}
	if !changed {
		return a
	}
	return step()
}

func merged(a, b map[string]string) map[string]string {
	out := map[string]string{}
	maps.Copy(out, a)
	maps.Copy(out, b)
	return out
}
