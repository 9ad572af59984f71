package app

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"tidegate/config"
	"tidegate/ingest"
	"tidegate/ingest/folder"
	"tidegate/ingest/httpin"
	"tidegate/ingest/jetstream"
	"tidegate/ingest/lis"
	"tidegate/ingest/mllp"
	"tidegate/ingest/poct1a"
	"tidegate/ledger"
	"tidegate/mapping"
	"tidegate/pipeline"
	"tidegate/poct"
	"tidegate/registry"
)

// inlet is what every kind of inlet does.
type inlet struct {
	listener
	id, kind string
}

type listener interface {
	Listen() error
	Addr() string
	Run(ctx context.Context) error
}

// release closes what an inlet that never ran has bound.
func (i inlet) release() error {
	if c, ok := i.listener.(interface{ Close() error }); ok {
		return c.Close()
	}
	return nil
}

// newJudge binds the configuration's profiles, rules and outlets to the judge.
func newJudge(cfg *config.Config, now func() time.Time) *pipeline.Judge {
	j := &pipeline.Judge{
		Inlets:  map[string]pipeline.InletRule{},
		Rules:   cfg.Rules(),
		Facts:   lookUp(cfg).Facts,
		Zones:   func(b poct.Book) mapping.Zones { return registry.Zones(b) },
		Context: registry.Apply,
		Now:     now, Patience: cfg.LookupPatience,
	}
	for _, in := range cfg.Inlets {
		rule := pipeline.InletRule{AllowNonProduction: in.AllowNonProduction, Context: mapping.ContextRule{
			Accepts: in.Accepts, Authority: in.Authority, Zone: in.Zone, Target: in.TargetCode,
		}}
		for _, id := range in.Profiles {
			rule.Profiles = append(rule.Profiles, cfg.Profile(id))
		}
		j.Inlets[in.ID] = rule
	}
	for _, o := range cfg.Outlets {
		j.Outlets = append(j.Outlets, pipeline.OutletRule{ID: o.ID, Sites: o.Sites})
	}
	return j
}

// lookUp reads as far back as the rules ask.
func lookUp(cfg *config.Config) registry.Look {
	look := registry.Look{OwnRuns: cfg.Rules().OwnRuns(), Record: cfg.Registry.Patients.Outlet}
	look.Orders.Window, look.Orders.Codes = cfg.Rules().Orders()
	return look
}

// newInlet builds one inlet of the configuration, bound to the store through
// the counting inbox.
func (a *App) newInlet(in *config.Inlet) (inlet, error) {
	box := ingest.Inbox(&countingInbox{inbox: a.store, inlet: in.ID, metrics: a.metrics})
	log := a.log.With().Str("inlet", in.ID).Logger()
	var l listener
	var err error
	switch c := in.Config.(type) {
	case *mllp.Config:
		l, err = mllp.New(*c, mllp.Settings{ID: in.ID, Accepts: in.Accepts, Inbox: box, Log: log, Now: a.opt.Now})
	case *lis.Config:
		l, err = lis.New(*c, lis.Settings{ID: in.ID, Inbox: box, Log: log, Now: a.opt.Now})
	case *poct1a.Config:
		l, err = poct1a.New(*c, (&meterLists{store: a.store, now: a.opt.Now}).settings(in.ID, box, log))
	case *folder.Config:
		l, err = folder.New(*c, folder.Settings{ID: in.ID, Inbox: box, Log: log, Now: a.opt.Now})
	case *jetstream.Config:
		l, err = jetstream.New(*c, jetstream.Settings{
			ID: in.ID, Inbox: box, Log: log, Now: a.opt.Now, DataDir: filepath.Join(a.cfg.DataDir, "jetstream-"+in.ID),
		})
	case *httpin.Config:
		l, err = httpin.New(*c, httpin.Settings{ID: in.ID, Inbox: box, Log: log, Now: a.opt.Now})
	default:
		err = fmt.Errorf("kind %q is not one of mllp, lis, poct1a, folder, jetstream, http", in.Kind)
	}
	return inlet{listener: l, id: in.ID, kind: in.Kind}, err
}

// countingInbox counts what inlets hand in, by answer and never by content.
type countingInbox struct {
	inbox   ingest.Inbox
	inlet   string
	metrics *metrics
}

func (c *countingInbox) Accept(ctx context.Context, a poct.Arrival) (poct.Accepted, error) {
	got, err := c.inbox.Accept(ctx, a)
	answer := "stored"
	switch {
	case err != nil:
		answer = "refused"
	case got.Resent:
		answer = "resent"
	}
	c.metrics.arrivals.WithLabelValues(c.inlet, answer).Inc()
	return got, err
}

func (c *countingInbox) Notice(ctx context.Context, n poct.Notice) error {
	c.metrics.notices.WithLabelValues(c.inlet).Inc()
	return c.inbox.Notice(ctx, n)
}

// secretOf reads a secret file for the one place that sends it.
func secretOf(path string) (string, error) {
	s, err := config.ReadSecret(path)
	return s.Reveal(), err
}

// importFiles fills the registry from the files of the configuration. A line
// that is refused is told and stops the start: a registry that is half as
// believed would hold results for reasons nobody sees.
func (a *App) importFiles(ctx context.Context) error {
	for _, f := range a.cfg.Registry.Import {
		in, err := os.Open(f.Path)
		if err != nil {
			return fmt.Errorf("registry file: %w", err)
		}
		rows, refused, err := registry.ReadCSV(f.Kind, in)
		_ = in.Close() // read only
		if err != nil {
			return fmt.Errorf("registry file %s: %w", f.Path, err)
		}
		if len(refused) > 0 {
			return fmt.Errorf("registry file %s: %d lines refused; the first is line %d, %s: %s (tidegate check lists all)",
				f.Path, len(refused), refused[0].Line, refused[0].Column, refused[0].Reason)
		}
		added, changed, err := a.store.Upsert(ctx, poct.System, rows)
		if err != nil {
			return fmt.Errorf("registry file %s: %w", f.Path, err)
		}
		if added+changed > 0 {
			a.log.Info().Str("kind", string(f.Kind)).Int("added", added).Int("changed", changed).Msg("registry file read")
		}
	}
	return nil
}

// newLedgerKey makes the signing key at the first start, readable by its owner
// alone, and its public half beside it.
func newLedgerKey(l config.Ledger) (*ledger.Key, error) {
	private, public, err := ledger.NewKey(l.Origin, rand.Reader)
	if err != nil {
		return nil, fmt.Errorf("make the ledger's key: %w", err)
	}
	if err := os.MkdirAll(filepath.Dir(l.KeyFile), 0o700); err != nil {
		return nil, fmt.Errorf("make the folder of the ledger's key: %w", err)
	}
	f, err := os.OpenFile(l.KeyFile, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return nil, fmt.Errorf("write the ledger's key: %w", err)
	}
	_, err = f.WriteString(private + "\n")
	if err = errors.Join(err, f.Sync(), f.Close()); err != nil {
		return nil, fmt.Errorf("write the ledger's key: %w", err)
	}
	if err := os.WriteFile(publicFile(l.KeyFile), []byte(public+"\n"), 0o644); err != nil {
		return nil, fmt.Errorf("write the ledger's public key: %w", err)
	}
	return ledger.ParseKey(private)
}

func publicFile(keyFile string) string {
	ext := filepath.Ext(keyFile)
	return keyFile[:len(keyFile)-len(ext)] + ".pub"
}
