package audit

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"time"

	"github.com/rs/zerolog"

	"tidegate/outbound"
	"tidegate/poct"
	"tidegate/wire/fhir"
)

// Outbox is where AuditEvents wait. Implementations are safe for concurrent use.
type Outbox interface {
	// Audits lists the oldest that an outlet's repository was not told.
	Audits(ctx context.Context, outlet string, limit int) ([]poct.AuditRecord, error)
	// Audited takes out what was told; it returns when that is durable.
	Audited(ctx context.Context, seqs ...int64) error
	// AuditRefused counts a refusal; after some the row is listed no more.
	AuditRefused(ctx context.Context, seqs ...int64) error
	// AuditAgain has all that was refused listed again.
	AuditAgain(ctx context.Context, outlet string) error
}

// Settings of a worker.
type Settings struct {
	Outlet outbound.Config // its Audit part leads to the repository
	Outbox Outbox
	Log    zerolog.Logger // carries the outlet's id
	Now    func() time.Time
	HTTP   *http.Client  // replaces the client made from the configuration; for tests
	Poll   time.Duration // how often new ones are looked for, default 1s
}

const (
	batch        = 64
	shortest     = time.Second // pause after a failure, doubled each time
	longest      = time.Minute
	longestAsked = time.Hour // what a Retry-After is believed
)

// Worker tells one outlet's audit repository, one AuditEvent after another.
type Worker struct {
	s       Settings
	cfg     outbound.Config
	client  *fhir.Client
	refresh func() (bool, error)
	failing string // class and status of the last failure, "" while it works
}

// New makes a worker; it reads secrets but opens no connection.
func New(s Settings) (*Worker, error) {
	cfg, ok := s.Outlet.AuditAt()
	if !ok || s.Outbox == nil {
		return nil, errors.New("audit: an outbox and an outlet with an audit repository are needed")
	}
	if s.Now == nil {
		s.Now = time.Now
	}
	if s.Poll == 0 {
		s.Poll = time.Second
	}
	client, refresh, err := outbound.NewClient(cfg, outbound.Settings{ID: cfg.ID, HTTP: s.HTTP, Log: s.Log, Now: s.Now})
	if err != nil {
		return nil, fmt.Errorf("audit repository of outlet %s: %w", cfg.ID, err)
	}
	return &Worker{s: s, cfg: cfg, client: client, refresh: refresh}, nil
}

// Run tells until ctx ends.
func (w *Worker) Run(ctx context.Context) error {
	told := ""
	fresh := false
	for attempt := 0; ctx.Err() == nil; {
		if !fresh {
			fresh = w.s.Outbox.AuditAgain(ctx, w.cfg.ID) == nil
		}
		n, pause, err := w.round(ctx)
		now := ""
		if err != nil && ctx.Err() == nil {
			now = err.Error()
		}
		if now != told && now != "" {
			w.s.Log.Error().Err(err).Msg("audit events cannot be read or marked as told; tried again until it works")
		}
		told = now
		switch {
		case err != nil || w.failing != "":
			w.rest(ctx, max(pause, min(longest, shortest<<min(attempt, 6))))
			attempt++
		default:
			attempt = 0
			if n < batch {
				w.rest(ctx, w.s.Poll)
			}
		}
	}
	return nil
}

func (w *Worker) rest(ctx context.Context, pause time.Duration) {
	t := time.NewTimer(pause)
	defer t.Stop()
	select {
	case <-ctx.Done():
	case <-t.C:
	}
}

// round tells one batch, up to the first that the repository does not answer
// for: the others would fare no better. It gives the pause that it asked for.
func (w *Worker) round(ctx context.Context) (n int, pause time.Duration, err error) {
	list, err := w.s.Outbox.Audits(ctx, w.cfg.ID, batch)
	if err != nil {
		return 0, 0, err
	}
	var taken, refused []int64
	for _, r := range list {
		a, class := w.post(ctx, r)
		if class == outbound.SignIn {
			if changed, _ := w.refresh(); changed { // what cannot be read stays as it was, and the repository says so again
				a, class = w.post(ctx, r)
			}
		}
		switch class {
		case outbound.Done:
			taken = append(taken, r.Seq)
		case outbound.Refused, outbound.Ambiguous, outbound.Compare:
			refused = append(refused, r.Seq)
			w.s.Log.Error().Int64("audit", r.Seq).Int("status", a.Status).Msg("the audit repository refuses an event")
		default:
			pause = min(waitOf(a, w.s.Now()), longestAsked)
			w.state(ctx, string(class), a.Status)
			return len(list), pause, w.settle(ctx, taken, refused)
		}
		w.state(ctx, "", 0)
	}
	return len(list), 0, w.settle(ctx, taken, refused)
}

// settle marks what was told, also while the daemon stops: else it is told
// twice.
func (w *Worker) settle(ctx context.Context, taken, refused []int64) error {
	ctx = context.WithoutCancel(ctx)
	return errors.Join(w.s.Outbox.Audited(ctx, taken...), w.s.Outbox.AuditRefused(ctx, refused...))
}

func (w *Worker) post(ctx context.Context, r poct.AuditRecord) (fhir.Answer, outbound.Class) {
	step, cancel := context.WithTimeout(ctx, w.cfg.Timeout)
	defer cancel()
	a, err := w.client.Create(step, fmt.Sprintf("tidegate-audit-%d", r.Seq), "AuditEvent", r.Body, "")
	return a, outbound.Classify(a, err)
}

func waitOf(a fhir.Answer, now time.Time) time.Duration {
	d, _ := a.Wait(now)
	return d
}

// state logs when the repository fails, fails otherwise, or works again.
func (w *Worker) state(ctx context.Context, class string, status int) {
	now := class
	if status != 0 {
		now = fmt.Sprintf("%s, status %d", class, status)
	}
	if now == w.failing || ctx.Err() != nil {
		return
	}
	w.failing = now
	if now == "" {
		w.s.Log.Info().Msg("the audit repository takes events again")
		return
	}
	w.s.Log.Warn().Str("reason", now).Msg("the audit repository takes no events; they are kept and told later")
}
