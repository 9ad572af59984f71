package mllp

import (
	"context"
	"crypto/sha256"
	"crypto/tls"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"runtime/debug"
	"slices"
	"strings"
	"sync"
	"time"

	"tidegate/fault"
	"tidegate/ingest"
	"tidegate/poct"
	"tidegate/wire/hl7"
)

const (
	writeTime = 10 * time.Second       // for one answer
	silence   = 200 * time.Millisecond // after 1C, before the missing 0D is given up
)

// session is one connection.
type session struct {
	l       *Listener
	conn    net.Conn
	peer    string // address, or the name in the client's certificate
	host    string // the peer without its port: what habits are remembered by
	frames  *hl7.FrameReader
	repeats repeats
	junked  bool // bytes outside frames were told, which is done once
	acked   bool // and so that it acknowledges our answers

	mu       sync.Mutex
	state    hl7.FrameState
	frameEnd time.Time // when the frame in hand must be complete; zero outside frames
	draining bool
}

func newSession(l *Listener, conn net.Conn) *session {
	s := &session{l: l, conn: conn, peer: conn.RemoteAddr().String()}
	s.host = s.peer
	if host, _, err := net.SplitHostPort(s.peer); err == nil {
		s.host = host
	}
	if l.tls != nil {
		s.conn = tls.Server(conn, l.tls) // no byte is read yet
	}
	return s
}

// Run serves the connection to its end.
func (s *session) Run(work context.Context) {
	defer s.conn.Close() //nolint:errcheck // nothing is left to be written
	defer s.recover()
	if conn, ok := s.conn.(*tls.Conn); ok && !s.handshake(work, conn) {
		return
	}
	s.frames = hl7.NewFrameReader(s.conn, s.l.cfg.MaxFrame)
	s.frames.Waiting = s.waiting
	for {
		raw, err := s.frames.Next()
		var broken *hl7.FrameFault
		switch {
		case err == nil:
			if !s.take(work, raw) {
				return
			}
		case errors.As(err, &broken):
			s.tell(broken)
			if broken.Fatal {
				return
			}
		default:
			if !errors.Is(err, io.EOF) && !errors.Is(err, os.ErrDeadlineExceeded) {
				s.l.set.Log.Debug().Err(err).Str("peer", s.peer).Msg("connection failed between messages")
			}
			return
		}
	}
}

// recover keeps a mistake of ours to one connection. The panic's value is not
// logged: it may hold a piece of a message.
func (s *session) recover() {
	if p := recover(); p != nil {
		s.l.set.Log.Error().Str("peer", s.peer).Str("panic", fmt.Sprintf("%T", p)).Bytes("stack", debug.Stack()).
			Msg("session ended by a fault of ours; its message is not acknowledged")
	}
}

// handshake settles who is there.
func (s *session) handshake(work context.Context, conn *tls.Conn) bool {
	peer, err := ingest.Handshake(work, conn)
	if err != nil {
		s.l.set.Log.Warn().Err(err).Str("peer", s.peer).Msg("a connection was not secured")
		if s.l.tls.ClientCAs != nil && !errors.Is(err, io.EOF) && !errors.Is(err, os.ErrDeadlineExceeded) {
			s.notice("a connection was refused: no certificate that is accepted here", nil)
		}
		return false
	}
	if peer != s.peer {
		s.peer, s.host = peer, peer
	}
	return true
}

// waiting sets the deadline for the next read.
func (s *session) waiting(state hl7.FrameState) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.state = state
	var deadline time.Time
	switch {
	case state == hl7.FrameEnding:
		deadline = time.Now().Add(silence)
	case state == hl7.FrameInside:
		if s.frameEnd.IsZero() {
			s.frameEnd = time.Now().Add(s.l.cfg.FrameTimeout)
		}
		deadline = s.frameEnd
	case s.draining:
		deadline = time.Unix(1, 0) // past: between messages there is nothing to finish
	case s.l.cfg.Idle > 0:
		deadline = time.Now().Add(s.l.cfg.Idle)
	}
	if state == hl7.FrameOutside {
		s.frameEnd = time.Time{}
	}
	_ = s.conn.SetReadDeadline(deadline) // fails only on a closed connection, and then so does the read
}

// Cut ends the session now.
func (s *session) Cut() { _ = s.conn.Close() }

// Drain ends the session once the message in hand is answered.
func (s *session) Drain() {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.draining = true
	if s.state == hl7.FrameOutside {
		_ = s.conn.SetReadDeadline(time.Unix(1, 0))
	}
}

// tell records what was no message.
func (s *session) tell(f *hl7.FrameFault) {
	what := f.Error()
	switch f.Kind {
	case hl7.FrameJunk:
		if s.junked && !f.Fatal {
			return // once per connection; the reader goes on counting
		}
		s.junked = true
	case hl7.FrameCut:
		if errors.Is(f, os.ErrDeadlineExceeded) {
			what = fmt.Sprintf("a message was not complete after %s: %d bytes had come", s.l.cfg.FrameTimeout, f.Total)
		}
	}
	s.notice(what, f.Bytes)
}

func (s *session) notice(what string, bytes []byte) { s.l.notices.Record(s.peer, what, bytes) }

// take stores and answers one frame; false ends the session.
func (s *session) take(work context.Context, raw []byte) bool {
	s.mu.Lock()
	s.frameEnd = time.Time{}
	s.mu.Unlock()
	if len(raw) == 0 {
		// There is nothing to store, and an answer without a control id could be
		// taken for the answer to another message.
		s.notice("an empty frame", nil)
		return true
	}
	if len(raw) == 1 && (raw[0] == 0x06 || raw[0] == 0x15) {
		// A commit block of MLLP release 2 acknowledges our answer, and an
		// acknowledgement is never acknowledged.
		s.l.set.Log.Debug().Str("peer", s.peer).Msg("commit block of MLLP release 2 passed over")
		return true
	}
	parts, faults := hl7.SplitBatch(raw)
	for i := range faults {
		s.notice("batch: "+faults[i].Error(), nil)
	}
	if len(parts) == 0 {
		parts = []hl7.Part{{Raw: raw}} // a batch without messages: kept whole, as unreadable
	}
	for _, p := range parts {
		if !s.takeOne(work, raw, p) {
			return false
		}
	}
	return true
}

// takeOne stores and answers one message; false ends the session.
func (s *session) takeOne(work context.Context, frame []byte, p hl7.Part) bool {
	h, _ := hl7.ReadHeader(p.Raw)
	if h.IsAck() {
		// Some senders acknowledge each of our answers. Once is worth a notice.
		if !s.acked {
			s.notice("an acknowledgement that nobody waits for; further ones on this connection are passed over", p.Raw[:min(len(p.Raw), 64<<10)])
		}
		s.acked = true
		return true
	}
	a := poct.Arrival{
		Inlet: s.l.set.ID, Source: s.l.set.ID, Digest: sha256.Sum256(p.Raw), Received: s.l.set.Now(), Peer: s.peer,
		Format: "hl7v2", Raw: p.Raw, Position: p.Position, ControlID: h.ControlID,
	}
	if p.Position > 0 {
		a.Batch = frame
	}
	refusal := s.l.refuse(h, p.Raw)
	outcome := hl7.Stored
	if refusal != nil {
		a.Fault, outcome = refusal.Error(), hl7.Refused
	}
	repeat, reused := s.repeats.note(h.ControlID, a.Digest)
	if reused && !s.l.reusers.has(s.host) {
		s.l.reusers.add(s.host)
		s.notice("one control id was used for different messages; repeats from this sender are answered on a new connection only", nil)
	}
	_, err := s.l.set.Inbox.Accept(work, a)
	fault.Point("mllp.accepted")
	if err != nil {
		s.l.set.Log.Error().Err(err).Str("peer", s.peer).Msg("a message could not be stored; its sender is to send it again")
		outcome, refusal = hl7.Failed, &hl7.Fault{Code: hl7.CodeInternal}
	}
	if repeat && (h.ControlID == "" || s.l.reusers.has(s.host)) {
		s.l.set.Log.Info().Str("peer", s.peer).Msg("connection ended: the same message again, and its answers cannot be told apart")
		return false
	}
	return s.answer(h, outcome, refusal)
}

// answer sends the acknowledgements that a message asks for, each in one write.
func (s *session) answer(h hl7.Header, o hl7.Outcome, f *hl7.Fault) bool {
	a := hl7.Answer{Outcome: o, Now: s.l.set.Now(), NewID: newControlID}
	if f != nil {
		a.Faults = []hl7.Fault{*f}
	}
	for _, ack := range hl7.Ack(h, a) {
		_ = s.conn.SetWriteDeadline(time.Now().Add(writeTime)) // fails only on a closed connection, and then so does the write
		if err := hl7.WriteFrame(s.conn, ack); err != nil {
			s.l.set.Log.Warn().Err(err).Str("peer", s.peer).Msg("an answer could not be sent; its message will come again")
			return false
		}
		fault.Point("mllp.answered")
	}
	return true
}

// messageTypes says what each type of message is about (HL7 table 0076) and
// which of its events are taken; of ADT all are, since an event that is not
// used here is no fault of the sender's.
var messageTypes = []struct {
	name, about string
	events      []string // "": version 2.1 names no event
}{
	{"ORU", "results", []string{"R01", "R30", "R31", "R32", ""}},
	{"ADT", "adt", nil},
	{"ORM", "orders", []string{"O01"}},
	{"OML", "orders", []string{"O21"}},
}

// refuse tells why sending a message again would be of no use; nil if it is
// one that is taken here and can be read.
func (l *Listener) refuse(h hl7.Header, raw []byte) *hl7.Fault {
	if _, err := hl7.Parse(raw); err != nil {
		var f *hl7.Fault
		if !errors.As(err, &f) {
			return &hl7.Fault{Code: hl7.CodeOther, What: "the message cannot be read"}
		}
		return f
	}
	at := hl7.Fault{Segment: "MSH", Sequence: 1, Field: 9}
	if h.Type == "" {
		at.Code, at.What = hl7.CodeMissing, "the message type is missing"
		return &at
	}
	accepts := l.set.Accepts
	if len(accepts) == 0 {
		accepts = []string{"results"}
	}
	var taken []string
	for _, typ := range messageTypes {
		if !slices.Contains(accepts, typ.about) {
			continue
		}
		if taken = append(taken, typ.name); typ.name != h.Type {
			continue
		}
		if typ.events == nil || slices.Contains(typ.events, h.Event) {
			return nil
		}
		at.Code, at.Component, at.What = hl7.CodeEvent, 2, "the event is "+noneOf(typ.events)
		return &at
	}
	at.Code, at.Component, at.What = hl7.CodeMessageType, 1, "the message type is "+noneOf(taken)
	return &at
}

// noneOf says in words that something is not in a list.
func noneOf(list []string) string {
	named := slices.DeleteFunc(slices.Clone(list), func(s string) bool { return s == "" })
	if len(named) == 1 {
		return "not " + named[0]
	}
	return "none of " + strings.Join(named, ", ")
}
