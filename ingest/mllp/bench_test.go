package mllp

import (
	"context"
	"net"
	"testing"

	"github.com/rs/zerolog"

	"tidegate/poct"
	"tidegate/wire/hl7"
)

// takesAll is an inbox that costs nothing: what is left is the inlet itself.
type takesAll struct{}

func (takesAll) Accept(context.Context, poct.Arrival) (poct.Accepted, error) {
	return poct.Accepted{}, nil
}
func (takesAll) Notice(context.Context, poct.Notice) error { return nil }

// BenchmarkRoundTrip is one message and its answer over loopback, one at a time.
func BenchmarkRoundTrip(b *testing.B) {
	l, err := New(Config{Listen: "127.0.0.1:0"}, Settings{ID: "millrace", Inbox: takesAll{}, Log: zerolog.Nop()})
	if err != nil {
		b.Fatal(err)
	}
	if err := l.Listen(); err != nil {
		b.Fatal(err)
	}
	ctx, stop := context.WithCancel(context.Background())
	done := make(chan error)
	go func() { done <- l.Run(ctx) }()
	conn, err := net.Dial("tcp", l.Addr())
	if err != nil {
		b.Fatal(err)
	}
	out, in := []byte(frame(r01("1", "2.4"))), hl7.NewFrameReader(conn, 1<<20)
	b.ReportAllocs()
	for b.Loop() {
		if _, err := conn.Write(out); err != nil {
			b.Fatal(err)
		}
		if _, err := in.Next(); err != nil {
			b.Fatal(err)
		}
	}
	_ = conn.Close()
	stop()
	if err := <-done; err != nil {
		b.Fatal(err)
	}
}
