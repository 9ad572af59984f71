package store

import (
	"bufio"
	"fmt"
	"os"
	"os/exec"
	"strings"
	"syscall"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// TestKilled kills a process that accepts from many senders, in the middle of
// it. Whatever it said yes to is there, and it can be opened at once.
func TestKilled(t *testing.T) {
	if dir := os.Getenv("STORE_KILLED"); dir != "" {
		acceptForever(dir, os.Getenv("STORE_KILLED_ROUND"))
	}
	dir := t.TempDir()
	acked := map[string]string{}
	for round := range 5 {
		cmd := exec.Command(os.Args[0], "-test.run", "^TestKilled$")
		cmd.Env = append(os.Environ(), "STORE_KILLED="+dir, fmt.Sprintf("STORE_KILLED_ROUND=%d", round))
		out, err := cmd.StdoutPipe()
		require.NoError(t, err)
		require.NoError(t, cmd.Start())
		lines := bufio.NewScanner(out)
		for n := 0; lines.Scan(); n++ {
			text, id, ok := strings.Cut(lines.Text(), " ")
			require.True(t, ok, lines.Text())
			acked[text] = id
			if n == 200+77*round {
				require.NoError(t, cmd.Process.Signal(syscall.SIGKILL))
			}
		}
		require.Error(t, cmd.Wait())
	}
	s := openIn(t, dir, Options{})
	for text, id := range acked {
		a, _, err := s.Arrival(ctx, id)
		require.NoError(t, err)
		require.Equal(t, text, string(a.Raw))
	}
	assert.Greater(t, len(acked), 1000)
	a, err := s.Account(ctx)
	require.NoError(t, err)
	assert.Zero(t, a.Lost)
	assert.GreaterOrEqual(t, a.Arrivals, int64(len(acked)))
	verifies(t, s)
}

func acceptForever(dir, round string) {
	s, err := Open(dir, Options{})
	if err != nil {
		fmt.Println(err)
		os.Exit(1)
	}
	for sender := range 16 {
		go func() {
			for i := 0; ; i++ {
				text := fmt.Sprintf("round-%s-sender-%d-message-%d", round, sender, i)
				got, err := s.Accept(ctx, arrival(text))
				if err != nil {
					os.Exit(1)
				}
				fmt.Printf("%s %s\n", text, got.Arrival)
			}
		}()
	}
	select {}
}
