package outbound

import (
	"context"
	"encoding/json"
	"errors"
	"math/rand/v2"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/rs/zerolog"
	"github.com/stretchr/testify/require"

	"tidegate/mapping"
	"tidegate/outbound/outlettest"
	"tidegate/poct"
	"tidegate/wire/hl7"
)

// far is the far end of an outlet whose receiver answers with no ids: it keeps
// the messages it took, each once by the name it came under.
type far struct {
	t *testing.T

	mu     sync.Mutex
	bodies [][]byte
	names  []string
	next   outlettest.Break
	down   bool
	met    int // messages that arrived, whatever became of them
}

func (f *far) Break(how outlettest.Break) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if how == outlettest.Down {
		f.down = true
		return
	}
	f.next = how
}

func (f *far) Mend() {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.down = false
}

// meet says how the message that just arrived is to be met.
func (f *far) meet() (how outlettest.Break) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.met++
	if f.down {
		return outlettest.Down
	}
	how, f.next = f.next, ""
	return how
}

// keep takes a message in, once, and tells whether it was new.
func (f *far) keep(name string, body []byte) bool {
	f.mu.Lock()
	defer f.mu.Unlock()
	if i := slices.Index(f.names, name); i >= 0 {
		require.Equal(f.t, string(f.bodies[i]), string(body), "other bytes under one name")
		return false
	}
	f.names, f.bodies = append(f.names, name), append(f.bodies, body)
	return true
}

// Holds reads the messages in the order they were taken.
func (f *far) Holds(n int) []int {
	f.mu.Lock()
	defer f.mu.Unlock()
	return standing(f.t, f.bodies, n)
}

// standing lists the version of result n that stands after these messages.
func standing(t *testing.T, bodies [][]byte, n int) []int {
	value := ""
	for _, body := range bodies {
		if strings.HasPrefix(string(body), "MSH") {
			m, err := hl7.Parse(body)
			require.NoError(t, err)
			if m.Get("OBR-3.1").Text() != mapping.FillerNumber(result(n, "2.1")) {
				continue
			}
			if value = m.Get("OBX-5").Text(); m.Get("OBX-11").Text() == "W" {
				value = ""
			}
			continue
		}
		s, err := readSent(body)
		require.NoError(t, err)
		for _, e := range s.entries {
			r, err := readResource(e.Resource)
			require.NoError(t, err)
			if e.URL != "Observation/"+mapping.StableID(result(n, "2.1"), "inr").String() {
				continue
			}
			require.Equal(t, "PUT", e.Method)
			if value = string(r.Value.Value); r.Status == "entered-in-error" {
				value = ""
			}
		}
	}
	if value == "" {
		return nil
	}
	return []int{int(strings.TrimPrefix(value, "2.")[0] - '0')}
}

func (*far) Outlet() string { return outletID }

func (*far) Result(n, v int) poct.Result {
	if v == 1 {
		return result(n, "2.1")
	}
	return result(n, "2."+string(rune('0'+v)), version(v))
}

func (f *far) settings(store *outlettest.Store, owner string) Settings {
	return Settings{ID: outletID, Store: store, Log: zerolog.Nop(), Now: time.Now, Owner: owner, Systems: systems, Wake: store.Wake(), Rand: rand.New(rand.NewPCG(3, 3))}
}

func (f *far) worker(cfg Config, s Settings, to Destination) *Worker {
	w, err := NewWorker(cfg, s, to)
	require.NoError(f.t, err)
	return w
}

// lab is an HL7 v2 receiver on connections without a network, so that a test's
// clock rules every pause.
type lab struct {
	far
	cfg HL7v2
	// answer replaces how a message is acknowledged; it may say nothing.
	answer func(message hl7.Header, say func(string))
	dials  int
}

func newLab(t *testing.T) *lab {
	return &lab{far: far{t: t}, cfg: HL7v2{Address: "127.0.0.1:2576"}}
}

func (l *lab) config() Config {
	return Config{ID: outletID, Kind: "hl7v2", Sites: []string{"*"}, HL7v2: l.cfg}.WithDefaults()
}

func (l *lab) Worker(store *outlettest.Store, owner string) outlettest.Runner {
	cfg, s := l.config(), l.settings(store, owner)
	to, err := cfg.HL7v2.open(cfg, s)
	require.NoError(l.t, err)
	to.(*hl7Receiver).lines.dial = l.dial
	return l.worker(cfg, s, to)
}

func (l *lab) dial(context.Context) (net.Conn, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.dials++
	if l.down {
		return nil, errors.New("refused")
	}
	ours, theirs := net.Pipe()
	go l.serve(theirs)
	return ours, nil
}

func (l *lab) serve(c net.Conn) {
	defer c.Close()
	frames := hl7.NewFrameReader(c, 1<<20)
	for {
		raw, err := frames.Next()
		if err != nil {
			return
		}
		h, ok := hl7.ReadHeader(raw)
		require.True(l.t, ok)
		say := func(text string) { _ = hl7.WriteFrame(c, []byte(text)) }
		switch l.meet() {
		case outlettest.Down, outlettest.LoseRequest:
			return
		case outlettest.LoseAnswer:
			l.keep(h.ControlID, raw)
			return
		case outlettest.Refuse:
			say(ackOf(h, "AR", "102"))
			continue
		}
		if l.answer != nil {
			l.answer(h, func(text string) {
				if strings.Contains(text, "MSA|AA") || strings.Contains(text, "MSA|CA") {
					l.keep(h.ControlID, raw)
				}
				say(text)
			})
			continue
		}
		l.keep(h.ControlID, raw)
		for _, answer := range hl7.Ack(h, hl7.Answer{Now: time.Now(), NewID: func() string { return "1" }}) {
			say(string(answer))
		}
	}
}

// ackOf is an acknowledgement as some receivers write it: its own ids, another
// version, no last CR.
func ackOf(h hl7.Header, code string, reasons ...string) string {
	text := `MSH|^~\&|LAB|MILLRACE|||20260304||ACK^R01^ACK_R01|ACK|P|2.3` + "\rMSA|" + code + "|" + h.ControlID
	for _, r := range reasons {
		text += "\rERR||PID^1^3|" + r + "|E|||Testperson is not known"
	}
	return text
}

// pool is a JetStream stream in memory.
type pool struct {
	far
	payload string
}

func (p *pool) Worker(store *outlettest.Store, owner string) outlettest.Runner {
	cfg := Config{ID: outletID, Kind: "jetstream", Sites: []string{"*"}, JetStream: JetStream{
		URL: "nats://127.0.0.1:4222", Stream: "RELEASED", Subject: "released.results", Payload: p.payload,
	}}.WithDefaults()
	s := p.settings(store, owner)
	to, err := cfg.JetStream.open(cfg, s)
	require.NoError(p.t, err)
	to.(*queue).to = p
	return p.worker(cfg, s, to)
}

func (p *pool) publish(_ context.Context, m *nats.Msg, id string) (*jetstream.PubAck, error) {
	switch p.meet() {
	case outlettest.Down:
		return nil, errNotSent
	case outlettest.LoseRequest:
		return nil, nats.ErrTimeout
	case outlettest.LoseAnswer:
		p.keep(id, m.Data)
		return nil, nats.ErrTimeout
	case outlettest.Refuse:
		return nil, &jetstream.APIError{Code: 400, ErrorCode: messageTooLarge}
	}
	return &jetstream.PubAck{Stream: "RELEASED", Sequence: 1, Duplicate: !p.keep(id, m.Data)}, nil
}

func (*pool) close() {}

// shelf is a folder that somebody else empties into memory by name.
type shelf struct {
	far
	dir     string
	payload string
	refuse  bool
}

func (s *shelf) Worker(store *outlettest.Store, owner string) outlettest.Runner {
	cfg := Config{ID: outletID, Kind: "folder", Sites: []string{"*"}, Folder: Folder{Path: s.dir, Payload: s.payload}}.WithDefaults()
	settings := s.settings(store, owner)
	to, err := cfg.Folder.open(cfg, settings)
	require.NoError(s.t, err)
	to.(*drop).syncDir = func(dir string) error {
		if s.meet() == outlettest.LoseAnswer {
			return errors.New("the disk did not answer")
		}
		return syncDir(dir)
	}
	return s.worker(cfg, settings, to)
}

// Result of a shelf: what a folder refuses is what cannot be written down.
func (s *shelf) Result(n, v int) poct.Result {
	r := s.far.Result(n, v)
	if s.refuse {
		s.refuse = false
		r.Reading.Measurements[0].Unit = ""
	}
	return r
}

func (s *shelf) Break(how outlettest.Break) {
	switch how {
	case outlettest.Refuse:
		s.refuse = true
	case outlettest.Down, outlettest.LoseRequest:
		require.NoError(s.t, os.Rename(s.dir, s.dir+".away"))
		if how == outlettest.LoseRequest {
			time.AfterFunc(3*time.Second, s.Mend)
		}
	default:
		s.far.Break(how)
	}
}

func (s *shelf) Mend() { require.NoError(s.t, os.Rename(s.dir+".away", s.dir)) }

func (s *shelf) Holds(n int) []int {
	files, err := filepath.Glob(filepath.Join(s.dir, "*"))
	require.NoError(s.t, err)
	slices.Sort(files)
	var bodies [][]byte
	for _, f := range files {
		require.NotEqual(s.t, ".tmp", filepath.Ext(f))
		b, err := os.ReadFile(f)
		require.NoError(s.t, err)
		if s.payload == payloadFHIR {
			require.True(s.t, json.Valid(b))
		}
		bodies = append(bodies, b)
	}
	return standing(s.t, bodies, n)
}

var (
	_ outlettest.Harness = (*lab)(nil)
	_ outlettest.Harness = (*pool)(nil)
	_ outlettest.Harness = (*shelf)(nil)
)
