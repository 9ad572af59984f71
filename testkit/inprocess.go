package testkit

import (
	"context"
	"io"

	"github.com/rs/zerolog"
	"github.com/stretchr/testify/require"

	"tidegate/app"
)

// Here runs the daemon in the test's own process, for tests that put a panic
// into it. Its debug log goes to w. end drains it and returns what it ended
// with.
func (h *House) Here(w io.Writer) (c *Child, end func() error) {
	h.Helper()
	a, err := app.New(h.Config, app.Options{Log: zerolog.New(w).Level(zerolog.DebugLevel), Version: "test"})
	require.NoError(h, err)
	ctx, cancel := context.WithCancel(context.Background())
	c = &Child{addresses: addresses{a.URL(), a.Listeners()}, done: make(chan struct{}), log: &tail{}}
	var ran error
	go func() {
		ran = a.Run(ctx)
		close(c.done)
	}()
	return c, func() error {
		cancel()
		<-c.done
		require.NoError(h, a.Close())
		return ran
	}
}
