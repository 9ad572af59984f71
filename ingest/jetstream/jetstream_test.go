package jetstream_test

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"net"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/rs/zerolog"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	inlet "tidegate/ingest/jetstream"
	"tidegate/ingest/sourcetest"
)

const patience = 60 * time.Second

// bench is an inlet on a way in of its own.
type bench struct {
	*queue
	t      *testing.T
	ctx    context.Context
	box    *sourcetest.Inbox
	in     sourcetest.Inlet
	cancel context.CancelFunc
	ended  chan error
}

func begin(t *testing.T, q *queue, box *sourcetest.Inbox, log io.Writer) *bench {
	t.Helper()
	ctx, done := context.WithTimeout(t.Context(), patience)
	b := &bench{queue: q, t: t, ctx: ctx, box: box, in: q.New(t, box, log), ended: make(chan error, 1)}
	require.NoError(t, b.in.Listen())
	run, cancel := context.WithCancel(t.Context())
	b.cancel = cancel
	go func() { b.ended <- b.in.Run(run) }()
	t.Cleanup(func() { b.stop(); q.Close(); done() })
	return b
}

func (b *bench) stop() {
	b.cancel()
	if b.ended != nil {
		require.NoError(b.t, <-b.ended)
		b.ended = nil
	}
}

func (b *bench) js() jetstream.JetStream {
	b.t.Helper()
	nc, err := b.conn(b.in.Addr())
	require.NoError(b.t, err)
	js, err := jetstream.New(nc)
	require.NoError(b.t, err)
	return js
}

// The stream that the inlet makes is on disk, and gives up what is taken: no
// results pile up in it.
func TestStreamMadeHere(t *testing.T) {
	b := begin(t, newQueue(t), sourcetest.NewInbox(), io.Discard)
	for n := range 5 {
		require.Equal(t, sourcetest.Positive, b.Send(b.ctx, b.in, sourcetest.Message(n)))
	}
	stream, err := b.js().Stream(b.ctx, "RESULTS")
	require.NoError(t, err)
	info := stream.CachedInfo()
	assert.Equal(t, jetstream.FileStorage, info.Config.Storage)
	assert.Zero(t, info.State.Msgs)
	for n, a := range b.box.Stored() {
		assert.Equal(t, sourcetest.Message(n), a.Raw)
		assert.Equal(t, fmt.Sprintf("results.quill #%d", n+1), a.Peer)
	}
}

// A message that is none is stored with its fault and leaves the stream.
func TestPoison(t *testing.T) {
	b := begin(t, newQueue(t), sourcetest.NewInbox(), io.Discard)
	require.Equal(t, sourcetest.Positive, b.Send(b.ctx, b.in, nil))
	large := bytes.Repeat([]byte{'x'}, largest+1)
	require.Equal(t, sourcetest.Positive, b.Send(b.ctx, b.in, large))
	require.Equal(t, sourcetest.Positive, b.Send(b.ctx, b.in, []byte{0xff}))
	stored := b.box.Stored()
	require.Len(t, stored, 3)
	assert.Equal(t, "it holds no bytes", stored[0].Fault)
	assert.Contains(t, stored[1].Fault, "larger than 65536 bytes")
	assert.Equal(t, large, stored[1].Raw)
	assert.Empty(t, stored[2].Fault, "what is unreadable is found by those who read")
}

// Messages in a stream that was there before are taken too, in their order,
// and other consumers of it keep theirs.
func TestStreamOfTheUser(t *testing.T) {
	srv := natsServer(t, t.TempDir(), 0)
	nc, err := nats.Connect(srv.ClientURL())
	require.NoError(t, err)
	defer nc.Close()
	js, err := jetstream.New(nc)
	require.NoError(t, err)
	ctx, done := context.WithTimeout(t.Context(), patience)
	defer done()
	_, err = js.CreateStream(ctx, jetstream.StreamConfig{Name: "RESULTS", Subjects: []string{"results.>"}, Storage: jetstream.MemoryStorage})
	require.NoError(t, err)
	for n := range 100 {
		_, err := js.Publish(ctx, subject, sourcetest.Message(n))
		require.NoError(t, err)
	}
	q := newQueue(t)
	q.cfg.URL, q.cfg.Listen = srv.ClientURL(), ""
	var log bytes.Buffer
	b := begin(t, q, sourcetest.NewInbox(), &log)
	require.NoError(t, b.box.AwaitStored(ctx, 100))
	for n, a := range b.box.Stored() {
		require.Equal(t, sourcetest.Message(n), a.Raw)
	}
	b.stop()
	stream, err := js.Stream(ctx, "RESULTS")
	require.NoError(t, err)
	assert.EqualValues(t, 100, stream.CachedInfo().State.Msgs)
	assert.Contains(t, log.String(), "kept in memory")
}

func natsServer(t *testing.T, dir string, port int) *server.Server {
	t.Helper()
	if port == 0 {
		port = server.RANDOM_PORT
	}
	srv, err := server.NewServer(&server.Options{Host: "127.0.0.1", Port: port, JetStream: true, StoreDir: dir, NoSigs: true, NoLog: true})
	require.NoError(t, err)
	srv.Start()
	require.True(t, srv.ReadyForConnections(patience))
	t.Cleanup(func() { srv.Shutdown(); srv.WaitForShutdown() })
	return srv
}

// A server that is away at the start, and away again later, is waited for; one
// line is logged each time, and nothing is lost.
func TestServerComesAndGoes(t *testing.T) {
	dir := t.TempDir()
	port := freePort(t)
	q := newQueue(t)
	q.cfg.URL, q.cfg.Listen = "nats://127.0.0.1:"+strconv.Itoa(port), ""
	lines := newLines()
	b := begin(t, q, sourcetest.NewInbox(), lines)
	lines.await(t, "the stream is away")
	for n := range 3 {
		srv := natsServer(t, dir, port)
		require.Equal(t, sourcetest.Positive, b.Send(b.ctx, b.in, sourcetest.Message(n)))
		srv.Shutdown()
		srv.WaitForShutdown()
	}
	assert.Len(t, b.box.Stored(), 3)
	assert.LessOrEqual(t, lines.count("the stream is away"), 12, "at most one for each way of being away")
}

func freePort(t *testing.T) int {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	defer l.Close() //nolint:errcheck // nothing came over it
	return l.Addr().(*net.TCPAddr).Port
}

// lines gathers a log and tells of each line.
type lines struct {
	got  chan string
	seen []string
}

func newLines() *lines { return &lines{got: make(chan string, 10_000)} }

func (l *lines) Write(p []byte) (int, error) {
	l.got <- string(p)
	return len(p), nil
}

func (l *lines) await(t *testing.T, text string) {
	t.Helper()
	for {
		select {
		case line := <-l.got:
			l.seen = append(l.seen, line)
			if strings.Contains(line, text) {
				return
			}
		case <-time.After(patience):
			t.Fatalf("the log never said %q", text)
		}
	}
}

func (l *lines) count(text string) int {
	for len(l.got) > 0 {
		l.seen = append(l.seen, <-l.got)
	}
	return strings.Count(strings.Join(l.seen, ""), text)
}

// What was handed out and not begun when the inlet ends goes back at once: the
// next one need not wait until the server misses an answer.
func TestGivesBackWhatWasNotBegun(t *testing.T) {
	srv := natsServer(t, t.TempDir(), 0)
	q := newQueue(t)
	q.cfg.URL, q.cfg.Listen, q.cfg.AckWait = srv.ClientURL(), "", time.Hour
	box := sourcetest.NewInbox()
	b := begin(t, q, box, io.Discard)
	require.Equal(t, sourcetest.Positive, b.Send(b.ctx, b.in, sourcetest.Message(0)))
	<-box.Tried
	open := box.Block()
	js := b.js()
	for n := 1; n < 20; n++ {
		_, err := js.Publish(b.ctx, subject, sourcetest.Message(n))
		require.NoError(t, err)
	}
	require.NoError(t, box.AwaitTry(b.ctx)) // of message 1
	b.cancel()
	open()
	b.stop()
	require.Len(t, box.Stored(), 2, "what was begun is finished, and nothing more is begun")
	begin(t, q, box, io.Discard)
	require.NoError(t, box.AwaitStored(b.ctx, 20))
}

// The embedded server says at once that its port is taken.
func TestPortTaken(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	defer l.Close() //nolint:errcheck // nothing came over it
	cfg := config()
	cfg.Listen = l.Addr().String()
	in, err := inlet.New(cfg, inlet.Settings{ID: "queue", Inbox: sourcetest.NewInbox(), Log: zerolog.Nop(), DataDir: t.TempDir()})
	require.NoError(t, err)
	require.ErrorContains(t, in.Listen(), "address already in use")
	require.ErrorContains(t, in.Run(t.Context()), "address already in use")
	require.Empty(t, in.Addr())
}

func TestBoundAndNeverRun(t *testing.T) {
	in, err := inlet.New(config(), inlet.Settings{ID: "queue", Inbox: sourcetest.NewInbox(), Log: zerolog.Nop(), DataDir: t.TempDir()})
	require.NoError(t, err)
	require.NoError(t, in.Listen())
	require.NoError(t, in.Listen())
	require.True(t, strings.HasPrefix(in.Addr(), "nats://127.0.0.1:"))
	require.NoError(t, in.Close())
	require.NoError(t, in.Close())
}

func TestConfig(t *testing.T) {
	require.Empty(t, config().Validate())
	require.Empty(t, inlet.Config{URL: "nats://10.0.0.1:4222, nats://10.0.0.2:4222", Stream: "R", Subject: "r", Durable: "d"}.Validate())
	require.Empty(t, inlet.Config{URL: "tls://nats.millrace.example:4222", Stream: "R", Subject: "r", Durable: "d", CredsFile: "s/creds"}.Validate())
	for _, tt := range []struct {
		key string
		set func(*inlet.Config)
	}{
		{"url", func(c *inlet.Config) { c.URL = "" }},
		{"url", func(c *inlet.Config) { c.URL, c.Listen = "http://127.0.0.1", "" }},
		{"listen", func(c *inlet.Config) { c.Listen = "0.0.0.0:4222" }},
		{"listen", func(c *inlet.Config) { c.Listen = "4222" }},
		{"listen", func(c *inlet.Config) { c.URL = "nats://127.0.0.1:4222" }},
		{"creds_file", func(c *inlet.Config) { c.CredsFile = "s/creds" }},
		{"stream", func(c *inlet.Config) { c.Stream = "a b" }},
		{"subject", func(c *inlet.Config) { c.Subject = "" }},
		{"durable", func(c *inlet.Config) { c.Durable = "a.b" }},
		{"ack_wait", func(c *inlet.Config) { c.AckWait = time.Millisecond }},
		{"max_size", func(c *inlet.Config) { c.MaxSize = 1 << 30 }},
	} {
		c := config()
		tt.set(&c)
		faults := c.Validate()
		require.Len(t, faults, 1, tt.key)
		assert.Equal(t, tt.key, faults[0].Key)
		assert.NotEmpty(t, faults[0].What)
		assert.NotEmpty(t, faults[0].Instead)
	}
	_, err := inlet.New(config(), inlet.Settings{ID: "queue", Inbox: sourcetest.NewInbox()})
	require.ErrorContains(t, err, "data folder")
	_, err = inlet.New(config(), inlet.Settings{ID: "queue", DataDir: "x"})
	require.ErrorContains(t, err, "no inbox")
}
