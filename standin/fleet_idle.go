package standin

import (
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"sync"
	"time"
)

// IdleMeters are connections of meters that have nothing to say.
type IdleMeters struct {
	mu    sync.Mutex
	lines []net.Conn
}

// opening bounds how many connections are being made at once.
const opening = 64

// HoldIdle opens n connections, spread over the inlets on MLLP, LIS01 and
// POCT1-A, and leaves them at rest: on LIS01 after an empty sending, on POCT1-A
// in continuous mode.
func HoldIdle(ctx context.Context, inlets []FleetInlet, n int) (*IdleMeters, error) {
	var kept []FleetInlet
	for _, in := range inlets {
		if in.Way == MLLP || in.Way == LIS || in.Way == POCT1A {
			kept = append(kept, in)
		}
	}
	if len(kept) == 0 {
		return nil, errors.New("standin: no inlet keeps connections")
	}
	idle := &IdleMeters{}
	room := make(chan struct{}, opening)
	errs := make(chan error, n)
	for i := range n {
		room <- struct{}{}
		go func() {
			defer func() { <-room }()
			c, err := rest(ctx, kept[i%len(kept)], fmt.Sprintf("IDLE-%06d", i))
			if err == nil {
				idle.mu.Lock()
				idle.lines = append(idle.lines, c)
				idle.mu.Unlock()
			}
			errs <- err
		}()
	}
	var err error
	for range n {
		err = errors.Join(err, <-errs)
	}
	if err != nil {
		idle.HangUp()
		return nil, err
	}
	return idle, nil
}

// rest brings one connection to where both sides wait.
func rest(ctx context.Context, in FleetInlet, serial string) (net.Conn, error) {
	var l *line
	var err error
	switch in.Way {
	case LIS:
		s := newLISSpeaker(in.Addr)
		l = &s.line
		err = s.greet(ctx)
	case POCT1A:
		s := newPOCTSpeaker(in.Addr, serial, "SEDGE5")
		l = &s.line
		err = s.greet(ctx)
	default:
		l = &line{addr: in.Addr}
		_, err = l.open(ctx)
	}
	if err == nil {
		err = l.SetDeadline(time.Time{})
	}
	if err != nil {
		l.close()
		return nil, fmt.Errorf("standin: idle %s: %w", in.Way, err)
	}
	return l.Conn, nil
}

// Lost counts the connections that the other side has ended or written to. It
// asks each, without waiting.
func (i *IdleMeters) Lost() (n int) {
	i.mu.Lock()
	defer i.mu.Unlock()
	b := make([]byte, 1)
	for _, c := range i.lines {
		_ = c.SetReadDeadline(time.Now().Add(50 * time.Microsecond))
		if _, err := c.Read(b); !errors.Is(err, os.ErrDeadlineExceeded) {
			n++
		}
	}
	return n
}

// HangUp ends all connections.
func (i *IdleMeters) HangUp() {
	i.mu.Lock()
	defer i.mu.Unlock()
	for _, c := range i.lines {
		_ = c.Close()
	}
	i.lines = nil
}
