package lis

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"sync"
	"testing"

	"github.com/rs/zerolog"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidegate/poct"
)

const (
	ack = "\x06"
	nak = "\x15"
	eot = "\x04"
	enq = "\x05"
)

// An invented message, record by record.
const (
	recH = "H|\\^&|77||quill-7|||||||P|LIS2-A2|20260305091330\r"
	recP = "P|1||MRN0007||Testperson^Ada\r"
	recO = "O|1|S-0001||^^^INR\r"
	recR = "R|1|^^^INR|2.4|{INR}||N||F\r"
	recL = "L|1|N\r"
	all  = recH + recP + recO + recR + recL
)

var errDown = errors.New("store down")

// box is an inbox in memory. fail, if set, decides each Accept before it is
// stored; it may block.
type box struct {
	mu       sync.Mutex
	arrivals []poct.Arrival
	resends  int
	notices  []poct.Notice
	fail     func(context.Context, poct.Arrival) error
	noticed  chan string
	kept     chan struct{}
}

func newBox() *box {
	return &box{noticed: make(chan string, 1000), kept: make(chan struct{}, 1000)}
}

func (b *box) Accept(ctx context.Context, a poct.Arrival) (poct.Accepted, error) {
	b.mu.Lock()
	fail := b.fail
	b.mu.Unlock()
	if fail != nil {
		if err := fail(ctx, a); err != nil {
			return poct.Accepted{}, err
		}
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	for _, old := range b.arrivals {
		if old.Digest == a.Digest && old.Source == a.Source {
			b.resends++
			return poct.Accepted{Resent: true}, nil
		}
	}
	b.arrivals = append(b.arrivals, a)
	b.kept <- struct{}{}
	return poct.Accepted{}, nil
}

func (b *box) Notice(_ context.Context, n poct.Notice) error {
	b.mu.Lock()
	b.notices = append(b.notices, n)
	b.mu.Unlock()
	b.noticed <- n.What
	return nil
}

// failing makes Accept fail from now on, or not any more.
func (b *box) failing(f func(context.Context, poct.Arrival) error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.fail = f
}

func (b *box) down() {
	b.failing(func(context.Context, poct.Arrival) error { return errDown })
}

// raws lists what was stored, with its fault before it.
func (b *box) raws() []string {
	b.mu.Lock()
	defer b.mu.Unlock()
	out := []string{}
	for _, a := range b.arrivals {
		text := string(a.Raw)
		if a.Fault != "" {
			text = a.Fault + ": " + text
		}
		out = append(out, text)
	}
	return out
}

func (b *box) whats() []string {
	b.mu.Lock()
	defer b.mu.Unlock()
	out := []string{}
	for _, n := range b.notices {
		out = append(out, n.What)
	}
	return out
}

func newInlet(t testing.TB, cfg Config, b *box, a Answerer) *Inlet {
	t.Helper()
	if cfg.Listen == "" && cfg.Serial == "" {
		cfg.Listen = "127.0.0.1:0"
	}
	in, err := New(cfg, Settings{ID: "millrace", Inbox: b, Log: zerolog.Nop(), Answerer: a})
	require.NoError(t, err)
	return in
}

// serve runs an inlet until the test ends.
func serve(t *testing.T, cfg Config, b *box) *Inlet {
	t.Helper()
	in := newInlet(t, cfg, b, nil)
	require.NoError(t, in.Listen())
	run(t, in)
	return in
}

func run(t *testing.T, in *Inlet) {
	ctx, stop := context.WithCancel(context.Background())
	done := make(chan error)
	go func() { done <- in.Run(ctx) }()
	t.Cleanup(func() {
		stop()
		require.NoError(t, <-done)
	})
}

// meter is an instrument by hand, on any line.
type meter struct {
	t    testing.TB
	line io.ReadWriter
}

func dial(t *testing.T, in *Inlet) (meter, net.Conn) {
	t.Helper()
	c, err := net.Dial("tcp", in.Addr())
	require.NoError(t, err)
	t.Cleanup(func() { _ = c.Close() })
	return meter{t, c}, c
}

func (m meter) write(s string) {
	m.t.Helper()
	_, err := io.WriteString(m.line, s)
	require.NoError(m.t, err)
}

// answers reads what has to come.
func (m meter) answers(want string) {
	m.t.Helper()
	b := make([]byte, len(want))
	_, err := io.ReadFull(m.line, b)
	require.NoError(m.t, err, "%q was to come", want)
	require.Equal(m.t, want, string(b))
}

func (m meter) ask(s, want string) { m.t.Helper(); m.write(s); m.answers(want) }

// ended: the inlet has hung up without a further word.
func (m meter) ended() {
	m.t.Helper()
	rest, _ := io.ReadAll(m.line)
	assert.Empty(m.t, string(rest))
}

// frame writes a frame by hand; end is ETX or ETB.
func frameEnding(n int, text, end string) string {
	body := fmt.Sprintf("%d%s%s", n%8, text, end)
	sum := 0
	for i := range len(body) {
		sum += int(body[i])
	}
	return fmt.Sprintf("\x02%s%02X\r\n", body, sum%256)
}

func frame(n int, text string) string { return frameEnding(n, text, "\x03") }

// told waits for a notice.
func (b *box) told(t *testing.T, what string) {
	t.Helper()
	got := <-b.noticed
	assert.Contains(t, got, what)
}

func (b *box) waitFor(n int) {
	for range n {
		<-b.kept
	}
}
