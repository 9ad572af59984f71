package mllp_test

import (
	"bytes"
	"context"
	"io"
	"net"
	"testing"

	"github.com/rs/zerolog"
	"github.com/stretchr/testify/require"

	"tidegate/ingest"
	"tidegate/ingest/mllp"
	"tidegate/ingest/sourcetest"
	"tidegate/testkit/durable"
)

const largest = 64 << 10

// wire is MLLP as a meter uses it: a connection for each message.
type wire struct{}

func (wire) New(t *testing.T, box ingest.Inbox, log io.Writer) sourcetest.Inlet {
	l, err := mllp.New(mllp.Config{Listen: "127.0.0.1:0", MaxFrame: largest},
		mllp.Settings{ID: "inlet", Inbox: box, Log: zerolog.New(log)})
	require.NoError(t, err)
	return l
}

func (wire) Close() {}

// Send sends one frame, says that it is the last, and reads what comes back
// until the inlet hangs up.
func (wire) Send(ctx context.Context, in sourcetest.Inlet, raw []byte) sourcetest.Answer {
	c, err := (&net.Dialer{}).DialContext(ctx, "tcp", in.Addr())
	if err != nil {
		return sourcetest.None
	}
	defer c.Close()                                          //nolint:errcheck // all was read
	defer context.AfterFunc(ctx, func() { _ = c.Close() })() // ends the wait for an answer
	if _, err := c.Write(append(append([]byte{0x0b}, raw...), 0x1c, 0x0d)); err != nil {
		return sourcetest.None
	}
	_ = c.(*net.TCPConn).CloseWrite() // on a connection that was cut it fails, and then so does the read
	got, _ := io.ReadAll(c)           // what came before a cut counts
	want := max(bytes.Count(raw, []byte("MSH|")), 1)
	switch answers := bytes.Count(got, []byte("MSA|")); {
	case answers == 0:
		return sourcetest.None
	case bytes.Count(got, []byte("MSA|AA|")) == want:
		return sourcetest.Positive
	}
	return sourcetest.Negative
}

func (wire) Half(ctx context.Context, in sourcetest.Inlet, raw []byte) (hangUp func()) {
	c, err := (&net.Dialer{}).DialContext(ctx, "tcp", in.Addr())
	if err != nil {
		return func() {}
	}
	_, _ = c.Write(append([]byte{0x0b}, raw[:len(raw)/2]...)) // nothing is expected of it
	return func() { _ = c.Close() }
}

func TestConformance(t *testing.T) {
	h := sourcetest.Harness{Way: func(*testing.T) sourcetest.Way { return wire{} }, Largest: largest}
	t.Run("memory", func(t *testing.T) { sourcetest.Run(t, h) })
	h.Keep = func(t *testing.T) sourcetest.Keeper { return durable.Open(t) }
	t.Run("store", func(t *testing.T) { sourcetest.Run(t, h) })
}
