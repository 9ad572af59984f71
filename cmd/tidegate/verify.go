package main

import (
	"context"
	"fmt"
	"os"

	"tidegate/app"
	"tidegate/ledger"
)

type verifyCmd struct {
	Config string `placeholder:"FILE" type:"existingfile" help:"The configuration whose data folder to verify; without it and without a pack, ${ownConfig} in this folder."`
	Pack   string `arg:"" optional:"" type:"existingfile" help:"An exported pack, verified offline."`
	Key    string `placeholder:"FILE" type:"existingfile" help:"The ledger's public key, from a source you trust."`
	JSON   bool   `help:"Print JSON."`
}

// Run recomputes every hash; exit 1 if anything was changed, removed or slipped in.
func (c *verifyCmd) Run(ctx context.Context, s *streams) error {
	var r ledger.Verification
	var err error
	switch {
	case c.Pack != "":
		r, err = c.pack()
	default:
		r, err = c.folder(ctx, s)
	}
	if err != nil {
		return err
	}
	if c.JSON {
		err = printJSON(s.out, r)
	} else {
		for _, f := range r.Faults {
			fmt.Fprintf(s.out, "event %d: %s\n", f.Index, f.What)
		}
		for _, n := range r.Notes {
			fmt.Fprintln(s.out, n)
		}
		word := "verified"
		if !r.Verified {
			word = "NOT verified"
		}
		fmt.Fprintf(s.out, "%s: ledger of %d events, root %s\n", word, r.Size, r.Root)
	}
	if err == nil && !r.Verified {
		return problems()
	}
	return err
}

func (c *verifyCmd) pack() (ledger.Verification, error) {
	f, err := os.Open(c.Pack)
	if err != nil {
		return ledger.Verification{}, wrongUse("%w", err)
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return ledger.Verification{}, err
	}
	key := ""
	if c.Key != "" {
		b, err := os.ReadFile(c.Key)
		if err != nil {
			return ledger.Verification{}, wrongUse("read the key: %w", err)
		}
		key = string(b)
	}
	return ledger.VerifyPack(f, info.Size(), key), nil
}

func (c *verifyCmd) folder(ctx context.Context, s *streams) (ledger.Verification, error) {
	if c.Config == "" {
		c.Config = ownConfig
		if _, err := os.Stat(c.Config); err != nil {
			return ledger.Verification{}, wrongUse("say what to verify: a pack, or --config FILE for its data folder")
		}
	}
	cfg, err := configFlag{Config: c.Config}.load(s)
	if err != nil {
		return ledger.Verification{}, err
	}
	return app.Verify(ctx, cfg, func(done, of int64) { fmt.Fprintf(s.err, "\rverifying %d of %d", done, of) })
}
