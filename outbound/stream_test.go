package outbound

import (
	"context"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/stretchr/testify/require"

	"tidegate/mapping"
	"tidegate/outbound/outlettest"
	"tidegate/poct"
)

// river is a real JetStream server on this machine, with one stream.
type river struct {
	*server.Server
	js jetstream.JetStream
}

func newRiver(t *testing.T, dir string, port int) *river {
	t.Helper()
	s, err := server.NewServer(&server.Options{Host: "127.0.0.1", Port: port, JetStream: true, StoreDir: dir, SyncAlways: true, NoSigs: true, NoLog: true})
	require.NoError(t, err)
	s.Start()
	t.Cleanup(func() { s.Shutdown(); s.WaitForShutdown() })
	require.True(t, s.ReadyForConnections(30*time.Second))
	nc, err := nats.Connect(s.ClientURL(), nats.NoReconnect())
	require.NoError(t, err)
	t.Cleanup(nc.Close)
	js, err := jetstream.New(nc)
	require.NoError(t, err)
	return &river{s, js}
}

func (r *river) stream(t *testing.T, name string, most int32) {
	t.Helper()
	_, err := r.js.CreateStream(t.Context(), jetstream.StreamConfig{Name: name, Subjects: []string{"released." + strings.ToLower(name)}, MaxMsgSize: most})
	require.NoError(t, err)
}

func (r *river) messages(t *testing.T, name string) uint64 {
	t.Helper()
	s, err := r.js.Stream(t.Context(), name)
	require.NoError(t, err)
	info, err := s.Info(t.Context())
	require.NoError(t, err)
	return info.State.Msgs
}

func (r *river) outlet(t *testing.T, stream, subject string) Destination {
	t.Helper()
	cfg := Config{ID: outletID, Kind: "jetstream", Sites: []string{"*"}, Timeout: 5 * time.Second,
		JetStream: JetStream{URL: r.ClientURL(), Stream: stream, Subject: subject}}.WithDefaults()
	to, err := cfg.JetStream.open(cfg, (&far{t: t}).settings(outlettest.NewStore(time.Now), "one"))
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, to.(*queue).Close()) })
	return to
}

func prepared(t *testing.T, to Destination, n int) poct.Delivery {
	t.Helper()
	d := poct.Delivery{ID: int64(n), Outlet: outletID, Action: poct.Create, Result: result(n, "2.1")}
	body, remote, a := to.Prepare(t.Context(), d)
	require.Equal(t, Done, a.Class)
	d.Body, d.Remote = body, remote
	return d
}

// A real server keeps what is published, once however often, under a name and
// headers that say nothing of a patient.
func TestStreamOfARealServer(t *testing.T) {
	dir := t.TempDir()
	r := newRiver(t, dir, server.RANDOM_PORT)
	r.stream(t, "RELEASED", 0)
	to := r.outlet(t, "RELEASED", "released.released")
	d := prepared(t, to, 1)
	a := to.Send(t.Context(), d)
	require.Equal(t, Done, a.Class)
	require.Equal(t, "RELEASED/1", a.Remote["sequence"])
	a = to.Send(t.Context(), d)
	require.Equal(t, Done, a.Class)
	require.Contains(t, a.Note, "already")
	require.EqualValues(t, 1, r.messages(t, "RELEASED"))

	s, err := r.js.Stream(t.Context(), "RELEASED")
	require.NoError(t, err)
	m, err := s.GetMsg(t.Context(), 1)
	require.NoError(t, err)
	require.Equal(t, string(d.Body), string(m.Data))
	require.Equal(t, mapping.MessageID(d), m.Header.Get(nats.MsgIdHdr))
	require.Equal(t, "application/fhir+json", m.Header.Get("Content-Type"))
	for _, values := range m.Header {
		for _, v := range values {
			require.NotContains(t, v, ada.Family)
			require.NotContains(t, v, ada.ID)
		}
	}

	port := r.Addr().String()
	r.Shutdown()
	r.WaitForShutdown()
	require.Contains(t, []Class{NotSent, Unknown}, to.Send(t.Context(), prepared(t, to, 2)).Class, "away")
	require.Equal(t, NotSent, to.Send(t.Context(), prepared(t, to, 2)).Class, "and the connection is gone")
	again := newRiver(t, dir, portOf(t, port))
	require.Eventually(t, func() bool { return to.Send(context.Background(), prepared(t, to, 2)).Class == Done }, 30*time.Second, 20*time.Millisecond)
	require.EqualValues(t, 2, again.messages(t, "RELEASED"))
}

// What is wrong with stream or subject rests the outlet; what is wrong with one
// message alone holds that.
func TestWhatAStreamRefuses(t *testing.T) {
	r := newRiver(t, t.TempDir(), server.RANDOM_PORT)
	r.stream(t, "SMALL", 200)
	r.stream(t, "OTHER", 0)
	for _, tt := range []struct {
		name, stream, subject string
		want                  Class
	}{
		{"no stream takes the subject", "SMALL", "released.nowhere", Transient},
		{"another stream takes it", "SMALL", "released.other", Transient},
		{"too large for the stream", "SMALL", "released.small", Refused},
	} {
		t.Run(tt.name, func(t *testing.T) {
			to := r.outlet(t, tt.stream, tt.subject)
			a := to.Send(t.Context(), prepared(t, to, 1))
			require.Equal(t, tt.want, a.Class, a.Note)
			require.Equal(t, tt.want == Refused, a.Problem != nil)
		})
	}
	require.Zero(t, r.messages(t, "SMALL")+r.messages(t, "OTHER"))
}
