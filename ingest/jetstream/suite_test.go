package jetstream_test

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"net/url"
	"sync"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/rs/zerolog"
	"github.com/stretchr/testify/require"

	"tidegate/ingest"
	inlet "tidegate/ingest/jetstream"
	"tidegate/ingest/sourcetest"
	"tidegate/testkit/durable"
)

const (
	largest = 64 << 10
	subject = "results.quill"
)

func config() inlet.Config {
	return inlet.Config{URL: inlet.Embedded, Listen: "127.0.0.1:0", Stream: "RESULTS", Subject: "results.>", Durable: "tidegate", MaxSize: largest}
}

// queue is a stream as a program uses it: it publishes and has the stream's
// acknowledgement. What the inlet answers is that the message leaves the stream.
type queue struct {
	cfg inlet.Config
	dir string // of the embedded server

	mu    sync.Mutex
	conns map[string]*nats.Conn // by address
}

func newQueue(t *testing.T) *queue {
	return &queue{cfg: config(), dir: t.TempDir(), conns: map[string]*nats.Conn{}}
}

func (q *queue) New(t *testing.T, box ingest.Inbox, log io.Writer) sourcetest.Inlet {
	in, err := inlet.New(q.cfg, inlet.Settings{ID: "inlet", Inbox: box, Log: zerolog.New(log), DataDir: q.dir})
	require.NoError(t, err)
	return in
}

func (q *queue) Close() {
	q.mu.Lock()
	defer q.mu.Unlock()
	for at, nc := range q.conns {
		nc.Close()
		delete(q.conns, at)
	}
}

func (q *queue) conn(addr string) (*nats.Conn, error) {
	q.mu.Lock()
	defer q.mu.Unlock()
	if nc := q.conns[addr]; nc != nil && !nc.IsClosed() {
		return nc, nil
	}
	nc, err := nats.Connect(addr, nats.ReconnectWait(50*time.Millisecond))
	if err == nil {
		q.conns[addr] = nc
	}
	return nc, err
}

func (q *queue) Send(ctx context.Context, in sourcetest.Inlet, raw []byte) sourcetest.Answer {
	nc, err := q.conn(in.Addr())
	if err != nil {
		return sourcetest.None
	}
	js, err := jetstream.New(nc)
	if err != nil {
		return sourcetest.None
	}
	tick := time.NewTicker(2 * time.Millisecond)
	defer tick.Stop()
	seq := uint64(0)
	for {
		if seq == 0 { // the inlet makes the stream a moment after it starts
			once, cancel := context.WithTimeout(ctx, time.Second) // it is lost where the server goes away just now
			if ack, err := js.Publish(once, subject, raw, jetstream.WithRetryWait(5*time.Millisecond)); err == nil {
				seq = ack.Sequence
			}
			cancel()
		} else if stream, err := js.Stream(ctx, q.cfg.Stream); err == nil {
			if _, err := stream.GetMsg(ctx, seq); errors.Is(err, jetstream.ErrMsgNotFound) {
				return sourcetest.Positive
			}
		}
		select {
		case <-ctx.Done():
			return sourcetest.None
		case <-tick.C:
			if nc.IsClosed() {
				return sourcetest.None
			}
		}
	}
}

// Half speaks the protocol by hand, since no client sends half a message.
func (q *queue) Half(ctx context.Context, in sourcetest.Inlet, raw []byte) (hangUp func()) {
	u, err := url.Parse(in.Addr())
	if err != nil {
		return func() {}
	}
	c, err := (&net.Dialer{}).DialContext(ctx, "tcp", u.Host)
	if err != nil {
		return func() {}
	}
	_, _ = fmt.Fprintf(c, "CONNECT {\"verbose\":false}\r\nPUB %s %d\r\n%s", subject, len(raw), raw[:len(raw)/2]) // nothing is expected of it
	return func() { _ = c.Close() }
}

func TestConformance(t *testing.T) {
	h := sourcetest.Harness{
		Way:   func(t *testing.T) sourcetest.Way { return newQueue(t) },
		Keeps: true, Largest: largest,
	}
	t.Run("memory", func(t *testing.T) { sourcetest.Run(t, h) })
	h.Keep = func(t *testing.T) sourcetest.Keeper { return durable.Open(t) }
	t.Run("store", func(t *testing.T) { sourcetest.Run(t, h) })
}
