// Package lab is the bench that fault tests stand on: a real daemon in a child
// process on the invented clinic's configuration, the stand-in record system
// in the parent, senders that remember what they were promised, and the
// invariants that end every test.
package lab

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"tidegate/app"
	"tidegate/config"
	"tidegate/poct"
	"tidegate/standin"
	"tidegate/store"
)

// patience bounds each wait; nothing is decided by how long it takes.
const patience = 60 * time.Second

// Lab is one clinic with its record system. The daemon comes and goes.
type Lab struct {
	T      testing.TB
	Dir    string
	Config string
	Cfg    *config.Config
	Setup  standin.Setup
	Day    *standin.Day
	Record *standin.Record
	MLLP   string

	people   []standin.Patient
	controls [][]byte
	binary   string
	env      []string
	serial   atomic.Int64

	mu      sync.Mutex
	acked   map[string][32]byte // message control id -> digest of what was promised to be kept
	again   []unsent
	child   *exec.Cmd
	exited  chan error
	stderr  *bytes.Buffer
	LogText bytes.Buffer // of every child, in order
}

// New writes the clinic's configuration, without the queue inlet, and starts
// the record system. Nothing of the daemon runs yet.
func New(t testing.TB, binary string, env ...string) *Lab {
	t.Helper()
	l := &Lab{T: t, Dir: t.TempDir(), binary: binary, env: env, acked: map[string][32]byte{}}
	var err error
	l.Day, err = standin.NewDay(11, time.Now())
	l.must(err)
	server := httptest.NewUnstartedServer(nil)
	l.MLLP = freeAddr(t)
	l.Setup, err = l.Day.WriteSetup(l.Dir, standin.Ports{
		Web: freeAddr(t), MLLP: l.MLLP, HTTP: freeAddr(t), Record: "http://" + server.Listener.Addr().String() + "/fhir",
	})
	l.must(err)
	l.Config = l.Setup.Config
	l.rewrite(func(line string) string {
		if strings.Contains(line, "id: queue") { // its own server takes a second to start
			return ""
		}
		return line
	})
	l.people = l.Day.Patients()[20:220] // neither training nor merged ones
	l.Record = standin.NewRecord(standin.Options{Token: l.Setup.RecordToken, Patients: l.Day.Patients()})
	server.Config.Handler = http.StripPrefix("/fhir", l.Record)
	server.Start()
	t.Cleanup(func() {
		l.Kill()
		server.CloseClientConnections()
		server.Close()
	})
	var faults []config.Fault
	if l.Cfg, faults = config.Load(l.Config); len(faults) > 0 {
		t.Fatal(faults)
	}
	for _, it := range l.Day.Items {
		if it.Meter == "Q3-0118" && it.Way == standin.MLLP && it.Want.End == "filed" && bytes.Contains(it.Bytes, []byte("\rSPM|")) {
			l.controls = append(l.controls, bytes.ReplaceAll(it.Bytes, []byte("{sent}"), []byte(stamp(time.Now()))))
		}
	}
	return l
}

func (l *Lab) rewrite(change func(line string) string) {
	b, err := os.ReadFile(l.Config)
	l.must(err)
	var out []string
	for _, line := range strings.Split(string(b), "\n") {
		out = append(out, change(line))
	}
	l.must(os.WriteFile(l.Config, []byte(strings.Join(out, "\n")), 0o600))
}

func (l *Lab) must(err error) {
	l.T.Helper()
	if err != nil {
		l.T.Fatal(err)
	}
}

func freeAddr(t testing.TB) string {
	t.Helper()
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer ln.Close()
	return ln.Addr().String()
}

func stamp(t time.Time) string { return t.Format("20060102150405-0700") }

// Start runs the daemon in a child and waits until it takes connections, or
// has ended.
func (l *Lab) Start(env ...string) error {
	l.T.Helper()
	cmd := exec.Command(l.binary, "serve", "--config", l.Config)
	cmd.Env = append(append(os.Environ(), l.env...), env...)
	l.stderr = &bytes.Buffer{}
	cmd.Stderr = l.stderr
	l.must(cmd.Start())
	exited := make(chan error, 1)
	go func() { exited <- cmd.Wait() }()
	l.child, l.exited = cmd, exited
	deadline := time.After(patience)
	tick := time.NewTicker(2 * time.Millisecond)
	defer tick.Stop()
	for {
		if c, err := net.Dial("tcp", l.MLLP); err == nil {
			_ = c.Close()
			return nil
		}
		select {
		case err := <-exited:
			l.child = nil
			l.LogText.Write(l.stderr.Bytes())
			return fmt.Errorf("the daemon ended: %w\n%s", err, l.stderr)
		case <-deadline:
			l.T.Fatalf("the daemon does not come up:\n%s", l.stderr)
		case <-tick.C:
		}
	}
}

// Kill ends the child without any warning.
func (l *Lab) Kill() {
	if l.child == nil {
		return
	}
	_ = l.child.Process.Kill()
	<-l.exited
	l.LogText.Write(l.stderr.Bytes())
	l.child = nil
}

// Stop lets the child drain and returns how it ended.
func (l *Lab) Stop() error {
	_ = l.child.Process.Signal(os.Interrupt)
	return l.Wait()
}

// Wait waits until the child has ended by itself.
func (l *Lab) Wait() error {
	select {
	case err := <-l.exited:
		l.LogText.Write(l.stderr.Bytes())
		l.child = nil
		return err
	case <-time.After(patience):
		l.T.Fatalf("the daemon does not end:\n%s", l.stderr)
		return nil
	}
}

// Result is the next ordinary patient's result, with a control id of its own.
func (l *Lab) Result() (id string, raw []byte) {
	n := l.serial.Add(1)
	p := l.people[int(n)%len(l.people)]
	id = fmt.Sprintf("lab-%d", n)
	at := stamp(time.Now().Add(-3 * time.Minute))
	return id, fmt.Appendf(nil, "MSH|^~\\&|QUILL3|millrace|TIDEGATE|MILLRACE|%s||ORU^R01^ORU_R01|%s|P|2.5.1\r"+
		"PID|1||%s^^^MILLRACE^MR||%s^%s||%s|\rOBR|1||%d^Q3-0118|INR^PT^99QUILL|||%s\r"+
		"OBX|1|NM|34714-6^INR^LN||2.4|{INR}^^UCUM|||||F|||%s||118|QUILL3|Q3-0118^QUILL3|%s\r"+
		"OBX|2|NM|5964-2^PT^LN||28.8|s^^UCUM|||||F|||%s||118|QUILL3|Q3-0118^QUILL3|%s\r"+
		"OBX|3|ST|STRIPLOT^Strip lot^99QUILL||Q2411||||||F\r",
		stamp(time.Now()), id, p.Value, p.Family, p.Given, strings.ReplaceAll(p.BirthDate, "-", ""), 100000+n, at, at, at, at, at)
}

// Controls lets the meter's own controls pass; it must be up.
func (l *Lab) Controls() {
	l.T.Helper()
	c, err := Dial(l.MLLP)
	l.must(err)
	defer c.Close()
	for _, raw := range l.controls {
		answer, err := c.Say(raw)
		l.must(err)
		if !strings.Contains(answer, "MSA|AA|") {
			l.T.Fatalf("a control was answered %q", answer)
		}
	}
}

// Promise remembers that a message was positively acknowledged.
func (l *Lab) Promise(id string, raw []byte) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.acked[id] = sha256.Sum256(raw)
}

// Promises is how many were.
func (l *Lab) Promises() int {
	l.mu.Lock()
	defer l.mu.Unlock()
	return len(l.acked)
}

// Conn speaks MLLP.
type Conn struct{ net.Conn }

// Dial opens a sender's connection.
func Dial(addr string) (*Conn, error) {
	c, err := net.Dial("tcp", addr)
	if err != nil {
		return nil, err
	}
	return &Conn{c}, nil
}

// Say sends one frame and reads its acknowledgement.
func (c *Conn) Say(raw []byte) (string, error) {
	if err := c.SetDeadline(time.Now().Add(20 * time.Second)); err != nil {
		return "", err
	}
	if _, err := c.Write(append(append([]byte{0x0b}, raw...), 0x1c, 0x0d)); err != nil {
		return "", err
	}
	var got []byte
	buf := make([]byte, 2048)
	for !bytes.HasSuffix(got, []byte{0x1c, 0x0d}) {
		n, err := c.Read(buf)
		if err != nil {
			return "", err
		}
		got = append(got, buf[:n]...)
	}
	return string(got), nil
}

// Account asks the running daemon.
func (l *Lab) Account(ctx context.Context) (a poct.Account, err error) {
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, "http://"+l.Cfg.Web.Listen+"/api/v1/account", nil)
	if err != nil {
		return a, err
	}
	req.Header.Set("Authorization", "Bearer "+l.Setup.Tokens["e.moss"])
	res, err := http.DefaultClient.Do(req)
	if err != nil {
		return a, err
	}
	defer res.Body.Close()
	b, err := io.ReadAll(res.Body)
	if err == nil && res.StatusCode != http.StatusOK {
		err = errors.New(res.Status)
	}
	if err == nil {
		err = json.Unmarshal(b, &a)
	}
	return a, err
}

// Rest waits until nothing is under way.
func (l *Lab) Rest() poct.Account {
	l.T.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), 2*patience)
	defer cancel()
	tick := time.NewTicker(10 * time.Millisecond)
	defer tick.Stop()
	var a poct.Account
	for {
		var err error
		if a, err = l.Account(ctx); err == nil && a.Waiting+a.Delivering == 0 {
			return a
		}
		select {
		case <-ctx.Done():
			l.T.Fatalf("it does not come to rest: %+v\n%s", a, l.stderr)
		case <-tick.C:
		}
	}
}

// Invariants ends a test: the daemon is at rest and stopped, what was promised
// is stored with its digest, the account adds up, the record system holds one
// resource for each released analyte and no other, and the ledger verifies.
func (l *Lab) Invariants() {
	t := l.T
	t.Helper()
	a := l.Rest()
	if err := l.Stop(); err != nil {
		t.Errorf("the daemon did not end well: %v\n%s", err, l.stderr)
	}
	if sum := a.Delivered + a.Filed + a.Held + a.Duplicate + a.Ignored + a.Discarded; sum != a.Arrivals || a.Lost != 0 {
		t.Errorf("the account does not add up: %+v", a)
	}
	if a.Held != 0 {
		t.Errorf("%d ordinary results are held", a.Held)
	}
	scan := l.Record.Scan()
	if scan.Duplicates() != 0 {
		t.Errorf("the record system holds %d twins: %v", scan.Duplicates(), scan.Twins)
	}
	if want := int(2 * a.Readings.Delivered); scan.Observations != want {
		t.Errorf("the record system holds %d observations of %d delivered results", scan.Observations, a.Readings.Delivered)
	}
	v, err := app.Verify(context.Background(), l.Cfg, nil)
	if err != nil || !v.Verified {
		t.Errorf("the ledger does not verify: %v %+v", err, v.Faults)
	}
	l.kept()
}

// kept opens the data folder and looks for every promise.
func (l *Lab) kept() {
	t := l.T
	t.Helper()
	s, err := store.Open(l.Cfg.DataDir, store.Options{AnchorFile: l.Cfg.Ledger.AnchorFile})
	l.must(err)
	defer func() { l.must(s.Close()) }()
	holds, err := s.Holds(context.Background(), store.HoldFilter{Open: true})
	l.must(err)
	for _, h := range holds {
		t.Logf("held %s %s: %+v", h.Result, h.Reading.Sequence, h.Problems)
	}
	lost := 0
	for id, digest := range l.acked {
		found := false
		ids, err := s.Find(context.Background(), store.Query{Text: id})
		l.must(err)
		for _, result := range ids {
			tr, err := s.Trace(context.Background(), result)
			l.must(err)
			for _, arrival := range tr.Arrivals {
				a, _, err := s.Arrival(context.Background(), arrival)
				l.must(err)
				found = found || sha256.Sum256(a.Raw) == digest
			}
		}
		if !found {
			lost++
		}
	}
	if lost > 0 {
		t.Errorf("%d of %d acknowledged messages are lost", lost, len(l.acked))
	}
}

// Build compiles the daemon once for a test run, as it is shipped: without
// cgo, with the given build tags.
func Build(dir string, tags ...string) (string, error) {
	binary := filepath.Join(dir, "tidegate")
	args := []string{"build", "-buildvcs=false", "-o", binary}
	if len(tags) > 0 {
		args = append(args, "-tags", strings.Join(tags, ","))
	}
	cmd := exec.Command("go", append(args, "tidegate/cmd/tidegate")...)
	cmd.Env = append(os.Environ(), "CGO_ENABLED=0")
	if out, err := cmd.CombinedOutput(); err != nil {
		return "", fmt.Errorf("build: %w\n%s", err, out)
	}
	return binary, nil
}

type unsent struct {
	id  string
	raw []byte
}

// Unanswered keeps a message whose sender was not answered, to be sent again.
func (l *Lab) Unanswered(id string, raw []byte) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.again = append(l.again, unsent{id, raw})
}

// Next is a message that was not answered before, or a new result.
func (l *Lab) Next() (id string, raw []byte) {
	l.mu.Lock()
	if n := len(l.again); n > 0 {
		m := l.again[n-1]
		l.again = l.again[:n-1]
		l.mu.Unlock()
		return m.id, m.raw
	}
	l.mu.Unlock()
	return l.Result()
}
