package main

import (
	"context"
	"fmt"
	"net/url"
	"strings"
	"time"

	"tidegate/poct"
)

type outletsCmd struct {
	List   outletsListCmd `cmd:"" default:"withargs" help:"How each outlet does: its backlog, the oldest of it, and who paused it."`
	Pause  pauseCmd       `cmd:"" help:"Keep what is released for an outlet back until it is resumed, also over a restart."`
	Resume resumeCmd      `cmd:"" help:"Let go, in order, what was kept back."`
}

type outletsListCmd struct {
	configFlag
	TokenFile string `placeholder:"FILE" help:"Access token of the person who looks; without it the user of this machine."`
	JSON      bool   `help:"Print JSON."`
}

// Run lists the outlets in the order of the configuration.
func (c *outletsListCmd) Run(ctx context.Context, s *streams) error {
	cl, err := c.connect(ctx, s, c.TokenFile)
	if err != nil {
		return err
	}
	defer cl.close()
	var answer struct {
		Outlets []poct.OutletState `json:"outlets"`
	}
	if err := cl.call(ctx, "GET", "outlets", nil, &answer); err != nil {
		return err
	}
	if c.JSON {
		return printJSON(s.out, answer)
	}
	for _, o := range answer.Outlets {
		printOutlet(s, o)
	}
	return nil
}

func printOutlet(s *streams, o poct.OutletState) {
	waits := "nothing waits"
	if o.Backlog > 0 {
		waits = fmt.Sprintf("%d waiting", o.Backlog)
		if !o.OldestDue.IsZero() {
			waits += fmt.Sprintf(", the oldest for %s", time.Since(o.OldestDue).Round(time.Second))
		}
	}
	fmt.Fprintf(s.out, "%-16s %-10s %-8s %s\n", o.ID, o.Kind, o.State, waits)
	if o.Why != "" {
		fmt.Fprintf(s.out, "    %s, since %s\n", strings.TrimSuffix(o.Why, "."), o.Since.Format(time.RFC3339))
	}
	if !o.NextTry.IsZero() {
		fmt.Fprintf(s.out, "    tried again at %s\n", o.NextTry.Format(time.RFC3339))
	}
}

// turnFlags are what both acts need.
type turnFlags struct {
	configFlag
	Outlet    string `arg:"" help:"The outlet's id."`
	Reason    string `required:"" help:"Why, at least 10 characters."`
	TokenFile string `required:"" placeholder:"FILE" help:"Your access token: an act needs a named person."`
	JSON      bool   `help:"Print JSON."`
}

type (
	pauseCmd  struct{ turnFlags }
	resumeCmd struct{ turnFlags }
)

// Run pauses; exit 1 if it is paused already or the person may not.
func (c *pauseCmd) Run(ctx context.Context, s *streams) error { return c.turn(ctx, s, "pause") }

// Run resumes; exit 1 if it is not paused or the person may not.
func (c *resumeCmd) Run(ctx context.Context, s *streams) error { return c.turn(ctx, s, "resume") }

func (c *turnFlags) turn(ctx context.Context, s *streams, act string) error {
	if len([]rune(strings.TrimSpace(c.Reason))) < 10 {
		return wrongUse("say in --reason why, in at least 10 characters")
	}
	cl, err := c.connect(ctx, s, c.TokenFile)
	if err != nil {
		return err
	}
	defer cl.close()
	var after poct.OutletState
	if err := cl.call(ctx, "POST", "outlets/"+url.PathEscape(c.Outlet)+"/"+act, map[string]string{"reason": c.Reason}, &after); err != nil {
		return err
	}
	if c.JSON {
		return printJSON(s.out, after)
	}
	printOutlet(s, after)
	return nil
}
