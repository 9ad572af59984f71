package mllp

import (
	"context"
	"errors"
	"io"
	"net"
	"os"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/rs/zerolog"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidegate/ingest"
	"tidegate/poct"
)

// pipes is a network in memory, so that deadlines run on the bubble's clock.
type pipes struct {
	conns  chan net.Conn
	closed chan struct{}
}

func newPipes() *pipes {
	return &pipes{conns: make(chan net.Conn), closed: make(chan struct{})}
}

func (p *pipes) Accept() (net.Conn, error) {
	select {
	case c := <-p.conns:
		return c, nil
	case <-p.closed:
		return nil, net.ErrClosed
	}
}

func (p *pipes) Close() error {
	select {
	case <-p.closed:
		return net.ErrClosed
	default:
		close(p.closed)
		return nil
	}
}

func (p *pipes) Addr() net.Addr { return &net.TCPAddr{IP: net.IPv4(127, 0, 0, 1), Port: 2575} }

// counted counts the writes of the inlet.
type counted struct {
	net.Conn
	writes atomic.Int32
}

func (c *counted) Write(p []byte) (int, error) { c.writes.Add(1); return c.Conn.Write(p) }

type bubble struct {
	t    *testing.T
	p    *pipes
	stop context.CancelFunc
	done chan error
}

// inBubble runs an inlet on a fake clock; leaving the bubble proves that no
// goroutine is left.
func inBubble(t *testing.T, cfg Config, b *box, test func(*bubble)) {
	synctest.Test(t, func(t *testing.T) {
		cfg.Listen = "127.0.0.1:0"
		l, err := New(cfg, Settings{ID: "millrace", Inbox: b, Log: zerolog.Nop()})
		require.NoError(t, err)
		p := newPipes()
		l.net = p
		ctx, stop := context.WithCancel(context.Background())
		bb := &bubble{t: t, p: p, stop: stop, done: make(chan error, 1)}
		go func() { bb.done <- l.Run(ctx) }()
		test(bb)
		stop()
		require.NoError(t, <-bb.done)
	})
}

func (b *bubble) dial() (*meter, *counted) {
	near, far := net.Pipe()
	c := &counted{Conn: far}
	b.p.conns <- c
	m := newMeter(b.t, near)
	_ = near.SetDeadline(time.Time{})
	return m, c
}

func TestSlowFrameTimesOut(t *testing.T) {
	b := newBox()
	inBubble(t, Config{FrameTimeout: 60 * time.Second}, b, func(bb *bubble) {
		slow, _ := bb.dial()
		quick, _ := bb.dial()
		start := time.Now()
		slow.write("\x0bMSH|")
		for { // a byte every 7 seconds does not buy more time
			synctest.Wait()
			time.Sleep(7 * time.Second)
			if _, err := slow.conn.Write([]byte("x")); err != nil {
				break
			}
			quick.send(r01("1", "2.4"))
			assert.Equal(t, "AA 1", quick.code(), "others are served meanwhile")
		}
		assert.Equal(t, 63*time.Second, time.Since(start), "the ninth write comes too late")
		slow.ended()
	})
	require.Len(t, b.notices, 1)
	assert.Equal(t, "a message was not complete after 1m0s: 12 bytes had come", b.notices[0].What)
	assert.Equal(t, "MSH|xxxxxxxx", string(b.notices[0].Bytes))
	require.Len(t, b.stored(), 1)
}

func TestIdle(t *testing.T) {
	t.Run("without limit by default", func(t *testing.T) {
		inBubble(t, Config{}, newBox(), func(bb *bubble) {
			m, _ := bb.dial()
			time.Sleep(30 * 24 * time.Hour)
			m.send(r01("1", "2.4"))
			assert.Equal(t, "AA 1", m.code())
		})
	})
	t.Run("limited", func(t *testing.T) {
		b := newBox()
		inBubble(t, Config{Idle: 10 * time.Minute}, b, func(bb *bubble) {
			m, _ := bb.dial()
			time.Sleep(9 * time.Minute)
			m.send(r01("1", "2.4"))
			assert.Equal(t, "AA 1", m.code())
			start := time.Now()
			m.ended()
			assert.Equal(t, 10*time.Minute, time.Since(start))
		})
		assert.Empty(t, b.notices)
	})
}

// A sender that leaves the last 0D out is answered after a short silence.
func TestMissingLastByte(t *testing.T) {
	inBubble(t, Config{}, newBox(), func(bb *bubble) {
		m, _ := bb.dial()
		whole := frame(r01("1", "2.4"))
		start := time.Now()
		m.write(whole[:len(whole)-1])
		assert.Equal(t, "AA 1", m.code())
		assert.Equal(t, silence, time.Since(start))
		m.write("\r") // late: a line end between messages
		m.send(r01("2", "2.4"))
		assert.Equal(t, "AA 2", m.code())
	})
}

// Some receivers take what one read gives them for the whole answer.
func TestAnswerIsOneWrite(t *testing.T) {
	inBubble(t, Config{}, newBox(), func(bb *bubble) {
		m, c := bb.dial()
		for n := range int32(3) {
			m.send(r01("1", "2.4"))
			m.ack()
			assert.Equal(t, n+1, c.writes.Load())
		}
	})
}

func TestReceiverOfAnswersThatDoesNotRead(t *testing.T) {
	b := newBox()
	inBubble(t, Config{}, b, func(bb *bubble) {
		m, _ := bb.dial()
		m.send(r01("1", "2.4")) // a pipe holds nothing: the answer waits to be read
		start := time.Now()
		time.Sleep(writeTime)
		synctest.Wait()
		_, err := m.conn.Write([]byte("x"))
		assert.Error(t, err, "closed")
		assert.Equal(t, writeTime, time.Since(start))
	})
	assert.Len(t, b.stored(), 1)
}

func TestDrain(t *testing.T) {
	t.Run("idle connections are closed at once", func(t *testing.T) {
		inBubble(t, Config{}, newBox(), func(bb *bubble) {
			m, _ := bb.dial()
			m.send(r01("1", "2.4"))
			m.ack()
			synctest.Wait()
			start := time.Now()
			bb.stop()
			m.ended()
			require.NoError(t, <-bb.done)
			bb.done <- nil
			assert.Zero(t, time.Since(start))
		})
	})
	t.Run("a frame in hand is finished and answered", func(t *testing.T) {
		b := newBox()
		inBubble(t, Config{}, b, func(bb *bubble) {
			m, _ := bb.dial()
			whole := frame(r01("1", "2.4"))
			m.write(whole[:50])
			synctest.Wait()
			bb.stop()
			time.Sleep(3 * time.Second)
			m.write(whole[50:])
			assert.Equal(t, "AA 1", m.code())
			m.ended()
		})
		assert.Len(t, b.stored(), 1)
	})
	t.Run("a message being stored is answered", func(t *testing.T) {
		b := newBox()
		inBubble(t, Config{}, b, func(bb *bubble) {
			b.fail = func(poct.Arrival) error { time.Sleep(2 * time.Second); return nil }
			m, _ := bb.dial()
			m.send(r01("1", "2.4"))
			synctest.Wait()
			bb.stop()
			assert.Equal(t, "AA 1", m.code())
			m.ended()
		})
		assert.Len(t, b.stored(), 1)
	})
	t.Run("but not for ever", func(t *testing.T) {
		b := newBox()
		inBubble(t, Config{}, b, func(bb *bubble) {
			m, _ := bb.dial()
			m.write("\x0bMSH|")
			synctest.Wait()
			start := time.Now()
			bb.stop()
			require.NoError(t, <-bb.done)
			bb.done <- nil
			assert.Equal(t, ingest.DrainTime, time.Since(start))
			m.ended()
		})
		require.Len(t, b.notices, 1)
		assert.Equal(t, "MSH|", string(b.notices[0].Bytes))
	})
	t.Run("a store that hangs is given up", func(t *testing.T) {
		b := &hanging{box: newBox()}
		synctest.Test(t, func(t *testing.T) {
			l, err := New(Config{Listen: "127.0.0.1:0"}, Settings{ID: "millrace", Inbox: b, Log: zerolog.Nop()})
			require.NoError(t, err)
			p := newPipes()
			l.net = p
			ctx, stop := context.WithCancel(context.Background())
			done := make(chan error)
			go func() { done <- l.Run(ctx) }()
			near, far := net.Pipe()
			p.conns <- far
			_, err = near.Write([]byte(frame(r01("1", "2.4"))))
			require.NoError(t, err)
			synctest.Wait()
			start := time.Now()
			stop()
			require.NoError(t, <-done)
			assert.Equal(t, ingest.DrainTime, time.Since(start))
			_, err = io.ReadAll(near)
			assert.NoError(t, err, "closed without an answer")
		})
	})
}

// hanging is an inbox that returns only when it is told to give up.
type hanging struct{ *box }

func (hanging) Accept(ctx context.Context, _ poct.Arrival) (poct.Accepted, error) {
	<-ctx.Done()
	return poct.Accepted{}, ctx.Err()
}

// failing is a network that has no descriptors left for a while.
type failing struct {
	*pipes
	left int
}

func (f *failing) Accept() (net.Conn, error) {
	if f.left--; f.left >= 0 {
		return nil, &net.OpError{Op: "accept", Err: os.NewSyscallError("accept4", errors.New("too many open files"))}
	}
	return f.pipes.Accept()
}

func TestNoDescriptorsLeft(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l, err := New(Config{Listen: "127.0.0.1:0"}, Settings{ID: "millrace", Inbox: newBox(), Log: zerolog.Nop()})
		require.NoError(t, err)
		f := &failing{newPipes(), 20}
		l.net = f
		ctx, stop := context.WithCancel(context.Background())
		done := make(chan error)
		go func() { done <- l.Run(ctx) }()
		near, far := net.Pipe()
		f.conns <- far // taken once the failures are over
		_, err = near.Write([]byte(frame(r01("1", "2.4"))))
		require.NoError(t, err)
		answer := make([]byte, 500)
		n, err := near.Read(answer)
		require.NoError(t, err)
		assert.Contains(t, string(answer[:n]), "MSA|AA|1")
		stop()
		require.NoError(t, <-done)
	})
}
