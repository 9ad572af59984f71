package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"

	"tidegate/app"
	"tidegate/poct"
)

type tryCmd struct {
	configFlag
	Inlet string   `required:"" help:"The inlet at which the messages would come in."`
	Paths []string `arg:"" name:"path" help:"Files with messages, judged in the order given; earlier ones count as history for later ones."`
	JSON  bool     `help:"Print a line of JSON for each message."`
}

// Run judges each message on a throw-away copy; exit 1 if any of them would
// not be released.
func (c *tryCmd) Run(ctx context.Context, s *streams) error {
	cfg, err := c.load(s)
	if err != nil {
		return err
	}
	trial, err := app.NewTrial(ctx, cfg, c.Inlet)
	if errors.Is(err, app.ErrNoInlet) {
		return wrongUse("%w", err)
	}
	if err != nil {
		return err
	}
	defer trial.Close()
	all := true
	for _, path := range c.Paths {
		tried, err := trial.File(ctx, path)
		if err != nil {
			return err
		}
		for _, t := range tried {
			all = all && t.Verdict == poct.Release
			if c.JSON {
				err = json.NewEncoder(s.out).Encode(t)
			} else {
				printTried(s, t)
			}
			if err != nil {
				return err
			}
		}
	}
	if !all {
		return problems()
	}
	return nil
}

func printTried(s *streams, t app.Tried) {
	fmt.Fprintf(s.out, "%s  %s\n", t.File, t.Verdict)
	fmt.Fprintf(s.out, "  sha256 %s, profile %s\n", t.SHA256, orDash(t.Profile))
	for _, r := range t.Readings {
		fmt.Fprintf(s.out, "  reading %d: %s %s, meter %s, sequence %s, tested %s", r.Index+1, r.Kind, r.Status, orDash(r.Meter), orDash(r.Sequence), orDash(r.TestedAt.Raw))
		if r.TestedAt.Assumed {
			fmt.Fprintf(s.out, " (zone of the site)")
		}
		fmt.Fprintf(s.out, "\n    patient %s, operator %s, strip lot %s", orDash(r.Patient.ID), orDash(r.Operator), orDash(r.StripLot))
		if r.ControlLot != "" {
			fmt.Fprintf(s.out, ", control %s level %s", r.ControlLot, r.ControlLevel)
		}
		fmt.Fprintln(s.out)
		for _, m := range r.Measurements {
			fmt.Fprintf(s.out, "    %s: sent %q %q -> %s %s, LOINC %s\n", m.Analyte, m.RawValue, m.RawUnit, orDash(m.Value.String()), orDash(m.Unit), m.LOINC)
		}
	}
	printHow(s, t)
	for _, p := range t.Problems {
		fmt.Fprintf(s.out, "  %s  %s %s: %s\n", p.Severity, p.Check, p.Code, p.Text)
		if p.Remedy != "" && p.Because == "" {
			fmt.Fprintf(s.out, "      %s\n", p.Remedy)
		}
	}
	for _, b := range t.Sends {
		fmt.Fprintf(s.out, "  would send to %s: %s\n", b.Outlet, b.Body)
	}
}

// printHow tells of each field where it was read and what it became, then what
// was not read.
func printHow(s *streams, t app.Tried) {
	reading := -1
	for _, e := range t.Explained {
		if e.Field == poct.FieldMessage {
			continue // the problem below says it
		}
		if e.Reading != reading {
			reading = e.Reading
			fmt.Fprintf(s.out, "  how reading %d was read:\n", reading+1)
		}
		fmt.Fprintf(s.out, "    %-14s %s", e.Field, orDash(e.Place))
		if e.To > e.From {
			fmt.Fprintf(s.out, ", bytes %d-%d %q", e.From, e.To, e.Raw)
		}
		fmt.Fprintf(s.out, " -> %s", orDash(e.Became))
		if e.Note != "" {
			fmt.Fprintf(s.out, "  (%s)", e.Note)
		}
		fmt.Fprintln(s.out)
	}
	for _, x := range t.Ignored {
		fmt.Fprintf(s.out, "  not read: %s, bytes %d-%d %q", x.Place, x.From, x.To, x.Raw)
		if x.Times > 1 {
			fmt.Fprintf(s.out, " and %d more like it", x.Times-1)
		}
		fmt.Fprintln(s.out)
	}
}

func orDash(s string) string {
	if s == "" {
		return "-"
	}
	return s
}
