//go:build failpoints

package machine

import (
	"bufio"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidegate/testkit"
)

// TestFailedSyncEndsTheProcess: from one moment on the kernel fails every
// sync. Nothing is acknowledged, the process ends with 3, and the next one
// takes the resend.
func TestFailedSyncEndsTheProcess(t *testing.T) {
	strace, err := exec.LookPath("strace")
	if err != nil {
		t.Skip("strace is not installed")
	}
	h, load := begun(t, 3)
	child := h.Start()
	tracer := exec.Command(strace, "-f", "-p", strconv.Itoa(child.PID()), "-e", "trace=fsync,fdatasync",
		"-e", "inject=fsync,fdatasync:error=EIO:when=1+")
	said, err := tracer.StderrPipe()
	require.NoError(t, err)
	require.NoError(t, tracer.Start())
	lines := bufio.NewScanner(said)
	require.True(t, lines.Scan(), "strace said nothing")
	require.Contains(t, lines.Text(), "attached")
	go func() {
		for lines.Scan() { // until the traced process has ended
		}
	}()
	m := h.Test(3, "F", "2.4")
	answer, err := testkit.Say(child, m.Raw)
	if err == nil {
		require.NotContains(t, string(answer), "|AA|", "acknowledged without a sync")
	}
	<-child.Done()
	require.Equal(t, 3, child.Exit(), child.Log())
	_ = tracer.Wait() // its status is that of the traced process

	child = h.Start()
	send(t, h, load, child, 3, 2)
	h.Rest(child, load.Acked())
	require.NoError(t, child.Stop())
	h.Check(load.Acked(), nil)
}

// TestFullDisk: below the low-water mark nothing is taken and everything can
// be read; a full volume does not keep a killed daemon from starting; with
// room again it goes on by itself.
func TestFullDisk(t *testing.T) {
	if os.Getuid() != 0 {
		t.Skip("only root may mount a volume of its own")
	}
	volume := t.TempDir()
	if out, err := exec.Command("mount", "-t", "tmpfs", "-o", "size=160m", "tmpfs", volume).CombinedOutput(); err != nil {
		t.Skipf("no volume of its own: %v %s", err, out)
	}
	t.Cleanup(func() { _ = syscall.Unmount(volume, syscall.MNT_DETACH) })
	h := testkit.NewHouse(t, testkit.Options{Dir: filepath.Join(volume, "clinic")})
	load := testkit.NewLoad(h)
	child := h.Start()
	load.Aim(child)
	load.SendControls()
	send(t, h, load, child, 0, 3)
	h.Rest(child, load.Acked())

	fill(t, volume, 32<<20)
	until(t, child, func() bool {
		answer, err := testkit.Say(child, h.Test(900, "F", "2.4").Raw)
		if err == nil && strings.Contains(string(answer), "|AA|") { // the look at free space is not older than a quarter second
			load.Note(h.Test(900, "F", "2.4"))
			return false
		}
		return err == nil && strings.Contains(string(answer), "|AE|")
	})
	status, _, err := h.Post(child, h.Test(901, "F", "2.4").Raw)
	require.NoError(t, err)
	require.Equal(t, http.StatusServiceUnavailable, status)
	for _, path := range []string{"account", "holds", "meters"} {
		status, body, err := h.Ask(child, "c.hale", http.MethodGet, path, nil)
		require.NoError(t, err)
		require.Equal(t, http.StatusOK, status, "%s: %s", path, body)
	}
	fill(t, volume, 0)
	answer, err := testkit.Say(child, h.Test(902, "F", "2.4").Raw)
	require.NoError(t, err)
	require.Contains(t, string(answer), "|AE|")

	child.Kill()
	child = h.Start() // on a volume that is full to the brim
	answer, err = testkit.Say(child, h.Test(902, "F", "2.4").Raw)
	require.NoError(t, err)
	require.Contains(t, string(answer), "|AE|")
	for _, name := range fillers(t, volume) {
		require.NoError(t, os.Remove(name))
	}
	m := h.Test(902, "F", "2.4")
	until(t, child, func() bool {
		answer, err := testkit.Say(child, m.Raw)
		return err == nil && strings.Contains(string(answer), "|AA|")
	})
	load.Note(m)
	send(t, h, load, child, 3, 3)
	h.Rest(child, load.Acked())
	require.NoError(t, child.Stop())
	h.Check(load.Acked(), nil)
}

// fill leaves this many bytes of a volume free.
func fill(t *testing.T, volume string, leave int64) {
	t.Helper()
	f, err := os.Create(filepath.Join(volume, "filler-"+strconv.FormatInt(leave, 10)))
	require.NoError(t, err)
	defer f.Close()
	chunk := make([]byte, 64<<10)
	for {
		var st syscall.Statfs_t
		require.NoError(t, syscall.Statfs(volume, &st))
		free := int64(st.Bavail) * int64(st.Bsize)
		if free <= leave {
			return
		}
		if _, err := f.Write(chunk[:min(int64(len(chunk)), free-leave)]); err != nil {
			return // the daemon took the rest
		}
	}
}

func fillers(t *testing.T, volume string) []string {
	t.Helper()
	names, err := filepath.Glob(filepath.Join(volume, "filler-*"))
	require.NoError(t, err)
	return names
}

// until tries until it is so, for at most 20 s.
func until(t *testing.T, child *testkit.Child, so func() bool) {
	t.Helper()
	patience := time.NewTimer(20 * time.Second)
	defer patience.Stop()
	look := time.NewTicker(20 * time.Millisecond)
	defer look.Stop()
	for !so() {
		select {
		case <-look.C:
		case <-child.Done():
			t.Fatalf("the daemon ended:\n%s", child.Log())
		case <-patience.C:
			t.Fatal("not within 20 s")
		}
	}
}
