package app

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"os"
	"strconv"
	"sync/atomic"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/rs/zerolog"

	"tidegate/config"
	"tidegate/ledger"
	"tidegate/notify"
	"tidegate/outbound"
	"tidegate/pipeline"
	"tidegate/poct"
	"tidegate/registry"
	"tidegate/review"
	"tidegate/store"
	"tidegate/validate"
	"tidegate/web"
)

// Options of an App. All may be left out.
type Options struct {
	Log     zerolog.Logger
	Version string
	// Group is the name of the clinics, shown on the pages.
	Group string
	Now   func() time.Time
	// Fatal ends the process after a commit whose outcome is unknown. nil
	// exits with status 3, so that whoever supervises the daemon starts it anew.
	Fatal func(error)
	// HTTPToOutlets replaces the client to record systems; for tests.
	HTTPToOutlets *http.Client
}

// Reserves on the data volume: below lowWater no arrival is taken, and the
// ballast lets a full volume be opened and drained.
const (
	lowWater = 64 << 20
	ballast  = 16 << 20
)

// How often and how late the head of the ledger is signed.
const (
	sealEvery = time.Second
	sealMost  = 512
)

// App is one daemon. Make it with New, run it once, close it.
type App struct {
	cfg    *config.Config
	opt    Options
	log    zerolog.Logger
	store  *store.Store
	key    *ledger.Key
	judge  *pipeline.Judge
	desk   *review.Desk
	worker *pipeline.Worker
	// directory knows patients from the record system; nil where the registry does.
	directory *registry.Directory
	inlets    []inlet
	outlets   []*outbound.Worker
	audits    []runner // one for each outlet with an audit repository
	notices   *notify.Worker
	web       *web.Server
	socket    *socket
	metrics   *metrics
	started   time.Time
	closed    atomic.Bool
}

// New opens the data folder and binds every listener. It starts nothing: what
// it could not do it undoes, and says why.
func New(cfg *config.Config, opt Options) (*App, error) {
	a, err := open(cfg, opt)
	if err != nil {
		return nil, err
	}
	if err := a.build(); err != nil {
		return nil, errors.Join(err, a.Close())
	}
	return a, nil
}

// open takes the data folder and builds what needs no network: enough for the
// commands of this machine.
func open(cfg *config.Config, opt Options) (*App, error) {
	if opt.Now == nil {
		opt.Now = time.Now
	}
	a := &App{cfg: cfg, opt: opt, log: opt.Log, started: opt.Now(), metrics: newMetrics(opt.Version)}
	if opt.Fatal == nil {
		a.opt.Fatal = func(err error) {
			a.log.Error().Err(err).Msg("the store failed in a way that leaves the disk's state unknown; ending, to start from what is on the disk")
			os.Exit(3)
		}
	}
	s, err := store.Open(cfg.DataDir, store.Options{
		Now: opt.Now, Fatal: a.opt.Fatal, LowWater: lowWater, Ballast: ballast, AnchorFile: cfg.Ledger.AnchorFile,
	})
	if err != nil {
		return nil, err
	}
	a.store = s
	if err := a.ready(); err != nil {
		return nil, errors.Join(err, s.Close())
	}
	return a, nil
}

func (a *App) ready() error {
	var err error
	if a.key, err = ledgerKey(a.cfg); err != nil {
		return err
	}
	a.judge = newJudge(a.cfg, a.opt.Now)
	a.judge.Failed = func(err error) {
		a.log.Error().Err(err).Str("stage", "pipeline").Msg("a look-up failed; its arrival waits")
	}
	if a.directory, err = newDirectory(a.cfg, a.opt); err != nil {
		return err
	}
	desk := review.Store(a.store)
	if a.directory != nil {
		a.askDirectory(a.directory)
		desk = askingStore{a.store, a.directory}
	}
	if a.desk, err = review.New(review.Settings{
		Store: desk, Judge: a.judge, May: a.cfg.Rules().May, Correct: validate.CorrectReading, Now: a.opt.Now,
	}); err != nil {
		return err
	}
	a.web, err = a.newWeb()
	return err
}

func (a *App) build() error {
	if err := a.importFiles(context.Background()); err != nil {
		return err
	}
	var err error
	var ask func(context.Context, []poct.PatientRef)
	if a.directory != nil {
		ask = a.directory.Fetch
	}
	a.worker, err = pipeline.NewWorker(pipeline.Settings{
		Store: a.store, Ask: ask, Judge: a.judge, Log: a.log.With().Str("stage", "pipeline").Logger(),
		Name: "pipeline-" + strconv.Itoa(os.Getpid()), Decided: a.metrics.decided,
	})
	if err != nil {
		return err
	}
	for _, o := range a.cfg.Outlets {
		w, err := outbound.New(o, outbound.Settings{
			ID: o.ID, Store: a.storeFor(o), Log: a.log.With().Str("outlet", o.ID).Logger(), Now: a.opt.Now,
			Owner: "outlet-" + strconv.Itoa(os.Getpid()), Systems: a.cfg.Registry.IdentifierSystems,
			HTTP: a.opt.HTTPToOutlets, Wake: a.store.Due(o.ID), Answered: a.metrics.answered,
		})
		if err != nil {
			return err
		}
		a.outlets = append(a.outlets, w)
	}
	if a.audits, err = a.newAudits(); err != nil {
		return err
	}
	a.notices, err = notify.New(a.cfg.Notify, notify.Settings{
		Outbox: a.store, Log: a.log.With().Str("stage", "notify").Logger(), Now: a.opt.Now, Secret: secretOf,
	})
	if err != nil {
		return err
	}
	if err := a.notices.Begin(context.Background()); err != nil {
		return err
	}
	a.metrics.reg.MustRegister(&gauges{a})
	if err := a.web.Listen(); err != nil {
		return err
	}
	if a.socket, err = listenSocket(a.cfg.DataDir, commands{a.web, a.store}); err != nil {
		return err
	}
	for i := range a.cfg.Inlets {
		in, err := a.newInlet(&a.cfg.Inlets[i])
		if err != nil {
			return fmt.Errorf("inlet %s: %w", a.cfg.Inlets[i].ID, err)
		}
		a.inlets = append(a.inlets, in)
		if err := in.Listen(); err != nil {
			return fmt.Errorf("inlet %s: %w", in.id, err)
		}
	}
	return nil
}

// Run serves until ctx ends or a part fails, then drains. nil after a stop
// that was asked for.
func (a *App) Run(ctx context.Context) error {
	in := stage{name: "inlets", bound: 15 * time.Second}
	for _, i := range a.inlets {
		in.runs = append(in.runs, runner{"inlet " + i.id, i.Run})
	}
	out := stage{name: "outlets", bound: 30 * time.Second}
	for _, o := range a.outlets {
		out.runs = append(out.runs, runner{"outlet", o.Run})
	}
	supervision := stage{name: "supervision", bound: 10 * time.Second, runs: []runner{{"notify", a.notices.Run}}}
	supervision.runs = append(supervision.runs, a.audits...)
	for _, w := range a.watchers() {
		supervision.runs = append(supervision.runs, runner{"watch " + w.name, w.run})
	}
	if err := a.store.Started(context.WithoutCancel(ctx), a.opt.Version); err != nil { // a stop that comes this early still drains
		return fmt.Errorf("record the start: %w", err)
	}
	a.log.Info().Str("pages", a.URL()).Interface("inlets", a.Listeners()).Msg("running")
	err := runStages(ctx, a.log, []stage{
		in,
		{name: "pipeline", bound: 15 * time.Second, runs: []runner{{"pipeline", a.worker.Run}}},
		out,
		supervision,
		{name: "pages", bound: 10 * time.Second, runs: []runner{{"pages", a.web.Run}, {"command socket", a.socket.Run}}},
		{name: "ledger", bound: 10 * time.Second, runs: []runner{{"ledger", a.seal}}},
	})
	a.log.Info().Msg("stopped")
	return err
}

// seal signs heads as events come, and a last one after everything else ended.
func (a *App) seal(ctx context.Context) error {
	if err := a.store.RunSealer(ctx, a.key, sealEvery, sealMost); err != nil && !errors.Is(err, context.Canceled) {
		return err
	}
	last := context.WithoutCancel(ctx)
	if err := a.store.Stopped(last, a.opt.Version); err != nil {
		return fmt.Errorf("record the stop: %w", err)
	}
	_, err := a.store.Seal(last, a.key)
	return err
}

// Close gives the data folder back. It is safe to call twice.
func (a *App) Close() error {
	if a == nil || !a.closed.CompareAndSwap(false, true) {
		return nil
	}
	var errs []error
	for _, i := range a.inlets {
		errs = append(errs, i.release())
	}
	if a.socket != nil {
		_ = a.socket.ln.Close() // closed already after a run
	}
	errs = append(errs, a.web.Close(), a.store.Close())
	return errors.Join(errs...)
}

// URL of the pages.
func (a *App) URL() string { return a.web.URL() }

// Listeners gives the bound address of each inlet by its id.
func (a *App) Listeners() map[string]string {
	m := map[string]string{}
	for _, i := range a.inlets {
		m[i.id] = i.Addr()
	}
	return m
}

// Account is the sum that must add up.
func (a *App) Account(ctx context.Context) (poct.Account, error) { return a.store.Account(ctx) }

// Registry of this app's metrics.
func (a *App) Registry() *prometheus.Registry { return a.metrics.reg }

func ledgerKey(cfg *config.Config) (*ledger.Key, error) {
	b, err := os.ReadFile(cfg.Ledger.KeyFile)
	if errors.Is(err, os.ErrNotExist) {
		return newLedgerKey(cfg.Ledger)
	}
	if err != nil {
		return nil, fmt.Errorf("read the ledger's key: %w", err)
	}
	key, err := ledger.ParseKey(string(b))
	if err != nil {
		return nil, fmt.Errorf("%s: %w", cfg.Ledger.KeyFile, err)
	}
	if key.Origin() != cfg.Ledger.Origin {
		return nil, fmt.Errorf("%s is the key of ledger %q, the configuration says %q; write ledger.origin as it was, or name another key file",
			cfg.Ledger.KeyFile, key.Origin(), cfg.Ledger.Origin)
	}
	return key, nil
}
