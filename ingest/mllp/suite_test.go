package mllp_test

import (
	"bytes"
	"context"
	"net"
	"strings"
	"sync"
	"testing"

	"github.com/rs/zerolog"
	"github.com/stretchr/testify/require"

	"tidegate/ingest"
	"tidegate/ingest/mllp"
	"tidegate/ingest/sourcetest"
)

type sender struct {
	addr string
	stop func()
}

func (s *sender) Stop() { s.stop() }

// Send opens a connection, sends one frame and reads the acknowledgement; of a
// batch, one for each message.
func (s *sender) Send(ctx context.Context, raw []byte) sourcetest.Answer {
	var d net.Dialer
	c, err := d.DialContext(ctx, "tcp", s.addr)
	if err != nil {
		return sourcetest.None
	}
	defer c.Close()
	defer context.AfterFunc(ctx, func() { _ = c.Close() })() // ends the wait for an answer
	if _, err := c.Write(append(append([]byte{0x0b}, raw...), 0x1c, 0x0d)); err != nil {
		return sourcetest.None
	}
	want := max(bytes.Count(raw, []byte("MSH|")), 1)
	var got []byte
	buf := make([]byte, 4096)
	for bytes.Count(got, []byte{0x1c, 0x0d}) < want {
		n, err := c.Read(buf)
		if err != nil {
			return sourcetest.None
		}
		got = append(got, buf[:n]...)
	}
	if strings.Count(string(got), "MSA|AA|") == want {
		return sourcetest.Positive
	}
	return sourcetest.Negative
}

func TestConformance(t *testing.T) {
	sourcetest.Run(t, sourcetest.Harness{
		Largest: 64 << 10,
		Start: func(t *testing.T, box ingest.Inbox) sourcetest.Sender {
			l, err := mllp.New(mllp.Config{Listen: "127.0.0.1:0", Accepts: []string{"results"}, MaxFrame: 64 << 10},
				mllp.Settings{ID: "wired", Inbox: box, Log: zerolog.Nop()})
			require.NoError(t, err)
			require.NoError(t, l.Listen())
			ctx, cancel := context.WithCancel(context.Background())
			ended := make(chan error, 1)
			go func() { ended <- l.Run(ctx) }()
			return &sender{addr: l.Addr(), stop: sync.OnceFunc(func() {
				cancel()
				require.NoError(t, <-ended)
			})}
		},
	})
}
