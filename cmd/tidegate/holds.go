package main

import (
	"context"
	"fmt"
	"net/url"
	"strings"
	"time"

	"tidegate/poct"
	"tidegate/web"
)

type holdsCmd struct {
	configFlag
	Hold      string `arg:"" optional:"" help:"One hold, in full (this look is recorded)."`
	TokenFile string `placeholder:"FILE" help:"Access token of the person who looks; without it the user of this machine."`
	JSON      bool   `help:"Print JSON."`
}

// Run lists what waits; exit 0 also if something does.
func (c *holdsCmd) Run(ctx context.Context, s *streams) error {
	cl, err := c.connect(ctx, s, c.TokenFile)
	if err != nil {
		return err
	}
	defer cl.close()
	if c.Hold != "" {
		return c.one(ctx, cl, s)
	}
	var answer struct {
		Holds []poct.HoldRecord `json:"holds"`
		Next  string            `json:"next"`
	}
	all := []poct.HoldRecord{}
	for path := "holds"; ; path = "holds?after=" + url.QueryEscape(answer.Next) {
		answer.Holds, answer.Next = nil, ""
		if err := cl.call(ctx, "GET", path, nil, &answer); err != nil {
			return err
		}
		all = append(all, answer.Holds...)
		if answer.Next == "" {
			break
		}
	}
	if c.JSON {
		return printJSON(s.out, map[string]any{"holds": all})
	}
	if len(all) == 0 {
		fmt.Fprintln(s.out, "Nothing waits.")
	}
	for _, h := range all {
		mark := " "
		if h.Critical && !h.Called {
			mark = "!"
		}
		fmt.Fprintf(s.out, "%s %s  %-12s %-12s waits %s\n", mark, h.ID, h.Site, h.Reading.Meter, time.Since(h.Opened).Round(time.Minute))
		for _, p := range h.Problems {
			if p.Severity == poct.Hold && p.Because == "" {
				fmt.Fprintf(s.out, "    %s %s: %s\n", p.Check, p.Code, p.Text)
			}
		}
	}
	return nil
}

func (c *holdsCmd) one(ctx context.Context, cl *client, s *streams) error {
	var h poct.HoldRecord
	if err := cl.call(ctx, "GET", "holds/"+url.PathEscape(c.Hold), nil, &h); err != nil {
		return err
	}
	if c.JSON {
		return printJSON(s.out, h)
	}
	fmt.Fprintf(s.out, "hold %s, version %d, result %s, arrival %s\n", h.ID, h.Version, h.Result, h.Arrival)
	for _, p := range h.Problems {
		fmt.Fprintf(s.out, "%s  %s %s: %s\n", p.Severity, p.Check, p.Code, p.Text)
		if p.Remedy != "" {
			fmt.Fprintf(s.out, "      %s\n", p.Remedy)
		}
		if p.Limit != "" {
			fmt.Fprintf(s.out, "      limit: %s\n", p.Limit)
		}
	}
	if h.Settled != nil {
		fmt.Fprintf(s.out, "settled by %s at %s: %s\n", h.Settled.Actor, h.Settled.At.Format(time.RFC3339), h.Settled.Act)
	}
	return nil
}

type settleCmd struct {
	configFlag
	Hold      string            `arg:"" help:"The hold's id."`
	Act       string            `required:"" enum:"correct,release,discard,retry" help:"correct, release, discard or retry (send again; read again)."`
	Set       map[string]string `placeholder:"FIELD=VALUE" help:"What to correct: patient, birth_date, time_offset (seconds), strip_lot, operator, code."`
	Reason    string            `required:"" help:"What you checked, at least 10 characters."`
	Version   int               `help:"The version of the hold that you looked at; without it, the present one."`
	TokenFile string            `required:"" placeholder:"FILE" help:"Your access token: an act needs a named person."`
	JSON      bool              `help:"Print JSON."`
}

// Run does the act; exit 1 if it is not allowed or somebody was faster.
func (c *settleCmd) Run(ctx context.Context, s *streams) error {
	if len([]rune(strings.TrimSpace(c.Reason))) < 10 {
		return wrongUse("say in --reason what you checked, in at least 10 characters")
	}
	cl, err := c.connect(ctx, s, c.TokenFile)
	if err != nil {
		return err
	}
	defer cl.close()
	path := "holds/" + url.PathEscape(c.Hold)
	if c.Version == 0 {
		var h poct.HoldRecord
		if err := cl.call(ctx, "GET", path, nil, &h); err != nil {
			return err
		}
		c.Version = h.Version
	}
	ask := map[string]any{"act": c.Act, "version": c.Version, "changes": c.Set, "reason": c.Reason}
	var after poct.HoldRecord
	if err := cl.call(ctx, "POST", path+"/settle", ask, &after); err != nil {
		return err
	}
	if c.JSON {
		return printJSON(s.out, after)
	}
	return c.tell(ctx, cl, s, after)
}

// tell says what became of the result: on its way, or held anew and why.
func (c *settleCmd) tell(ctx context.Context, cl *client, s *streams, settled poct.HoldRecord) error {
	var t web.PrintedTrace
	if err := cl.call(ctx, "GET", "results/"+url.PathEscape(settled.Result)+"/trace", nil, &t); err != nil {
		return err
	}
	fmt.Fprintf(s.out, "Settled. Result %s is %s, version %d.\n", t.ID, t.State, len(t.Versions))
	for _, h := range t.Holds {
		if !h.Open {
			continue
		}
		fmt.Fprintf(s.out, "It is held again, as %s:\n", h.ID)
		for _, p := range h.Problems {
			if p.Severity == poct.Hold && p.Because == "" {
				fmt.Fprintf(s.out, "    %s %s: %s\n", p.Check, p.Code, p.Text)
			}
		}
	}
	return nil
}
