package main

import (
	"bufio"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"tidegate/standin"
)

// idleEnv makes this test program the meters' side of TestManyConnections: the
// inlets as JSON. So each side has its own descriptors and memory.
const idleEnv = "TIDEGATE_TEST_IDLE"

// TestIdleMeters is no test of its own: it holds connections until its input ends.
func TestIdleMeters(t *testing.T) {
	spec := os.Getenv(idleEnv)
	if spec == "" {
		t.Skip("the other side of TestManyConnections")
	}
	var ask struct {
		N      int
		Inlets []standin.FleetInlet
	}
	require.NoError(t, json.Unmarshal([]byte(spec), &ask))
	idle, err := standin.HoldIdle(t.Context(), ask.Inlets, ask.N)
	require.NoError(t, err)
	fmt.Println("idle open")
	in := bufio.NewReader(os.Stdin)
	for {
		if _, err := in.ReadString('\n'); err != nil { // the other side has what it wants
			idle.HangUp()
			return
		}
		fmt.Println("idle lost", idle.Lost())
	}
}

// TestManyConnections holds idle meters on MLLP, LIS01 and POCT1-A to one
// daemon: 1,000, or 10,000 within 300 MB with TIDEGATE_LONG. Slow, endless and
// hostile peers are cut off beside them, and harm neither them nor a meter at
// work.
func TestManyConnections(t *testing.T) {
	n := 1000
	if os.Getenv("TIDEGATE_LONG") != "" {
		n = 10000
	}
	var limit unix.Rlimit
	require.NoError(t, unix.Getrlimit(unix.RLIMIT_NOFILE, &limit))
	if limit.Cur = limit.Max; limit.Cur < uint64(n+500) {
		t.Skipf("%d descriptors are allowed here, %d needed", limit.Cur, n+500)
	}
	require.NoError(t, unix.Setrlimit(unix.RLIMIT_NOFILE, &limit))

	s := soak{t: t, dir: t.TempDir()}
	s.simulate("--write-setup", filepath.Join(s.dir, "set"), "--meters", "40")
	path := filepath.Join(s.dir, "set", "tidegate.yaml")
	// Room for all of them, and impatience with what stops in mid-message.
	text, err := os.ReadFile(path)
	require.NoError(t, err)
	changed := regexp.MustCompile(`max_connections: \d+`).ReplaceAllString(string(text), fmt.Sprintf("max_connections: %d", n))
	for _, r := range []struct{ kind, more string }{
		{"mllp", "frame_timeout: 1s, max_frame: 65536"}, {"lis", "link: {frame_time: 1s}, max_message: 65536"}, {"poct1a", "frame_timeout: 1s, answer_timeout: 1s"},
	} {
		changed = strings.Replace(changed, "kind: "+r.kind+",", "kind: "+r.kind+", "+r.more+",", 1)
	}
	require.NoError(t, os.WriteFile(path, []byte(changed), 0o600))

	before := held(t)
	s.start(path)
	// A first short run, so that what is made once is there.
	code, out := s.simulate("--config", path, "--results", "60", "--rate", "max", "--meters", "40", "--seed", "3")
	require.Zero(t, code, out)
	working := settled(t)
	memory := resident(t)
	inlets := s.inlets()

	meters := startIdle(t, n, inlets)
	with := resident(t)
	t.Logf("%d idle connections: %d MB resident, %d bytes more for each", n, with>>20, (with-memory)/int64(n))
	if !underRace { // which keeps several times the memory
		require.Less(t, with, int64(300<<20))
	}
	require.GreaterOrEqual(t, held(t).descriptors, n, "they are connected to this process")

	at := map[standin.Way]string{}
	for _, in := range inlets {
		at[in.Way] = in.Addr
	}
	hostile(t, at)
	code, out = s.simulate("--config", path, "--results", "60", "--rate", "max", "--meters", "40", "--faults", "all", "--json")
	var r simulateReport
	require.NoError(t, json.Unmarshal([]byte(out), &r))
	require.Zero(t, code, "%v", r.Wrong)
	require.Empty(t, r.Otherwise)
	require.Equal(t, "idle lost 0", meters.ask("?"))

	meters.end()
	s.back(working, "a daemon whose idle meters have hung up")
	s.stop()
	s.back(before, "a daemon that was stopped")
}

// inlets of the daemon that runs.
func (s *soak) inlets() (out []standin.FleetInlet) {
	s.t.Helper()
	c := simulateCmd{}
	d, err := c.daemon(s.t.Context(), s.cfg)
	require.NoError(s.t, err)
	require.NotNil(s.t, d)
	out, err = c.inlets(s.t.Context(), &streams{err: io.Discard}, s.cfg, d)
	require.NoError(s.t, err)
	return out
}

// resident is the memory of this process that is in use, in bytes.
func resident(t *testing.T) int64 {
	t.Helper()
	b, err := os.ReadFile("/proc/self/status")
	require.NoError(t, err)
	m := regexp.MustCompile(`VmRSS:\s+(\d+) kB`).FindSubmatch(b)
	require.NotNil(t, m)
	kb, err := strconv.ParseInt(string(m[1]), 10, 64)
	require.NoError(t, err)
	return kb << 10
}

// idleSide is the process with the meters' ends.
type idleSide struct {
	t   *testing.T
	cmd *exec.Cmd
	in  io.WriteCloser
	out *bufio.Scanner
}

func startIdle(t *testing.T, n int, inlets []standin.FleetInlet) *idleSide {
	t.Helper()
	spec, err := json.Marshal(map[string]any{"N": n, "Inlets": inlets})
	require.NoError(t, err)
	self, err := os.Executable()
	require.NoError(t, err)
	p := &idleSide{t: t, cmd: exec.Command(self, "-test.run=^TestIdleMeters$")}
	p.cmd.Env = append(os.Environ(), idleEnv+"="+string(spec))
	p.cmd.Stderr = os.Stderr
	p.in, err = p.cmd.StdinPipe()
	require.NoError(t, err)
	out, err := p.cmd.StdoutPipe()
	require.NoError(t, err)
	p.out = bufio.NewScanner(out)
	require.NoError(t, p.cmd.Start())
	t.Cleanup(func() { _ = p.cmd.Process.Kill() }) // ended long since, unless the test failed
	require.Equal(t, "idle open", p.line())
	return p
}

// line is the next one that the other side says about its connections.
func (p *idleSide) line() string {
	for p.out.Scan() {
		if strings.HasPrefix(p.out.Text(), "idle ") || strings.Contains(p.out.Text(), "FAIL") {
			return p.out.Text()
		}
	}
	return "the other side ended"
}

func (p *idleSide) ask(what string) string {
	p.t.Helper()
	_, err := io.WriteString(p.in, what+"\n")
	require.NoError(p.t, err)
	return p.line()
}

func (p *idleSide) end() {
	p.t.Helper()
	require.NoError(p.t, p.in.Close())
	for p.out.Scan() {
	}
	require.NoError(p.t, p.cmd.Wait())
}

// hostile peers are cut off: each ends by the daemon's hand.
func hostile(t *testing.T, at map[standin.Way]string) {
	t.Helper()
	peers := []struct {
		name    string
		way     standin.Way
		say     string
		endless string
	}{
		{"half a message, then nothing", standin.MLLP, "\x0bMSH|^~\\&|QUILL3|", ""},
		{"a message without end", standin.MLLP, "\x0bMSH|^~\\&|", strings.Repeat("A", 4096)},
		{"a record without end", standin.LIS, "\x05\x021H|\\^&|", strings.Repeat("A", 4096)},
		{"no hello", standin.POCT1A, "", ""},
		{"half a document, then nothing", standin.POCT1A, "<HEL.R01><HDR>", ""},
		{"nested without end", standin.POCT1A, "", "<a>"},
		{"a document type", standin.POCT1A, `<!DOCTYPE a [<!ENTITY b "c">]><a>&b;</a>`, ""},
	}
	var all sync.WaitGroup
	for _, p := range peers {
		all.Go(func() {
			c, err := net.Dial("tcp", at[p.way])
			if err != nil {
				t.Error(p.name, err)
				return
			}
			defer c.Close()
			_ = c.SetDeadline(time.Now().Add(60 * time.Second)) // fails only on a closed connection
			_, err = io.WriteString(c, p.say)
			for p.endless != "" && err == nil {
				_, err = io.WriteString(c, p.endless)
			}
			_, err = io.Copy(io.Discard, c)
			if errors.Is(err, os.ErrDeadlineExceeded) {
				t.Errorf("%s: was not cut off", p.name)
			}
		})
	}
	all.Wait()
}
