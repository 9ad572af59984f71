package main

import (
	"fmt"

	"tidegate/config"
)

type checkCmd struct {
	Config string `placeholder:"FILE" type:"existingfile" help:"The configuration file."`
	Schema bool   `help:"Print the JSON schema of the configuration instead."`
	JSON   bool   `help:"Print the findings as JSON."`
}

type checkReport struct {
	OK       bool              `json:"ok"`
	Errors   []config.Fault    `json:"errors"`
	NotAsked []config.NotAsked `json:"not_asked"`
}

// Run validates without starting; exit 1 if there are faults.
func (c *checkCmd) Run(s *streams) error {
	if c.Schema {
		b, err := config.Schema()
		if err != nil {
			return err
		}
		_, err = fmt.Fprintln(s.out, string(b))
		return err
	}
	if c.Config == "" {
		return wrongUse("say which configuration: tidegate check --config FILE (or --schema)")
	}
	cfg, faults := config.Load(c.Config)
	r := checkReport{OK: len(faults) == 0, Errors: faults, NotAsked: []config.NotAsked{}}
	if r.Errors == nil {
		r.Errors = []config.Fault{}
	}
	if cfg != nil && r.OK {
		r.NotAsked = append(r.NotAsked, cfg.NotAsked()...)
	}
	if c.JSON {
		if err := printJSON(s.out, r); err != nil {
			return err
		}
	} else {
		for _, f := range faults {
			fmt.Fprintln(s.out, f)
		}
		for _, n := range r.NotAsked {
			fmt.Fprintf(s.out, "not asked: check %s %s, %s: %s\n", n.Check, n.Code, n.Where, n.Why)
		}
		if r.OK {
			for _, own := range cfg.Rules().Local() {
				fmt.Fprintf(s.out, "own rule: %s (%s): %s\n", own.Code, own.Severity, own.Text)
			}
			fmt.Fprintf(s.out, "%s: no faults\n", c.Config)
		}
	}
	if !r.OK {
		return problems()
	}
	return nil
}
