package testkit

import (
	"context"
	"io"
	"net/http"
	"os"
	"runtime"
	"testing"
	"time"

	"github.com/rs/zerolog"
	"github.com/stretchr/testify/require"

	"tidegate/app"
)

// Here runs the daemon in the test's own process, for tests that put a panic
// into it. Its debug log goes to w. end drains it, sees that goroutines and
// open files are back to what they were (I8), and returns what it ended with.
func (h *House) Here(w io.Writer) (c *Child, end func() error) {
	h.Helper()
	goroutines, files := runtime.NumGoroutine(), openFiles(h)
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
		http.DefaultClient.CloseIdleConnections()
		h.server.CloseClientConnections()
		require.Eventually(h, func() bool {
			asks := 1 // this function has a goroutine of its own
			return runtime.NumGoroutine() <= goroutines+asks && openFiles(h) <= files
		}, 10*time.Second, 10*time.Millisecond, "I8: goroutines or open files are left")
		return ran
	}
}

// openFiles counts this process's descriptors.
func openFiles(t testing.TB) int {
	t.Helper()
	list, err := os.ReadDir("/proc/self/fd")
	require.NoError(t, err)
	return len(list)
}
