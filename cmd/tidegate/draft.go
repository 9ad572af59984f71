package main

import (
	"fmt"
	"os"

	"tidegate/mapping"
)

type draftProfileCmd struct {
	Samples []string `arg:"" name:"sample" help:"Files with messages that a meter really sent: results, controls of each level, errors." type:"existingfile"`
	JSON    bool     `help:"Print the proposals as JSON."`
}

type draftReport struct {
	Proposals []draftProposal `json:"proposals"`
	Refused   []draftRefused  `json:"refused"`
}

type draftProposal struct {
	ID      string          `json:"id"`
	Format  string          `json:"format"`
	Samples []string        `json:"samples"`
	Profile string          `json:"profile"` // YAML, an item of the list profiles
	Unsure  []mapping.Doubt `json:"unsure"`
}

type draftRefused struct {
	File string `json:"file"`
	Why  string `json:"why"`
}

// Run prints a profile for each kind of message among the samples; exit 1 if
// some of them could not be used. Nothing of what patients' messages say is
// printed.
func (c *draftProfileCmd) Run(s *streams) error {
	var samples [][]byte
	for _, path := range c.Samples {
		raw, err := os.ReadFile(path)
		if err != nil {
			return err
		}
		samples = append(samples, mapping.Unframed(raw))
	}
	list, refused := mapping.Draft(samples)
	r := draftReport{Proposals: []draftProposal{}, Refused: []draftRefused{}}
	for _, p := range list {
		out := draftProposal{ID: p.Config.ID, Format: p.Config.Format, Profile: p.YAML(), Unsure: p.Unsure}
		for _, i := range p.From {
			out.Samples = append(out.Samples, c.Samples[i])
		}
		r.Proposals = append(r.Proposals, out)
	}
	for i, path := range c.Samples {
		if why, bad := refused[i]; bad {
			r.Refused = append(r.Refused, draftRefused{File: path, Why: why})
		}
	}
	if c.JSON {
		if err := printJSON(s.out, r); err != nil {
			return err
		}
	} else {
		printDrafts(s, r)
	}
	if len(r.Refused) > 0 {
		return problems()
	}
	return nil
}

func printDrafts(s *streams, r draftReport) {
	if len(r.Proposals) > 0 {
		fmt.Fprintln(s.out, "# Drafted from samples. Read each line against the meter's own display and instructions")
		fmt.Fprintln(s.out, "# before a result goes anywhere; limits are set by the laboratory's director.")
		fmt.Fprintln(s.out, "profiles:")
	}
	unsure := 0
	for _, p := range r.Proposals {
		fmt.Fprint(s.out, p.Profile)
		unsure += len(p.Unsure)
	}
	for _, x := range r.Refused {
		fmt.Fprintf(s.err, "%s: %s\n", x.File, x.Why)
	}
	fmt.Fprintf(s.err, "profiles drafted: %d; to decide, marked unsure: %d\n", len(r.Proposals), unsure)
}
