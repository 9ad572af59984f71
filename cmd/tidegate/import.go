package main

import (
	"context"
	"fmt"
	"io"
	"net/url"
	"os"
)

type importCmd struct {
	configFlag
	Kind      string `arg:"" enum:"sites,meters,operators,strip_lots,control_lots,patients,visits" help:"sites, meters, operators, strip_lots, control_lots, patients or visits."`
	File      string `arg:"" help:"CSV file with a header line; - for standard input."`
	DryRun    bool   `help:"Say what would change; change nothing."`
	TokenFile string `placeholder:"FILE" help:"Access token of the person who imports; without it the user of this machine."`
	JSON      bool   `help:"Print the report as JSON."`
}

type importReport struct {
	DryRun  bool `json:"dry_run"`
	Added   int  `json:"added"`
	Changed int  `json:"changed"`
	Refused []struct {
		Line   int    `json:"line"`
		Column string `json:"column"`
		Reason string `json:"reason"`
	} `json:"refused"`
}

// Run sends the file to the registry; exit 1 if any line was refused.
func (c *importCmd) Run(ctx context.Context, s *streams) error {
	body, err := readFile(c.File, s.in)
	if err != nil {
		return wrongUse("%w", err)
	}
	cl, err := c.connect(ctx, s, c.TokenFile)
	if err != nil {
		return err
	}
	defer cl.close()
	path := "registry/" + url.PathEscape(c.Kind)
	if c.DryRun {
		path += "?dry_run=true"
	}
	var r importReport
	if err := cl.call(ctx, "POST", path, body, &r); err != nil {
		return err
	}
	if c.JSON {
		if err := printJSON(s.out, r); err != nil {
			return err
		}
	} else {
		for _, l := range r.Refused {
			fmt.Fprintf(s.out, "%s:%d: %s: %s\n", c.File, l.Line, l.Column, l.Reason)
		}
		verb := ""
		if r.DryRun {
			verb = "would be "
		}
		fmt.Fprintf(s.out, "%s: %d %sadded, %d %schanged, %d refused\n", c.Kind, r.Added, verb, r.Changed, verb, len(r.Refused))
	}
	if len(r.Refused) > 0 {
		return problems()
	}
	return nil
}

func readFile(path string, in io.Reader) ([]byte, error) {
	if path == "-" {
		return io.ReadAll(in)
	}
	return os.ReadFile(path)
}
