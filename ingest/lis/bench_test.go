package lis

import (
	"context"
	"io"
	"net"
	"runtime"
	"strings"
	"testing"
)

// BenchmarkIdle holds connections that have sent a message and are at rest,
// and tells what each costs in memory and goroutines.
func BenchmarkIdle(b *testing.B) {
	const count = 2000 // each is two descriptors here
	for b.Loop() {
		in := newInlet(b, Config{MaxConnections: count}, newBox(), nil)
		if err := in.Listen(); err != nil {
			b.Fatal(err)
		}
		ctx, stop := context.WithCancel(context.Background())
		done := make(chan error)
		go func() { done <- in.Run(ctx) }()
		bytes, goroutines := held()
		conns := make([]net.Conn, count)
		for i := range conns {
			c, err := net.Dial("tcp", in.Addr())
			if err != nil {
				b.Fatal(err)
			}
			conns[i] = c
			m := meter{b, c}
			m.ask(enq, ack)
			m.ask(frame(1, all), ack)
			m.ask(eot+enq, ack)
			m.write(eot)
		}
		more, moreGo := held()
		b.ReportMetric(float64(more-bytes)/count, "B/connection")
		b.ReportMetric(float64(moreGo-goroutines)/count, "goroutines/connection")
		for _, c := range conns {
			_ = c.Close()
		}
		stop()
		if err := <-done; err != nil {
			b.Fatal(err)
		}
	}
}

// held is what is in use: heap and stacks, and how many goroutines.
func held() (bytes, goroutines int) {
	runtime.GC()
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	return int(m.HeapInuse + m.StackInuse), runtime.NumGoroutine()
}

// BenchmarkMessage is one message of six frames over loopback, one at a time.
func BenchmarkMessage(b *testing.B) {
	in := newInlet(b, Config{}, newBox(), nil)
	if err := in.Listen(); err != nil {
		b.Fatal(err)
	}
	ctx, stop := context.WithCancel(context.Background())
	done := make(chan error)
	go func() { done <- in.Run(ctx) }()
	c, err := net.Dial("tcp", in.Addr())
	if err != nil {
		b.Fatal(err)
	}
	var frames []string
	for n, rec := range strings.SplitAfter(strings.TrimSuffix(all, "\r"), "\r") {
		frames = append(frames, frame(n+1, rec))
	}
	answer := make([]byte, 1)
	b.ReportAllocs()
	for b.Loop() {
		for _, f := range append([]string{enq}, frames...) {
			if _, err := io.WriteString(c, f); err != nil {
				b.Fatal(err)
			}
			if _, err := io.ReadFull(c, answer); err != nil || string(answer) != ack {
				b.Fatal(err, answer)
			}
		}
		if _, err := io.WriteString(c, eot); err != nil {
			b.Fatal(err)
		}
	}
	_ = c.Close()
	stop()
	if err := <-done; err != nil {
		b.Fatal(err)
	}
}
