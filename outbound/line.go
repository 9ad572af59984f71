package outbound

import (
	"context"
	"crypto/tls"
	"errors"
	"net"
	"sync"
	"time"

	"tidegate/wire/hl7"
)

// largestAnswer bounds an acknowledgement.
const largestAnswer = 256 << 10

// lines are MLLP connections to one receiver: as many as there are deliveries
// on the way, each with one message outstanding at most.
type lines struct {
	dial func(context.Context) (net.Conn, error)

	mu   sync.Mutex
	idle []*line
}

// dialer opens connections as the configuration says.
func (h *HL7v2) dialer(timeout time.Duration) func(context.Context) (net.Conn, error) {
	d := dialer(timeout)
	return func(ctx context.Context) (net.Conn, error) {
		if h.TLS == nil {
			return d.DialContext(ctx, "tcp", h.Address)
		}
		c, err := h.TLS.Client() // anew each time: renewed certificates need no restart
		if err != nil {
			return nil, err
		}
		return (&tls.Dialer{NetDialer: d, Config: c}).DialContext(ctx, "tcp", h.Address)
	}
}

// take gives a connection that is open as far as can be known.
func (l *lines) take(ctx context.Context) (*line, error) {
	l.mu.Lock()
	for len(l.idle) > 0 {
		last := l.idle[len(l.idle)-1]
		l.idle = l.idle[:len(l.idle)-1]
		if last.quiet() {
			l.mu.Unlock()
			return last, nil
		}
		last.close()
	}
	l.mu.Unlock()
	c, err := l.dial(ctx)
	if err != nil {
		return nil, err
	}
	return newLine(c), nil
}

// give takes back a connection whose last message was answered in full.
func (l *lines) give(x *line) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.idle = append(l.idle, x)
}

// close ends the idle connections; new ones are opened when they are needed.
func (l *lines) close() {
	l.mu.Lock()
	defer l.mu.Unlock()
	for _, x := range l.idle {
		x.close()
	}
	l.idle = nil
}

// line is one connection. A goroutine reads it all the time, so that an end
// from the other side is noticed before the next message is written.
type line struct {
	conn    net.Conn
	answers chan []byte   // closed at the end of the stream
	gone    chan struct{} // closed by close
	once    sync.Once
}

func newLine(c net.Conn) *line {
	l := &line{conn: c, answers: make(chan []byte), gone: make(chan struct{})}
	go l.read()
	return l
}

func (l *line) read() {
	defer close(l.answers)
	frames := hl7.NewFrameReader(l.conn, largestAnswer)
	for {
		payload, err := frames.Next()
		var fault *hl7.FrameFault
		switch {
		case errors.As(err, &fault) && !fault.Fatal:
			continue // bytes outside a frame answer nothing
		case err != nil:
			return
		}
		select {
		case l.answers <- payload:
		case <-l.gone:
			return
		}
	}
}

// quiet tells whether the connection is open and nobody says anything on it:
// an answer that comes late belongs to a message that was given up.
func (l *line) quiet() bool {
	select {
	case <-l.answers:
		return false
	default:
		return true
	}
}

func (l *line) close() {
	l.once.Do(func() {
		close(l.gone)
		_ = l.conn.Close() // nothing is expected of it any more
	})
}
