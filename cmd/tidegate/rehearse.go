package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"slices"
	"strconv"
	"strings"
	"time"

	"tidegate/app"
	"tidegate/poct"
)

type rehearseCmd struct {
	Config string `required:"" placeholder:"NEW" help:"The configuration to rehearse; its data_dir says which stored arrivals."`
	Since  string `default:"30d" placeholder:"SPAN" help:"How far back: a span such as 30d or 12h, or a date such as 2026-10-01."`
	List   int    `default:"5" placeholder:"N" help:"How many results to name for each kind of change."`
	JSON   bool   `help:"Print the whole as JSON."`
}

// Run judges stored arrivals again and prints what would change. It exits 0
// also where much changes: that is what one wanted to know.
func (c *rehearseCmd) Run(ctx context.Context, s *streams) error {
	since, err := parseSince(c.Since, time.Now())
	if err != nil {
		return wrongUse("%w", err)
	}
	cfg, err := configFlag{Config: c.Config}.load(s)
	if err != nil {
		return err
	}
	r, err := app.Rehearse(ctx, cfg, since, c.List, rehearsed(s))
	if errors.Is(err, fs.ErrNotExist) {
		return wrongUse("%s holds no data folder yet; name a configuration whose data_dir has stored arrivals", cfg.DataDir)
	}
	if err != nil {
		return err
	}
	if c.JSON {
		return json.NewEncoder(s.out).Encode(r)
	}
	printRehearsal(s, r)
	return nil
}

// rehearsed tells how far the work is, on standard error.
func rehearsed(s *streams) func(done, of int) {
	last := time.Time{}
	return func(done, of int) {
		if now := time.Now(); now.Sub(last) >= time.Second || done == of {
			last = now
			fmt.Fprintf(s.err, "judged %d of %d arrivals\n", done, of)
		}
	}
}

// parseSince reads a span counted back from now, in days or as Go writes
// durations, or a date.
func parseSince(text string, now time.Time) (time.Time, error) {
	if days, ok := strings.CutSuffix(text, "d"); ok {
		if n, err := strconv.Atoi(days); err == nil && n > 0 && n < 100_000 {
			return now.AddDate(0, 0, -n), nil
		}
	}
	if d, err := time.ParseDuration(text); err == nil && d > 0 {
		return now.Add(-d), nil
	}
	if t, err := time.ParseInLocation(time.DateOnly, text, time.Local); err == nil {
		return t, nil
	}
	return time.Time{}, fmt.Errorf("--since %q is no span and no date; write 30d, 12h or 2026-10-01", text)
}

func printRehearsal(s *streams, r app.Rehearsal) {
	fmt.Fprintf(s.out, "%d arrivals since %s, %d readings: %d would get the verdict they got, %d another one.\n",
		r.Arrivals, r.Since.Format("2006-01-02 15:04"), r.Readings, r.Same, r.Changed)
	if r.Marked > 0 {
		fmt.Fprintf(s.out, "Of those with the same verdict, %d would carry other flags or problems.\n", r.Marked)
	}
	for _, inlet := range slices.Sorted(maps.Keys(r.LeftOut)) {
		fmt.Fprintf(s.out, "Left out: %d arrivals of inlet %s, which this configuration does not have.\n", r.LeftOut[inlet], inlet)
	}
	for _, g := range r.Groups {
		fmt.Fprintf(s.out, "\n%6d  %s instead of %s\n", g.Count, verdictWord(g.Would), verdictWord(g.Was))
		if len(g.Now) > 0 {
			fmt.Fprintf(s.out, "        now: %s\n", strings.Join(g.Now, ", "))
		}
		if len(g.NoMore) > 0 {
			fmt.Fprintf(s.out, "        no longer: %s\n", strings.Join(g.NoMore, ", "))
		}
		if g.Because != "" {
			fmt.Fprintf(s.out, "        such as: %s\n", g.Because)
		}
		var sites []string
		for _, site := range slices.Sorted(maps.Keys(g.Sites)) {
			sites = append(sites, fmt.Sprintf("%s %d", site, g.Sites[site]))
		}
		fmt.Fprintf(s.out, "        at: %s\n", strings.Join(sites, ", "))
		for _, id := range g.IDs {
			fmt.Fprintf(s.out, "        %s\n", id)
		}
	}
	fmt.Fprintln(s.out, "\nNothing was changed. History is taken as it was; limits are set by the laboratory's director.")
}

func verdictWord(v poct.Verdict) string {
	if v == "" {
		return "no reading"
	}
	return string(v)
}
