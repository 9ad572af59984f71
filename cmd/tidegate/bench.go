package main

import (
	"context"
	"fmt"
	"os"

	"tidegate/bench"
)

type benchCmd struct {
	Dir   string `default:"." type:"existingdir" help:"Where to measure the disk: on the volume of the data folder."`
	Quick bool   `help:"Short: to see that it runs."`
	JSON  bool   `help:"Print JSON."`
}

// Run measures this machine and prints ratios beside their goals. Goals are
// goals: missing one is no failure.
func (c *benchCmd) Run(ctx context.Context, s *streams) error {
	binary, err := os.Executable()
	if err != nil {
		return err
	}
	r, err := bench.Run(ctx, bench.Options{
		Dir: c.Dir, Quick: c.Quick, Binary: binary, Progress: func(step string) { fmt.Fprintln(s.err, step) },
	})
	if err != nil {
		return err
	}
	if c.JSON {
		return printJSON(s.out, r)
	}
	fmt.Fprintf(s.out, "%s, %s; ratios of one run, not a promise\n\n", r.Folder, r.Filesystem)
	fmt.Fprintf(s.out, "%-44s %12s  %-34s %8s  %s\n", "what", "measured", "beside", "ratio", "goal")
	for _, row := range r.Rows {
		bound, met := "at most", "missed"
		if row.AtLeast {
			bound = "at least"
		}
		if row.Met {
			met = "met"
		}
		fmt.Fprintf(s.out, "%-44s %12s  %-34s %8.3g  %s %g, %s\n", row.What, row.Measured, row.Yardstick, row.Ratio, bound, row.Goal, met)
	}
	return nil
}
