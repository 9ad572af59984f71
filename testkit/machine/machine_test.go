//go:build failpoints

package machine

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"

	"tidegate/app"
	"tidegate/testkit"
)

func TestMain(m *testing.M) { testkit.Main(m) }

// begun is a house whose daemon has delivered n tests and stopped.
func begun(t *testing.T, n int) (*testkit.House, *testkit.Load) {
	t.Helper()
	h := testkit.NewHouse(t, testkit.Options{})
	load := testkit.NewLoad(h)
	child := h.Start()
	load.Aim(child)
	load.SendControls()
	h.Rest(child, load.Acked())
	send(t, h, load, child, 0, n)
	h.Rest(child, load.Acked())
	require.NoError(t, child.Stop())
	return h, load
}

func send(t *testing.T, h *testkit.House, load *testkit.Load, to *testkit.Child, from, n int) {
	t.Helper()
	for i := from; i < from+n; i++ {
		m := h.Test(i, "F", "2.4")
		answer, err := testkit.Say(to, m.Raw)
		require.NoError(t, err)
		require.Contains(t, string(answer), "\rMSA|AA|")
		load.Note(m)
	}
}

// TestSecondDaemonIsRefused: the built program exits with 2 and names the
// process that has the folder, which goes on undisturbed.
func TestSecondDaemonIsRefused(t *testing.T) {
	h, load := begun(t, 3)
	child := h.Start()
	binary := filepath.Join(t.TempDir(), "tidegate")
	build := exec.Command("go", "build", "-o", binary, "../../cmd/tidegate")
	build.Env = append(os.Environ(), "CGO_ENABLED=0")
	out, err := build.CombinedOutput()
	require.NoError(t, err, string(out))
	for range 2 {
		out, err = exec.Command(binary, "serve", "--config", h.Setup.Config).CombinedOutput()
		var exit *exec.ExitError
		require.True(t, errors.As(err, &exit), "%v %s", err, out)
		require.Equal(t, 2, exit.ExitCode(), string(out))
		require.Contains(t, string(out), fmt.Sprintf("process %d", child.PID()))
	}
	send(t, h, load, child, 3, 3)
	h.Rest(child, load.Acked())
	require.NoError(t, child.Stop())
	h.Check(load.Acked(), nil)
}

// TestOlderCopyIsRefused: the data folder of yesterday, put back, would let
// results be sent twice and heads be signed twice. The anchor outside it tells.
func TestOlderCopyIsRefused(t *testing.T) {
	h, load := begun(t, 3)
	old := filepath.Join(t.TempDir(), "copy")
	require.NoError(t, os.CopyFS(old, os.DirFS(h.Config.DataDir)))
	child := h.Start()
	load.Aim(child)
	send(t, h, load, child, 3, 3)
	h.Rest(child, load.Acked())
	require.NoError(t, child.Stop())
	h.Check(load.Acked(), nil)

	now := h.Config.DataDir + ".now"
	require.NoError(t, os.Rename(h.Config.DataDir, now))
	require.NoError(t, os.CopyFS(h.Config.DataDir, os.DirFS(old)))
	_, err := testkit.Start(h.Setup.Config)
	require.ErrorContains(t, err, "older")
	_, err = app.New(h.Config, app.Options{})
	require.True(t, app.Refused(err), "%v", err)

	require.NoError(t, os.RemoveAll(h.Config.DataDir))
	require.NoError(t, os.Rename(now, h.Config.DataDir))
	child = h.Start() // the newest copy is taken again
	require.NoError(t, child.Stop())
}

// TestFlippedBitsAreNamed: one bit on the disk turns, in the bytes of an
// arrival, of a sent body, of an event. Verification names each, and is quiet
// about the folder as it was.
func TestFlippedBitsAreNamed(t *testing.T) {
	h, load := begun(t, 6)
	h.Check(load.Acked(), nil)
	db := h.Database()
	var raw, body, payload []byte
	require.NoError(t, db.QueryRow(`SELECT raw FROM arrivals WHERE packed = 0 ORDER BY seq DESC`).Scan(&raw))
	require.NoError(t, db.QueryRow(`SELECT body FROM deliveries WHERE body IS NOT NULL ORDER BY id DESC`).Scan(&body))
	require.NoError(t, db.QueryRow(`SELECT payload FROM events WHERE kind = 'received' ORDER BY idx DESC`).Scan(&payload))
	_, err := db.Exec(`PRAGMA wal_checkpoint(TRUNCATE)`)
	require.NoError(t, err)
	require.NoError(t, db.Close())

	path := filepath.Join(h.Config.DataDir, "tidegate.db")
	whole, err := os.ReadFile(path)
	require.NoError(t, err)
	for name, piece := range map[string][]byte{"arrival": raw[:200], "sent body": body[:200], "event": payload[:min(60, len(payload))]} {
		at := bytes.Index(whole, piece)
		require.Positive(t, at, name)
		for bit := range 8 {
			turned := bytes.Clone(whole)
			turned[at+len(piece)/2] ^= 1 << bit
			require.NoError(t, os.WriteFile(path, turned, 0o600))
			v, err := app.Verify(context.Background(), h.Config, nil)
			require.NoError(t, err)
			require.False(t, v.Verified, "%s, bit %d", name, bit)
			require.NotEmpty(t, v.Faults, "%s, bit %d", name, bit)
		}
	}
	require.NoError(t, os.WriteFile(path, whole, 0o600))
	h.CheckLedger(nil)
}
