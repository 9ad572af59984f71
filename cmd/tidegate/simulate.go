package main

import (
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"strconv"
	"strings"
	"time"

	"tidegate/config"
	"tidegate/poct"
	"tidegate/standin"
)

type simulateCmd struct {
	Config     string        `default:"${ownConfig}" placeholder:"FILE" type:"path" help:"The configuration of the test set-up that the fleet sends to; its registry names the meters."`
	Target     []string      `placeholder:"INLET=ADDR" help:"Where an inlet of the configuration is reached, and that only the inlets named are: host:port, a URL or a folder."`
	WriteSetup string        `placeholder:"DIR" help:"Write a complete set-up for a fleet of --meters and --seed into an empty folder, and end."`
	Record     bool          `help:"Serve a stand-in record system where the configuration's FHIR outlet sends to."`
	Meters     int           `default:"40" help:"How many meters, at most."`
	Rate       rate          `default:"20/s" help:"Messages of all meters together: 20/s, 600/m, or max for as fast as they are answered."`
	For        time.Duration `placeholder:"TIME" help:"How long, such as 10m; without --for and --results, one minute."`
	Results    int           `placeholder:"N" help:"How many messages, beside the controls."`
	Seed       uint64        `default:"7" help:"Another seed sends other messages; the same one the same, but for the times."`
	Faults     string        `placeholder:"LIST" help:"What goes wrong with one message in four: ${flaws}, or all."`
	API        string        `placeholder:"ADDR" help:"host:port of the daemon's pages, to ask for its account; without it, its socket in the data folder."`
	TokenFile  string        `placeholder:"FILE" help:"Access token for the account, with --api."`
	Far        bool          `help:"Send to addresses that are not of this machine."`
	JSON       bool          `help:"Print the account as JSON."`
}

// Help says what kong prints below the flags.
func (*simulateCmd) Help() string {
	return "Only against a test set-up: what the fleet sends is invented and ends in whatever record system the daemon delivers to. " +
		"Addresses off this machine, of inlets, outlets and notifications, are refused without --far.\n\n" +
		"The account is compared with the daemon's: exit 1 if a message was lost or doubled. Ctrl-C ends in order, with the account."
}

// rate is messages a second; 0 is no limit.
type rate float64

// UnmarshalText reads 20/s, 600/m or max.
func (r *rate) UnmarshalText(b []byte) error {
	if string(b) == "max" {
		*r = 0
		return nil
	}
	text, per, _ := strings.Cut(string(b), "/")
	n, err := strconv.ParseFloat(text, 64)
	seconds, known := map[string]float64{"": 1, "s": 1, "m": 60, "h": 3600}[per]
	if err != nil || !known || n <= 0 || n > 1e6 {
		return errors.New("is no rate; write it like 20/s, 600/m or max")
	}
	*r = rate(n / seconds)
	return nil
}

// Run writes a set-up, or lets a fleet send and tells what became of it.
func (c *simulateCmd) Run(ctx context.Context, s *streams) error {
	flaws, err := standin.ParseFlaws(c.Faults)
	switch {
	case err != nil:
		return &exit{code: 2, err: err}
	case c.Meters < 1 || c.Meters > 1200:
		return wrongUse("--meters %d; write a number from 1 to 1200", c.Meters)
	case c.Results < 0 || c.For < 0:
		return wrongUse("--results and --for cannot be below 0")
	case c.WriteSetup != "":
		return c.write(s)
	}
	if c.For == 0 && c.Results == 0 {
		c.For = time.Minute
	}
	cfg, err := configFlag{c.Config}.load(s)
	if err != nil {
		return err
	}
	daemon, err := c.daemon(ctx, cfg)
	if err != nil {
		return err
	}
	inlets, err := c.inlets(ctx, s, cfg, daemon)
	if err != nil {
		return err
	}
	if err := c.near(cfg, inlets); err != nil {
		return err
	}
	reg, err := standin.NewFleetRegistry(time.Now(), registryFiles(cfg))
	if err != nil {
		return &exit{code: 2, err: err}
	}
	fleet, notes, err := standin.NewFleet(reg, inlets, standin.FleetOptions{
		Seed: c.Seed, Meters: c.Meters, Rate: float64(c.Rate), Results: c.Results, For: c.For, Flaws: flaws,
	})
	for _, n := range notes {
		fmt.Fprintln(s.err, n)
	}
	if err != nil {
		return &exit{code: 2, err: err}
	}
	record, err := c.record(cfg, reg)
	if err != nil {
		return err
	}
	defer record.close()
	return c.send(ctx, s, fleet, daemon, record)
}

func (c *simulateCmd) write(s *streams) error {
	// A port that is free now: the set-up needs one that stays.
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return fmt.Errorf("find a port for the record system: %w", err)
	}
	record := "http://" + ln.Addr().String() + "/fhir"
	if err := ln.Close(); err != nil {
		return err
	}
	path, err := standin.WriteFleetSetup(c.WriteSetup, c.Seed, c.Meters, time.Now(), record)
	if err != nil {
		return &exit{code: 2, err: err}
	}
	fmt.Fprintf(s.out, "Written: a set-up for %s. Then, in two terminals:\n\n  tidegate serve --config %s\n  tidegate simulate --config %s --record --meters %d\n",
		count(c.Meters, "meter"), path, path, c.Meters)
	return nil
}

// send is the run itself: the fleet works while its progress is shown, then
// the accounts are compared.
func (c *simulateCmd) send(ctx context.Context, s *streams, fleet *standin.Fleet, daemon *daemon, record *fakeRecord) error {
	// What is asked once the run is over is asked after Ctrl-C too.
	after := context.WithoutCancel(ctx)
	before, err := daemon.atRest(after)
	if err != nil {
		return err
	}
	if before != nil && before.Unfinished > 0 {
		fmt.Fprintf(s.err, "the daemon still has %d arrivals from before under way: ends cannot be told apart from theirs\n", before.Unfinished)
	}
	fmt.Fprintf(s.err, "%s:%s\n", count(fleet.Meters(), "meter"), ways(fleet))
	began := time.Now()
	shown := make(chan struct{})
	stop := make(chan struct{})
	go func() {
		defer close(shown)
		tick := time.NewTicker(time.Second)
		defer tick.Stop()
		for {
			select {
			case <-tick.C:
				progress(s, time.Since(began), fleet.Count())
			case <-stop:
				return
			}
		}
	}()
	sent, err := fleet.Run(ctx)
	close(stop)
	<-shown
	progress(s, time.Since(began), fleet.Count())
	fmt.Fprintln(s.err)
	if err != nil {
		return err
	}
	r := simulateReport{FleetReport: sent, Wrong: []string{}, Otherwise: []string{}}
	if err := r.compare(after, daemon, before, record); err != nil {
		return err
	}
	if c.JSON {
		err = printJSON(s.out, r)
	} else {
		r.print(s)
	}
	if err == nil && !r.AddsUp {
		return problems()
	}
	return err
}

func progress(s *streams, since time.Duration, n standin.FleetCount) {
	fmt.Fprintf(s.err, "\r%6s  %d given out, %d done with, %d under way; %d sent again, %d refused, %d lines lost ",
		since.Round(time.Second), n.Planned, n.Answered, n.Planned-n.Answered, n.Resent, n.Refused, n.LostLine)
}

func ways(f *standin.Fleet) string {
	text := ""
	all := f.Ways()
	for _, w := range []standin.Way{standin.MLLP, standin.LIS, standin.POCT1A, standin.HTTP, standin.Folder, standin.Queue} {
		if all[w] > 0 {
			text += fmt.Sprintf(" %d %s", all[w], w)
		}
	}
	return text
}

func registryFiles(cfg *config.Config) (out []standin.RegistryFile) {
	for _, i := range cfg.Registry.Import {
		out = append(out, standin.RegistryFile{Kind: string(i.Kind), Path: i.Path})
	}
	return out
}

// becameOf is the daemon's account as the fleet compares it.
func becameOf(a poct.Account) standin.Became {
	return standin.Became{
		Arrivals: int(a.Arrivals), Resends: int(a.Resends), Lost: int(a.Lost), Unfinished: int(a.Waiting + a.Delivering),
		Ends: map[string]int{
			"delivered": int(a.Delivered), "filed": int(a.Filed), "held": int(a.Held),
			"duplicate": int(a.Duplicate), "ignored": int(a.Ignored), "discarded": int(a.Discarded),
		},
	}
}

// fileText is a secret in a file.
func fileText(path string) (string, error) {
	b, err := os.ReadFile(path)
	return strings.TrimSpace(string(b)), err
}

func flawNames() string {
	var names []string
	for _, f := range standin.Flaws() {
		names = append(names, string(f))
	}
	return strings.Join(names, ", ")
}
