package main

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"sort"
	"time"

	"github.com/rs/zerolog"

	"tidegate/app"
	"tidegate/config"
	"tidegate/poct"
	"tidegate/standin"
)

type demoCmd struct {
	Once   bool   `help:"Play the day to its end, print the account, exit 0 only if it adds up."`
	Data   string `placeholder:"DIR" help:"Keep the demo's folder here (it must be empty or missing); else a temporary one, removed at the end."`
	Listen string `placeholder:"ADDR" help:"Address of the pages, loopback only; default 127.0.0.1:8460, or a free port if that is taken; with --once a free port."`
	Seed   uint64 `default:"7" help:"Another seed plays another day."`
	JSON   bool   `help:"With --once: print the account as JSON."`
}

const demoNote = "Everything here is invented: clinics, people, meters, lots, limits. tidegate is not a medical device."

// demoAdmin is the demo's administrator, who signs in by password.
const demoAdmin = "n.kaya"

// Run plays the day against the stand-in record system, through the real
// inlets, while the pages are served.
func (c *demoCmd) Run(ctx context.Context, s *streams) error {
	began := time.Now()
	dir, remove, err := c.folder()
	if err != nil {
		return err
	}
	defer remove()
	d, err := c.start(ctx, s, dir)
	if err != nil {
		return err
	}
	defer d.stop()

	fmt.Fprintln(s.err, demoNote)
	fmt.Fprintf(s.err, "Pages: %s\n", d.app.URL())
	password := rand.Text()
	if err := d.app.FirstAdministrator(ctx, demoAdmin, password); err != nil {
		return err
	}
	fmt.Fprintf(s.err, "  %s administers users and tokens; password %s\n", demoAdmin, password)
	for _, who := range d.actors() {
		fmt.Fprintf(s.err, "  token of %-24s %s\n", who, d.setup.Tokens[who])
	}
	over := 90 * time.Second
	if c.Once {
		over = 0
	}
	if err := d.play(ctx, s, over); err != nil {
		return err
	}
	if ctx.Err() != nil { // stopped in the middle of the day
		return d.stop()
	}
	if !c.Once {
		fmt.Fprintln(s.err, "\nThe day is over. The pages stay until you press Ctrl-C.")
		select {
		case <-ctx.Done():
			return d.stop()
		case err := <-d.ran:
			d.ran <- err
			return err
		}
	}
	if err := d.rest(ctx); err != nil {
		return err
	}
	return c.report(ctx, s, d, began)
}

// folder is where the demo lives, and what clears it away.
func (c *demoCmd) folder() (string, func(), error) {
	if c.Data == "" {
		dir, err := os.MkdirTemp("", "tidegate-demo-")
		if err != nil {
			return "", nil, fmt.Errorf("make a folder for the demo: %w", err)
		}
		return dir, func() { _ = os.RemoveAll(dir) }, nil
	}
	if entries, err := os.ReadDir(c.Data); err == nil && len(entries) > 0 {
		return "", nil, wrongUse("%s is not empty; name a folder that is, or one that does not exist", c.Data)
	}
	dir, err := filepath.Abs(c.Data)
	if err == nil {
		err = os.MkdirAll(dir, 0o700)
	}
	return dir, func() {}, err
}

// demo is a running demo.
type demo struct {
	day    *standin.Day
	setup  standin.Setup
	cfg    *config.Config
	app    *app.App
	record *standin.Record
	duty   *standin.Duty // who is told
	people *standin.People
	server *http.Server
	cancel context.CancelFunc
	ran    chan error
	ended  bool
}

func (c *demoCmd) start(ctx context.Context, s *streams, dir string) (*demo, error) {
	d := &demo{ran: make(chan error, 1)}
	var err error
	if d.day, err = standin.NewDay(c.Seed, time.Now()); err != nil {
		return nil, err
	}
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return nil, fmt.Errorf("listen for the stand-in record system: %w", err)
	}
	const free = "127.0.0.1:0"
	here := "http://" + ln.Addr().String()
	ports := standin.Ports{Web: c.pages(), MLLP: free, HTTP: free, LIS: free, POCT1A: free, Record: here + "/fhir", Notify: here + "/duty"}
	if d.setup, err = d.day.WriteSetup(dir, ports); err != nil {
		return nil, errors.Join(err, ln.Close())
	}
	d.record = standin.NewRecord(standin.Options{Token: d.setup.RecordToken, Patients: d.day.Patients()})
	d.duty = standin.NewDuty(d.setup.NotifyToken)
	mux := http.NewServeMux()
	mux.Handle("/", http.StripPrefix("/fhir", d.record))
	mux.Handle("POST /duty", d.duty)
	d.server = &http.Server{Handler: mux, ReadHeaderTimeout: 10 * time.Second}
	go func() { _ = d.server.Serve(ln) }() // ends with stop
	cfg, faults := config.Load(d.setup.Config)
	if len(faults) > 0 {
		_ = d.server.Close()
		return nil, fmt.Errorf("the demo's own configuration has a fault: %s", faults[0])
	}
	d.cfg = cfg
	level := zerolog.WarnLevel
	if d.app, err = app.New(cfg, app.Options{Log: logger(s, level), Version: version, Group: "Millrace group (invented)"}); err != nil {
		_ = d.server.Close()
		return nil, ownerError(err)
	}
	run, cancel := context.WithCancel(context.WithoutCancel(ctx))
	d.cancel = cancel
	go func() { d.ran <- d.app.Run(run) }()
	return d, nil
}

// pages chooses the address: the usual one if it is free. A day that ends by
// itself takes any, since somebody else may want the usual one meanwhile.
func (c *demoCmd) pages() string {
	if c.Listen != "" {
		return c.Listen
	}
	if c.Once {
		return "127.0.0.1:0"
	}
	const usual = "127.0.0.1:8460"
	ln, err := net.Listen("tcp", usual)
	if err != nil {
		return "127.0.0.1:0"
	}
	_ = ln.Close()
	return usual
}

func (d *demo) actors() []string {
	var names []string
	for _, t := range d.cfg.Web.Tokens {
		names = append(names, t.Actor)
	}
	sort.Strings(names)
	return names
}

func (d *demo) play(ctx context.Context, s *streams, over time.Duration) error {
	at := d.app.Listeners()
	d.people = standin.NewPeople(d.app.URL(), d.setup.Tokens)
	shown := time.Time{}
	_, err := d.day.Play(ctx, standin.Targets{
		MLLP: at["bench"], Drop: d.setup.Drop, NATS: at["queue"], HTTP: "http://" + at["push"] + "/messages",
		HTTPToken: d.setup.PushToken, LIS: at["link"], POCT1A: at["dock"], Record: d.record, People: d.people, Over: over,
		Acted: func(a standin.Act) { fmt.Fprintf(s.err, "\r%-8s %-32s\n", a.Who, a.Story) },
	}, func(done, total int, _ standin.Item, _ string) {
		if done == total || time.Since(shown) > 250*time.Millisecond {
			shown = time.Now()
			fmt.Fprintf(s.err, "\r%4d of %d messages sent", done, total)
		}
	})
	fmt.Fprintln(s.err)
	if err != nil && ctx.Err() == nil {
		return fmt.Errorf("play the day: %w", err)
	}
	return nil
}

// rest waits until nothing is under way and whoever must be told was.
func (d *demo) rest(ctx context.Context) error {
	bounded, cancel := context.WithTimeout(ctx, 60*time.Second)
	defer cancel()
	tick := time.NewTicker(20 * time.Millisecond)
	defer tick.Stop()
	want := d.day.Account()
	for {
		a, err := d.app.Account(bounded)
		told := d.duty.Told()
		if err == nil && a.Waiting+a.Delivering == 0 && a.Arrivals >= int64(want.Arrivals) &&
			told[poct.NotifyCritical] >= want.Criticals && told[poct.NotifyLookBack]+told[poct.NotifyLotRecall] >= want.LookBacks {
			return nil
		}
		select {
		case <-bounded.Done():
			return fmt.Errorf("the day did not come to rest: %d of %d messages in, %d not judged, %d not delivered, told of %v, not of %d critical results and %d look-backs",
				a.Arrivals, want.Arrivals, a.Waiting, a.Delivering, told, want.Criticals, want.LookBacks)
		case err := <-d.ran:
			d.ran <- err
			return err
		case <-tick.C:
		}
	}
}

// stop drains the daemon and ends the record system. It is safe to call twice.
func (d *demo) stop() error {
	if d.ended {
		return nil
	}
	d.ended = true
	d.cancel()
	err := <-d.ran
	return errors.Join(err, d.app.Close(), d.server.Close())
}
