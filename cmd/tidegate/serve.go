package main

import (
	"context"
	"fmt"
	"os"
	"runtime/debug"

	"github.com/rs/zerolog"

	"tidegate/app"
)

type serveCmd struct {
	configFlag
}

// Run starts the daemon and returns after a drained shutdown.
func (c *serveCmd) Run(ctx context.Context, s *streams) error {
	cfg, err := c.load(s)
	if err != nil {
		return err
	}
	if os.Getenv("GOGC") == "" {
		// Little lives long here: half the collections for some twenty megabytes.
		debug.SetGCPercent(200)
	}
	a, err := app.New(cfg, app.Options{Log: logger(s, cfg.LogLevel()), Version: version})
	if err != nil {
		return ownerError(err)
	}
	defer a.Close()
	fmt.Fprintf(s.err, "tidegate: pages at %s\n", a.URL())
	code, until, err := a.FirstCode(ctx)
	if err != nil {
		return err
	}
	if code != "" {
		fmt.Fprintf(s.err, "tidegate: nobody is a user here yet. The first administrator sets a password at %ssign-in/set-password with this code, once, until %s: %s\n",
			a.URL(), until.UTC().Format("2006-01-02 15:04 UTC"), code)
	}
	return a.Run(ctx)
}

// logger writes JSON lines to standard error, so that standard output stays
// for what a command prints.
func logger(s *streams, level zerolog.Level) zerolog.Logger {
	w := s.err
	if w == nil {
		w = os.Stderr
	}
	return zerolog.New(w).Level(level).With().Timestamp().Logger()
}
