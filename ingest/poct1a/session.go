package poct1a

import (
	"context"
	"crypto/tls"
	"errors"
	"io"
	"net"
	"os"
	"sync"
	"time"

	"tidegate/fault"
	"tidegate/ingest"
	wire "tidegate/wire/poct1a"
)

const (
	readSize  = 512              // idle connections hold no more
	writeTime = 10 * time.Second // for one message
	endTime   = 2 * time.Second  // for the answer to END when the inlet stops
	keptBytes = 64 << 10         // of what became no message, for a notice
)

// session is one connection.
type session struct {
	in     *Inlet
	conn   net.Conn
	peer   string // address, or the name in the client's certificate
	host   string // the peer without its port
	serial string // guarded by in.mu

	split  wire.Splitter
	talk   *wire.Conversation
	hello  []byte // the hello's bytes as they came; nil before it
	site   string // of a meter that the registry knows
	known  bool
	zone   *time.Location
	has    struct{ operators, patients bool } // taken by the meter on this connection
	status wire.Status
	alive  time.Time // of the latest contact that was noted

	due     time.Time // when the meter's patience with silence ends; zero: never
	docEnd  time.Time // when the document in hand must be complete; zero outside
	refresh time.Time // when lists are looked at again; zero: never
	ended   bool      // END was sent because the inlet stops, or the meter is elsewhere

	mu       sync.Mutex
	draining bool
	resting  bool // between documents: there is nothing to finish
}

func newSession(in *Inlet, conn net.Conn) *session {
	s := &session{in: in, conn: conn, peer: conn.RemoteAddr().String()}
	s.split.Limits.Size = in.cfg.MaxFrame
	s.talk = wire.NewConversation(in.rules)
	s.host = hostOf(s.peer)
	if in.tls != nil {
		s.conn = tls.Server(conn, in.tls) // no byte is read yet
	}
	return s
}

func hostOf(peer string) string {
	if host, _, err := net.SplitHostPort(peer); err == nil {
		return host
	}
	return peer
}

// Drain ends the conversation once the document in hand is answered.
func (s *session) Drain() {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.draining = true
	if s.resting {
		_ = s.conn.SetReadDeadline(time.Unix(1, 0))
	}
}

// Cut ends the connection now.
func (s *session) Cut() { _ = s.conn.Close() }

// Run serves the connection to its end.
func (s *session) Run(work context.Context) {
	defer s.conn.Close() //nolint:errcheck // nothing is left to be written
	defer s.in.left(s)
	if conn, ok := s.conn.(*tls.Conn); ok {
		peer, err := ingest.Handshake(work, conn)
		if err != nil {
			s.in.set.Log.Warn().Err(err).Str("peer", s.peer).Msg("TLS handshake failed")
			return
		}
		s.peer, s.host = peer, hostOf(peer)
	}
	err := ingest.Guard(s.in.set.Log, func() error { return s.serve(work) })
	if err != nil && !errors.Is(err, io.EOF) && !errors.Is(err, net.ErrClosed) && !errors.Is(err, ingest.ErrPanic) {
		s.in.set.Log.Debug().Err(err).Str("peer", s.peer).Msg("a connection failed")
	}
	if s.split.Open() && !errors.Is(err, errBroken) {
		s.notice("a document was not finished", s.split.Rest(keptBytes))
	}
}

// errBroken ends a session whose bytes are no documents; the notice is made.
var errBroken = errors.New("the stream cannot be read")

// serve reads until the connection or the conversation is over.
func (s *session) serve(work context.Context) error {
	buf := make([]byte, readSize)
	s.patient()
	for !s.talk.Closed() {
		drained := s.wait()
		n, err := s.conn.Read(buf)
		if n > 0 {
			if err := s.read(work, buf[:n]); err != nil {
				return err
			}
			continue
		}
		switch {
		case err == nil:
		case !errors.Is(err, os.ErrDeadlineExceeded):
			return err
		default:
			if err := s.late(work, drained); err != nil {
				return err
			}
		}
	}
	return nil
}

// read takes in bytes and what documents they complete.
func (s *session) read(work context.Context, p []byte) error {
	_, _ = s.split.Write(p) // never fails
	for !s.talk.Closed() {
		raw, ok, broken := s.split.Next()
		if broken != nil {
			s.notice(broken.Error(), s.split.Rest(keptBytes))
			if broken.Fatal() {
				return errBroken
			}
			continue
		}
		if !ok {
			break
		}
		s.docEnd = time.Time{}
		if err := s.document(work, raw); err != nil {
			return err
		}
		s.patient()
	}
	switch {
	case !s.split.Open():
		s.docEnd = time.Time{}
	case s.docEnd.IsZero():
		s.docEnd = time.Now().Add(s.in.cfg.FrameTimeout)
	}
	return nil
}

// patient sets when the meter's silence is too long.
func (s *session) patient() {
	s.due = time.Time{}
	if p := s.talk.Patience(); p > 0 {
		s.due = time.Now().Add(p)
	}
	if s.ended {
		s.due = time.Now().Add(endTime)
	}
}

// wait sets the deadline for the next read.
func (s *session) wait() (drained bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.resting = !s.split.Open() && !s.ended
	deadline := s.due
	switch {
	case s.split.Open():
		deadline = s.docEnd
	case s.draining && !s.ended:
		deadline, drained = time.Unix(1, 0), true
	case !s.refresh.IsZero() && s.talk.Idle() && (deadline.IsZero() || s.refresh.Before(deadline)):
		deadline = s.refresh
	}
	_ = s.conn.SetReadDeadline(deadline) // fails only on a closed connection, and then so does the read
	return drained
}

// late: the deadline has passed.
func (s *session) late(work context.Context, drained bool) error {
	now := time.Now()
	switch {
	case drained:
		s.ended = true
		err := s.do(work, s.talk.End(""))
		s.patient()
		return err
	case s.split.Open():
		if now.Before(s.docEnd) {
			return nil
		}
		s.notice("a document was not complete after "+s.in.cfg.FrameTimeout.String(), s.split.Rest(keptBytes))
		return errBroken
	case !s.due.IsZero() && !now.Before(s.due):
		if s.ended {
			return io.EOF
		}
		err := s.do(work, s.talk.Timeout())
		s.patient()
		return err
	case !s.refresh.IsZero() && !now.Before(s.refresh) && s.talk.Idle():
		err := s.do(work, s.talk.Wish(s.wish(nil)))
		s.patient()
		return err
	}
	return nil
}

// document takes in one whole document.
func (s *session) document(work context.Context, raw []byte) error {
	d, broken := wire.Parse(raw, s.split.Limits)
	if broken == nil {
		return s.do(work, s.talk.Message(d))
	}
	if d.Root != nil && !d.Type().Stored() {
		s.notice("a document that cannot be read: "+broken.Error(), raw[:min(len(raw), keptBytes)])
		return s.do(work, s.talk.Refuse(d, "the document cannot be read"))
	}
	return s.do(work, s.talk.Message(d)) // kept, with the reason
}

// send writes one message of ours in a single write.
func (s *session) send(a wire.Send) error {
	now := s.in.set.Now()
	if s.zone != nil {
		now = now.In(s.zone)
	}
	b := wire.Render(wire.Head{ControlID: a.Control, Created: now}, a.Message)
	if s.split.Framed() {
		b = append(append([]byte{0x0b}, b...), 0x1c, 0x0d)
	}
	_ = s.conn.SetWriteDeadline(time.Now().Add(writeTime)) // fails only on a closed connection, and then so does the write
	if _, err := s.conn.Write(b); err != nil {
		return err
	}
	fault.Point("poct1a.answered")
	return nil
}

func (s *session) notice(what string, bytes []byte) { s.in.notices.Record(s.peer, what, bytes) }
