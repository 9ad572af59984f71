package lis_test

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"net"
	"strings"
	"testing"

	"github.com/rs/zerolog"
	"github.com/stretchr/testify/require"

	"tidegate/ingest"
	"tidegate/ingest/lis"
	"tidegate/ingest/sourcetest"
	"tidegate/testkit/durable"
)

const largest = 64 << 10

// message is a small LIS02 message with a control id of its own.
func message(n int) []byte {
	return fmt.Appendf(nil, "H|\\^&|suite-%d||quill-7|||||||P|LIS2-A2|20260305091330\rP|1||%s||%s^Alma\rO|1|S-%d||^^^INR|R\r"+
		"R|1|^^^INR|%s|{INR}|2.0 to 3.0|N||F||118|20260305091200|20260305091310|Q3-0042\rL|1|N\r",
		n, sourcetest.Canaries[1], sourcetest.Canaries[0], n, sourcetest.Canaries[2])
}

// padded is a message of exactly so many bytes.
func padded(n, size int) []byte {
	raw := bytes.TrimSuffix(message(n), []byte("L|1|N\r"))
	for size-len(raw)-6 > 0 {
		room := min(size-len(raw)-6, 200)
		if rest := size - len(raw) - 6 - room; rest > 0 && rest < 20 {
			room -= 20 // the last comment needs some room of its own
		}
		raw = append(append(raw, "C|1|I|"...), bytes.Repeat([]byte{'x'}, room-7)...)
		raw = append(raw, '\r')
	}
	return append(raw, "L|1|N\r"...)
}

var speech = sourcetest.Speech{
	Format: "lis02", Message: message, ControlID: func(n int) string { return fmt.Sprintf("suite-%d", n) }, Padded: padded,
	Batch: func(messages ...[]byte) []byte { return bytes.Join(messages, nil) }, Single: true,
	Odd: []sourcetest.Odd{
		{Name: "nothing", Raw: nil},
		{Name: "no message at all", Raw: []byte("\x7f\xff\xfe\x00 no message\r"), Kept: true},
		{Name: "a header alone", Raw: []byte("H|\\^&\r"), Kept: true},
		{Name: "a header with odd delimiters", Raw: []byte("H\x7f\x7f\x7f\x7f\r"), Kept: true},
		{Name: "an end alone", Raw: []byte("L|1|N\r"), Kept: true},
		{Name: "a message that breaks off", Raw: append(message(7)[:120], '\r'), Kept: true},
		{Name: "a result and no message", Raw: []byte("R|1|^^^INR|3.0\r"), Kept: true},
		{Name: "another protocol", Raw: sourcetest.Message(3)},
	},
}

// wire is LIS01 over TCP as a meter uses it: a connection for each sending.
type wire struct{}

func (wire) New(t *testing.T, box ingest.Inbox, log io.Writer) sourcetest.Inlet {
	in, err := lis.New(lis.Config{Listen: "127.0.0.1:0", MaxMessage: largest}, lis.Settings{ID: "inlet", Inbox: box, Log: zerolog.New(log)})
	require.NoError(t, err)
	return in
}

func (wire) Close() {}

// Send sends and, once all of it is answered, waits for the inlet to hang up.
func (wire) Send(ctx context.Context, in sourcetest.Inlet, raw []byte) sourcetest.Answer {
	c, err := (&net.Dialer{}).DialContext(ctx, "tcp", in.Addr())
	if err != nil {
		return sourcetest.None
	}
	defer c.Close()                                          //nolint:errcheck // all was read
	defer context.AfterFunc(ctx, func() { _ = c.Close() })() // ends the wait for an answer
	answer := meter{c}.send(string(raw))
	_ = c.(*net.TCPConn).CloseWrite() // on a connection that was cut it fails, and then so does the read
	_, _ = io.ReadAll(c)
	return answer
}

func (wire) Half(ctx context.Context, in sourcetest.Inlet, raw []byte) (hangUp func()) {
	c, err := (&net.Dialer{}).DialContext(ctx, "tcp", in.Addr())
	if err != nil {
		return func() {}
	}
	m := meter{c}
	if m.ask("\x05") == ack {
		whole := frame(1, string(raw), etx)
		_, _ = io.WriteString(c, whole[:len(whole)/2]) // nothing is expected of it
	}
	return func() { _ = c.Close() }
}

func TestConformance(t *testing.T) {
	h := sourcetest.Harness{Way: func(*testing.T) sourcetest.Way { return wire{} }, Largest: largest, Speech: speech}
	t.Run("memory", func(t *testing.T) { sourcetest.Run(t, h) })
	h.Keep = func(t *testing.T) sourcetest.Keeper { return durable.Open(t) }
	t.Run("store", func(t *testing.T) { sourcetest.Run(t, h) })
}

func TestPadded(t *testing.T) {
	for size := 400; size < 1200; size++ {
		require.Len(t, padded(1, size), size)
		require.True(t, strings.HasSuffix(string(padded(1, size)), "x\rL|1|N\r"))
	}
}
