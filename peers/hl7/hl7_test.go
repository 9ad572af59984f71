//go:build peers

package hl7peers

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/rs/zerolog"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidegate/ingest/mllp"
	"tidegate/poct"
	"tidegate/wire/hl7"
)

// inbox keeps arrivals in memory; the message DOWN cannot be stored.
type inbox struct {
	mu       sync.Mutex
	arrivals []poct.Arrival
	notices  []poct.Notice
}

func (b *inbox) Accept(_ context.Context, a poct.Arrival) (poct.Accepted, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if a.ControlID == "DOWN" {
		return poct.Accepted{}, errors.New("store is down")
	}
	b.arrivals = append(b.arrivals, a)
	return poct.Accepted{Arrival: strconv.Itoa(len(b.arrivals))}, nil
}

func (b *inbox) Notice(_ context.Context, n poct.Notice) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.notices = append(b.notices, n)
	return nil
}

func serve(t *testing.T) (port string, b *inbox) {
	t.Helper()
	b = &inbox{}
	l, err := mllp.New(mllp.Config{Listen: "127.0.0.1:0"}, mllp.Settings{ID: "millrace", Inbox: b, Log: zerolog.Nop()})
	require.NoError(t, err)
	require.NoError(t, l.Listen())
	ctx, stop := context.WithCancel(context.Background())
	done := make(chan error)
	go func() { done <- l.Run(ctx) }()
	t.Cleanup(func() { stop(); require.NoError(t, <-done) })
	_, port, _ = strings.Cut(l.Addr(), ":")
	return port, b
}

// understood is one line of a peer's report.
type understood struct {
	Sent  string `json:"sent"`
	Code  string `json:"code"`
	ID    string `json:"id"`
	Error string `json:"error"`
}

// node runs a peer's script.
func node(t *testing.T, script, port string) []understood {
	t.Helper()
	dir := filepath.Dir(script)
	if _, err := os.Stat(filepath.Join(dir, "node_modules")); err != nil {
		t.Fatalf("peers/hl7/%s/node_modules is missing: run ./test.sh, or npm ci in that folder", dir)
	}
	ctx, done := context.WithTimeout(context.Background(), time.Minute)
	defer done()
	cmd := exec.CommandContext(ctx, "node", filepath.Base(script), port)
	cmd.Dir = dir
	var stderr bytes.Buffer
	cmd.Stderr = &stderr
	out, err := cmd.Output()
	require.NoError(t, err, "%s\n%s", out, &stderr)
	var got []understood
	for line := range strings.Lines(string(out)) {
		var u understood
		require.NoError(t, json.Unmarshal([]byte(line), &u), line)
		got = append(got, u)
	}
	return got
}

func TestNodeClients(t *testing.T) {
	for _, script := range []string{"node-hl7-client/send.mjs", "simple-hl7/send.cjs", "hl7v2-net/send.mjs"} {
		t.Run(filepath.Dir(script), func(t *testing.T) {
			port, b := serve(t)
			got := node(t, script, port)
			want := []understood{{Code: "AA", ID: "1"}, {Code: "AR", ID: "2", Error: "200"}, {Code: "AE", ID: "DOWN", Error: "207"}}
			if strings.HasPrefix(script, "simple-hl7") {
				want = append(want, understood{Code: "AR"}) // MSH-7 and later stand two too early: no type that is taken here
			}
			require.Len(t, got, len(want))
			for i := range want {
				assert.Equal(t, want[i].Code, got[i].Code)
				if want[i].ID != "" {
					assert.Equal(t, want[i].ID, got[i].ID)
					assert.Equal(t, want[i].Error, got[i].Error)
				}
			}
			b.mu.Lock()
			defer b.mu.Unlock()
			require.Len(t, b.arrivals, len(want)-1, "all but the one that could not be stored")
			stored := append([]understood{}, got[:2]...)
			stored = append(stored, got[3:]...)
			for i, u := range stored {
				assert.Equal(t, strings.TrimRight(u.Sent, "\r"), strings.TrimRight(string(b.arrivals[i].Raw), "\r"), "the bytes as the peer built them")
			}
			if strings.HasPrefix(script, "hl7v2-net") {
				require.Len(t, b.notices, 1, "it acknowledges our acknowledgements, and we never those")
				assert.Contains(t, b.notices[0].What, "an acknowledgement that nobody waits for")
			} else {
				assert.Empty(t, b.notices)
			}
			m, err := hl7.Parse(b.arrivals[0].Raw)
			require.NoError(t, err)
			orders, faults := m.Orders()
			require.Empty(t, faults)
			require.Len(t, orders, 1)
			assert.Equal(t, "2.4", orders[0].Get("OBX-5").Text())
			assert.Equal(t, "MRN0007", orders[0].Get("PID-3.1").Text())
			assert.Equal(t, "", b.arrivals[0].Fault)
			assert.NotEqual(t, "", b.arrivals[1].Fault)
		})
	}
}

const oru = `MSH|^~\&|QUILL3|MILLRACE|||20240305091330+0100||ORU^R01^ORU_R01|ID|P|2.5.1` + "\r" +
	"PID|1||MRN0007^^^MILLRACE^MR||Testperson^Ada\rOBR|1||17|34714-6^INR^LN\rOBX|1|NM|34714-6^INR^LN||2.4|{INR}|||||F\r"

// python3-hl7's mllp_send ends with 0 whatever the answer says, and takes what
// one recv gives it for the whole answer.
func TestMllpSend(t *testing.T) {
	send := func(t *testing.T, port, text string, args ...string) string {
		t.Helper()
		file := filepath.Join(t.TempDir(), "in")
		require.NoError(t, os.WriteFile(file, []byte(text), 0o600))
		ctx, done := context.WithTimeout(context.Background(), 20*time.Second)
		defer done()
		out, err := exec.CommandContext(ctx, "mllp_send", append(args, "-p", port, "-f", file, "127.0.0.1")...).CombinedOutput()
		require.NoError(t, err, string(out))
		return string(out)
	}
	if _, err := exec.LookPath("mllp_send"); err != nil {
		t.Fatal("mllp_send is missing: run ./test.sh, or install Debian's python3-hl7")
	}
	t.Run("framed", func(t *testing.T) {
		port, b := serve(t)
		ids := []string{"1", "DOWN", "3"}
		var all []byte
		for _, id := range ids {
			all = hl7.AppendFrame(all, []byte(strings.Replace(oru, "|ID|", "|"+id+"|", 1)))
		}
		all = hl7.AppendFrame(all, []byte("hello"))
		out := send(t, port, string(all))
		for _, want := range []string{"MSA|AA|1\r", "MSA|AE|DOWN\r", "MSA|AA|3\r", "MSA|AR\r"} {
			assert.Contains(t, out, want)
		}
		require.Len(t, b.arrivals, 3)
		assert.Equal(t, strings.TrimSuffix(strings.Replace(oru, "|ID|", "|1|", 1), "\r"), string(b.arrivals[0].Raw), "it takes the last CR off")
	})
	t.Run("loose, lines ended by LF", func(t *testing.T) {
		port, b := serve(t)
		text := strings.Replace(oru, "|ID|", "|1|", 1) + strings.Replace(oru, "|ID|", "|2|", 1)
		out := send(t, port, strings.ReplaceAll(text, "\r", "\n"), "--loose")
		assert.Contains(t, out, "MSA|AA|1\r")
		assert.Contains(t, out, "MSA|AA|2\r")
		require.Len(t, b.arrivals, 2)
		assert.Empty(t, b.arrivals[0].Fault)
	})
}

// reader prints what python3-hl7 reads in a message, by path.
const reader = `
import hl7, json, sys
m = hl7.parse(sys.stdin.buffer.read().decode("utf-8"))
out = {}
for p in sys.argv[1:]:
    try:
        out[p] = m.extract_field(*[int(x) if x.isdigit() else x for x in p.split()])
    except Exception as e:
        out[p] = "!" + type(e).__name__
ack = m.create_ack("AA", message_id="T1")
out["ack"] = str(ack.segment("MSA"))
print(json.dumps(out))
`

// Two readers, one message: our values against python3-hl7's.
func TestPythonReadsTheSame(t *testing.T) {
	raw, err := os.ReadFile("../../wire/hl7/testdata/oru_r30.hl7")
	require.NoError(t, err)
	m, err := hl7.Parse(raw)
	require.NoError(t, err)
	// segment, its number, field, repetition, component, subcomponent: all that the message has
	args, ours := []string{"-c", reader}, map[string]string{}
	for i := range m.Len() {
		s := m.Segment(i)
		n := 0
		for k := range i + 1 {
			if m.Segment(k).ID() == s.ID() {
				n++
			}
		}
		for f := 1; f <= s.Len(); f++ {
			if s.ID() == "MSH" && f <= 2 {
				continue // it counts these otherwise
			}
			for r, rep := range s.Field(f).Repetitions() {
				for c, comp := range rep.Components() {
					p := strings.Join([]string{s.ID(), strconv.Itoa(n), strconv.Itoa(f), strconv.Itoa(r), strconv.Itoa(c), "1"}, " ")
					args, ours[p] = append(args, p), comp.Subcomponent(1).Text()
				}
			}
		}
	}
	require.Greater(t, len(ours), 60)
	cmd := exec.Command("/usr/bin/python3", args...)
	cmd.Stdin = bytes.NewReader(raw)
	var stderr bytes.Buffer
	cmd.Stderr = &stderr
	out, err := cmd.Output()
	require.NoError(t, err, stderr.String())
	var theirs map[string]string
	require.NoError(t, json.Unmarshal(out, &theirs))
	assert.Equal(t, "MSA|AA|000123", theirs["ack"])
	delete(theirs, "ack")
	assert.Equal(t, theirs, ours)
}
