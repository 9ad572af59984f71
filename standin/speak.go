package standin

import (
	"context"
	"errors"
	"io"
	"net"
	"time"
)

// trick is what goes wrong when a meter speaks. Each is something that a real
// line, or a real meter, does.
type trick int

const (
	plain      trick = iota
	deaf             // the line is lost before the answer is read
	half             // the line is lost in the middle of the message
	miscounted       // one frame's checksum is wrong at first; the meter sends it again
	slowly           // the message comes in small pieces
)

// speaker is one meter on one line. It sends a message and returns what it was
// told; after errLineLost the message may or may not have been taken, and the
// meter still has it.
type speaker interface {
	say(ctx context.Context, message []byte, how trick) (answer string, err error)
	close()
}

// errLineLost is what a meter sees of a line that a trick cut.
var errLineLost = errors.New("standin: the line was lost before the answer came")

// line is a connection that is dialled when it is needed.
type line struct {
	addr string
	net.Conn
}

func (l *line) open(ctx context.Context) (opened bool, err error) {
	if l.Conn == nil {
		var dialer net.Dialer
		if l.Conn, err = dialer.DialContext(ctx, "tcp", l.addr); err != nil {
			l.Conn = nil
			return false, err
		}
		opened = true
	}
	return opened, l.SetDeadline(deadline(ctx))
}

// deadline is when a meter stops waiting for one answer.
func deadline(ctx context.Context) time.Time {
	at := time.Now().Add(answerFor)
	if d, ok := ctx.Deadline(); ok && d.Before(at) {
		at = d
	}
	return at
}

func (l *line) close() {
	if l.Conn != nil {
		_ = l.Conn.Close()
		l.Conn = nil
	}
}

// Pieces of a slow sender.
const (
	slowPieces = 8
	slowPause  = 25 * time.Millisecond
)

// trickle writes b in a few pieces with pauses between.
func trickle(ctx context.Context, w io.Writer, b []byte) error {
	size := max(1, (len(b)+slowPieces-1)/slowPieces)
	for len(b) > 0 {
		n := min(size, len(b))
		if _, err := w.Write(b[:n]); err != nil {
			return err
		}
		if b = b[n:]; len(b) == 0 {
			break
		}
		t := time.NewTimer(slowPause)
		select {
		case <-t.C:
		case <-ctx.Done():
			t.Stop()
			return ctx.Err()
		}
	}
	return nil
}
