package notify_test

import (
	"encoding/json"
	"net"
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/stretchr/testify/require"

	"tidegate/notify"
	"tidegate/poct"
)

const patience = 60 * time.Second

// bus is a real NATS server with its streams on disk, which can go and come
// back on the same port.
type bus struct {
	t      *testing.T
	opts   server.Options
	server *server.Server
}

func newBus(t *testing.T) *bus {
	b := &bus{t: t, opts: server.Options{
		Host: "127.0.0.1", Port: server.RANDOM_PORT, JetStream: true, StoreDir: t.TempDir(), SyncAlways: true, NoSigs: true, NoLog: true,
	}}
	b.begin()
	b.opts.Port = b.server.Addr().(*net.TCPAddr).Port
	t.Cleanup(b.end)
	return b
}

func (b *bus) begin() {
	opts := b.opts // the server writes into them
	s, err := server.NewServer(&opts)
	require.NoError(b.t, err)
	s.Start()
	require.True(b.t, s.ReadyForConnections(patience))
	b.server = s
}

func (b *bus) end() {
	b.server.Shutdown()
	b.server.WaitForShutdown()
}

func (b *bus) url() string { return b.server.ClientURL() }

// stream makes the receiver's stream, or opens it.
func (b *bus) stream(name string) jetstream.Stream {
	b.t.Helper()
	nc, err := nats.Connect(b.url())
	require.NoError(b.t, err)
	b.t.Cleanup(nc.Close)
	js, err := jetstream.New(nc)
	require.NoError(b.t, err)
	s, err := js.CreateOrUpdateStream(b.t.Context(), jetstream.StreamConfig{Name: name, Subjects: []string{"tidegate.>"}})
	require.NoError(b.t, err)
	return s
}

func (b *bus) channel() notify.Config {
	return notify.Config{
		ID: "bus", Kind: notify.JetStream, URL: b.url(), Subject: "tidegate.notices", On: notify.Told, Sites: []string{"*"},
		Timeout: 10 * time.Second, Retry: notify.Retry{First: 10 * time.Millisecond, Max: 50 * time.Millisecond},
	}
}

func (b *bus) messages(s jetstream.Stream) []*jetstream.RawStreamMsg {
	b.t.Helper()
	info, err := s.Info(b.t.Context())
	require.NoError(b.t, err)
	var out []*jetstream.RawStreamMsg
	for seq := info.State.FirstSeq; info.State.Msgs > 0 && seq <= info.State.LastSeq; seq++ {
		m, err := s.GetMsg(b.t.Context(), seq)
		require.NoError(b.t, err)
		out = append(out, m)
	}
	return out
}

// A cursor that was not written after the stream took a notice sends it again,
// and the stream drops it by its id: once in the stream.
func TestStreamTakesEachOnce(t *testing.T) {
	b, o := newBus(t), newOutbox()
	s := b.stream("NOTICES")
	o.failBefore = 2
	w := start(t, settings(t, o), b.channel())
	one, two := note(1, poct.NotifyCritical, "saltmarsh"), note(2, poct.NotifyOutlet, "")
	o.add(one, two)
	require.Equal(t, "bus "+one.ID, <-o.moved)
	require.Equal(t, "bus "+two.ID, <-o.moved)
	got := b.messages(s)
	require.Len(t, got, 2)
	for i, n := range []poct.Notification{one, two} {
		require.Equal(t, "tidegate.notices", got[i].Subject)
		require.Equal(t, n.ID, got[i].Header.Get(nats.MsgIdHdr))
		var body map[string]any
		require.NoError(t, json.Unmarshal(got[i].Data, &body))
		require.Equal(t, n.ID, body["id"])
		require.Equal(t, n.Kind, body["kind"])
		require.Len(t, body, 7)
	}
	require.EqualValues(t, 4, w.Health()[0].Attempts[notify.Sent], "the first one three times")
}

// The server goes, notifications come, the server comes back.
func TestStreamServerComesBack(t *testing.T) {
	b, o := newBus(t), newOutbox()
	b.stream("NOTICES")
	w := start(t, settings(t, o), b.channel())
	o.add(note(1, poct.NotifyCritical, "saltmarsh"))
	<-o.moved
	b.end()
	two := note(2, poct.NotifyCritical, "saltmarsh")
	o.add(two)
	await(t, w, notify.Unreachable)
	require.False(t, w.Health()[0].Up)
	require.Equal(t, two.At, w.Health()[0].Oldest)
	b.begin()
	require.Equal(t, "bus "+two.ID, <-o.moved)
	require.Len(t, b.messages(b.stream("NOTICES")), 2)
}

// Without a stream behind the subject nothing would be kept: not sent, until
// there is one.
func TestSubjectWithoutStream(t *testing.T) {
	b, o := newBus(t), newOutbox()
	w := start(t, settings(t, o), b.channel())
	o.add(note(1, poct.NotifyCritical, "saltmarsh"))
	await(t, w, notify.Misplaced)
	s := b.stream("NOTICES")
	<-o.moved
	require.Len(t, b.messages(s), 1)
}

func TestAnotherStreamThanExpected(t *testing.T) {
	b, o := newBus(t), newOutbox()
	s := b.stream("OTHERS")
	cfg := b.channel()
	cfg.Stream = "NOTICES"
	w := start(t, settings(t, o), cfg)
	o.add(note(1, poct.NotifyCritical, "saltmarsh"))
	await(t, w, notify.Failing)
	require.Contains(t, w.Health()[0].Reason, "expected stream")
	require.Empty(t, b.messages(s))
	require.Empty(t, o.moved)
}
