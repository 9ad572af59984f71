package jetstream_test

import (
	"context"
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
)

type sender struct {
	js   jetstream.JetStream
	stop func()
}

func config() inlet.Config {
	return inlet.Config{URL: inlet.Embedded, Listen: "127.0.0.1:0", Stream: "RESULTS", Subject: "results.>", Durable: "tidegate", MaxSize: 64 << 10, AckWait: time.Second}
}

func begin(t *testing.T, box ingest.Inbox) *sender { return beginIn(t, box, t.TempDir()) }

func beginIn(t *testing.T, box ingest.Inbox, dir string) *sender {
	t.Helper()
	in, err := inlet.New(config(), inlet.Settings{ID: "queue", Inbox: box, Log: zerolog.Nop(), DataDir: dir})
	require.NoError(t, err)
	require.NoError(t, in.Listen())
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- in.Run(ctx) }()
	nc, err := nats.Connect(in.Addr())
	require.NoError(t, err)
	js, err := jetstream.New(nc)
	require.NoError(t, err)
	return &sender{js: js, stop: sync.OnceFunc(func() {
		cancel()
		require.NoError(t, <-ended)
		nc.Close()
	})}
}

func (s *sender) Stop() { s.stop() }

// Send publishes and waits until the inlet's consumer has acknowledged the
// message to the stream.
func (s *sender) Send(ctx context.Context, raw []byte) sourcetest.Answer {
	seq := s.publish(ctx, raw)
	if seq == 0 {
		return sourcetest.None
	}
	tick := time.NewTicker(2 * time.Millisecond)
	defer tick.Stop()
	for {
		c, err := s.js.Consumer(ctx, "RESULTS", "tidegate")
		if err == nil {
			if info, err := c.Info(ctx); err == nil && info.AckFloor.Stream >= seq {
				return sourcetest.Positive
			}
		}
		select {
		case <-ctx.Done():
			return sourcetest.None
		case <-tick.C:
		}
	}
}

func (s *sender) publish(ctx context.Context, raw []byte) uint64 {
	for ctx.Err() == nil {
		ack, err := s.js.Publish(ctx, "results.quill", raw)
		if err == nil {
			return ack.Sequence
		}
		// The inlet makes the stream a moment after it starts.
		select {
		case <-ctx.Done():
		case <-time.After(10 * time.Millisecond):
		}
	}
	return 0
}

func TestConformance(t *testing.T) {
	sourcetest.Run(t, sourcetest.Harness{
		Keeps: true, Largest: 64 << 10,
		Start: func(t *testing.T, box ingest.Inbox) sourcetest.Sender { return begin(t, box) },
	})
}

// TestRestart: what the stream has acknowledged to its sender and the inlet
// has not taken is taken after a restart on the same files.
func TestRestart(t *testing.T) {
	dir := t.TempDir()
	down := sourcetest.NewInbox()
	down.FailBefore()
	s := beginIn(t, down, dir)
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
	defer cancel()
	require.NotZero(t, s.publish(ctx, sourcetest.Message(1)))
	s.Stop()
	box := sourcetest.NewInbox()
	s = beginIn(t, box, dir)
	defer s.Stop()
	require.Equal(t, sourcetest.Positive, s.Send(ctx, sourcetest.Message(2)))
	require.Len(t, box.Stored(), 2)
}

// TestPoison: a message that cannot be taken as one becomes an arrival with a
// fault and leaves the stream.
func TestPoison(t *testing.T) {
	box := sourcetest.NewInbox()
	s := begin(t, box)
	defer s.Stop()
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
	defer cancel()
	require.Equal(t, sourcetest.Positive, s.Send(ctx, nil))
	require.Equal(t, sourcetest.Positive, s.Send(ctx, make([]byte, 65<<10)))
	for _, a := range box.Stored() {
		require.NotEmpty(t, a.Fault)
	}
	require.Len(t, box.Stored(), 2)
}

func TestValidate(t *testing.T) {
	require.Empty(t, config().Validate())
	for key, c := range map[string]inlet.Config{
		"url":     {Stream: "R", Subject: "r", Durable: "d"},
		"listen":  {URL: inlet.Embedded, Listen: "0.0.0.0:4222", Stream: "R", Subject: "r", Durable: "d"},
		"stream":  {URL: "nats://127.0.0.1:4222", Stream: "a b", Subject: "r", Durable: "d"},
		"subject": {URL: "nats://127.0.0.1:4222", Stream: "R", Durable: "d"},
		"durable": {URL: "nats://127.0.0.1:4222", Stream: "R", Subject: "r", Durable: "a.b"},
	} {
		faults := c.Validate()
		require.Len(t, faults, 1, key)
		require.Equal(t, key, faults[0].Key)
		require.NotEmpty(t, faults[0].Instead)
	}
}
