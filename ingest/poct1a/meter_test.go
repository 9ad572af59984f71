package poct1a

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/rs/zerolog"
	"github.com/stretchr/testify/require"

	"tidegate/poct"
)

// box is an inbox in memory that takes contacts, too.
type box struct {
	mu       sync.Mutex
	down     bool
	arrivals []poct.Arrival
	notices  []poct.Notice
	contacts []poct.Contact
	resends  int
}

var errDown = errors.New("store down")

func (b *box) Accept(_ context.Context, a poct.Arrival) (poct.Accepted, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.down {
		return poct.Accepted{}, errDown
	}
	for _, old := range b.arrivals {
		if old.Digest == a.Digest && old.Source == a.Source {
			b.resends++
			return poct.Accepted{Resent: true}, nil
		}
	}
	b.arrivals = append(b.arrivals, a)
	return poct.Accepted{}, nil
}

func (b *box) Notice(_ context.Context, n poct.Notice) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.notices = append(b.notices, n)
	return nil
}

func (b *box) Contact(_ context.Context, c poct.Contact) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.contacts = append(b.contacts, c)
	return nil
}

func (b *box) noticed() []string {
	b.mu.Lock()
	defer b.mu.Unlock()
	var out []string
	for _, n := range b.notices {
		out = append(out, n.What)
	}
	return out
}

// pipes is a network in memory, so that deadlines run on a bubble's clock.
type pipes struct {
	conns  chan net.Conn
	closed chan struct{}
	once   sync.Once
}

func newPipes() *pipes { return &pipes{conns: make(chan net.Conn), closed: make(chan struct{})} }

func (p *pipes) Accept() (net.Conn, error) {
	select {
	case c := <-p.conns:
		return c, nil
	case <-p.closed:
		return nil, net.ErrClosed
	}
}

func (p *pipes) Close() error   { p.once.Do(func() { close(p.closed) }); return nil }
func (p *pipes) Addr() net.Addr { return &net.TCPAddr{IP: net.IPv4(127, 0, 0, 1), Port: 2577} }

// running is an inlet that runs, over TCP or over pipes.
type running struct {
	t    *testing.T
	in   *Inlet
	p    *pipes // nil: TCP
	stop context.CancelFunc
	done chan error

	conns []net.Conn
}

func run(t *testing.T, cfg Config, set Settings, p *pipes) *running {
	t.Helper()
	cfg.Listen = "127.0.0.1:0"
	set.ID = "ward"
	set.Log = zerolog.Nop()
	in, err := New(cfg, set)
	require.NoError(t, err)
	if p != nil {
		in.net = p
	} else {
		require.NoError(t, in.Listen())
	}
	ctx, stop := context.WithCancel(context.Background())
	r := &running{t: t, in: in, p: p, stop: stop, done: make(chan error, 1)}
	go func() { r.done <- in.Run(ctx) }()
	return r
}

// end hangs up what was dialled over TCP, so that nobody waits for an answer.
func (r *running) end() {
	r.t.Helper()
	for _, c := range r.conns {
		_ = c.Close()
	}
	r.stop()
	require.NoError(r.t, <-r.done)
	require.Empty(r.t, r.in.sessions)
}

// meter speaks by hand.
type meter struct {
	t    *testing.T
	conn net.Conn
	got  []byte
}

func (r *running) dial() *meter {
	r.t.Helper()
	if r.p != nil {
		near, far := net.Pipe()
		r.p.conns <- far
		return &meter{t: r.t, conn: near}
	}
	conn, err := net.Dial("tcp", r.in.Addr())
	require.NoError(r.t, err)
	_ = conn.SetDeadline(time.Now().Add(30 * time.Second))
	r.conns = append(r.conns, conn)
	return &meter{t: r.t, conn: conn}
}

func (m *meter) say(parts ...string) {
	m.t.Helper()
	_, err := io.WriteString(m.conn, strings.Join(parts, ""))
	require.NoError(m.t, err)
}

var whole = regexp.MustCompile(`(?s)^\x0b?<([A-Z]+\.R[0-9]+)>.*?</([A-Z]+\.R[0-9]+)>(\x1c\r)?`)
var value = regexp.MustCompile(` V="([^"]*)"`)

// next reads a document and returns its type and its values behind the header.
func (m *meter) next() string {
	m.t.Helper()
	buf := make([]byte, 4096)
	for {
		if at := whole.FindIndex(m.got); at != nil {
			doc := string(m.got[:at[1]])
			m.got = m.got[at[1]:]
			kind := whole.FindStringSubmatch(doc)[1]
			_, body, _ := strings.Cut(doc, "</HDR>")
			for _, v := range value.FindAllStringSubmatch(body, -1) {
				kind += " " + v[1]
			}
			return kind
		}
		n, err := m.conn.Read(buf)
		if err != nil {
			return "(" + err.Error() + ")"
		}
		m.got = append(m.got, buf[:n]...)
	}
}

// expect reads documents; "(EOF)" is the end of the connection.
func (m *meter) expect(want ...string) {
	m.t.Helper()
	for _, w := range want {
		require.Equal(m.t, w, m.next())
	}
}

// ack acknowledges the inlet's n-th message.
func (m *meter) ack(n int) {
	m.t.Helper()
	m.say(doc("ACK.R01", fmt.Sprint("a", n), fmt.Sprintf(`<ACK><ACK.type_cd V="AA"/><ACK.ack_control_id V="%d"/></ACK>`, n)))
}

func doc(root, id, body string) string {
	return docAt(root, id, "2026-03-05T09:13:00+01:00", body)
}

func docAt(root, id, made, body string) string {
	return fmt.Sprintf(`<%s><HDR><HDR.control_id V="%s"/><HDR.creation_dttm V="%s"/></HDR>%s</%s>`, root, id, made, body, root)
}

func hel(serial string, says ...string) string {
	body := fmt.Sprintf(`<DEV><DEV.serial_id V="%s"/><DSC>`, serial)
	for _, s := range says {
		body += `<DSC.topics_supported_cd V="` + s + `"/><DSC.directives_supported_cd V="` + s + `"/>`
	}
	return doc("HEL.R01", "1", body+`</DSC></DEV>`)
}

func dst(results string) string {
	return doc("DST.R01", "2", `<DST><DST.new_observations_qty V="`+results+`"/><DST.new_events_qty V="0"/></DST>`)
}

func obs(id string) string {
	return doc("OBS.R01", id, `<SVC><SVC.role_cd V="OBS"/><PT><PT.patient_id V="MRN7"/></PT></SVC>`)
}

const (
	eot = `<EOT.R01><HDR><HDR.control_id V="e"/></HDR></EOT.R01>`
	kpa = `<KPA.R01><HDR><HDR.control_id V="k"/></HDR></KPA.R01>`
)
