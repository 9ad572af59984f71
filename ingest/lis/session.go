package lis

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"os"
	"sync"
	"time"

	"tidegate/fault"
	"tidegate/poct"
	"tidegate/wire/astm"
)

const (
	format    = "lis02"
	readSize  = 512              // idle connections hold no more
	writeTime = 10 * time.Second // for one frame or answer
	keptBytes = 64 << 10         // of what became no message, for a notice
)

// line is a connection, or a serial port.
type line interface {
	io.ReadWriter
	SetReadDeadline(time.Time) error
	SetWriteDeadline(time.Time) error
}

// errTooLong ends a session whose sender does not come to an end.
var errTooLong = errors.New("a message was longer than allowed")

// errLate ends a session in which an answer would have come too late.
var errLate = errors.New("the store took longer than a sender waits for its answer")

// session is the talk on one line.
type session struct {
	in   *Inlet
	line line
	peer string
	link *astm.Link
	text astm.Assembly
	due  time.Time // when the link's time runs out; zero: it waits for nothing
	junk []byte    // came outside of any sending
	lost int       // how much of it
	// asked are the messages with queries that are answered when the line is at
	// rest.
	asked []*astm.Message

	mu       sync.Mutex
	draining bool
	waiting  bool // at rest: there is nothing to finish
}

func newSession(in *Inlet, l line, peer string) *session {
	return &session{in: in, line: l, peer: peer, link: astm.NewLink(in.cfg.link())}
}

// Drain ends the session once the sending in hand has ended.
func (s *session) Drain() {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.draining = true
	if s.waiting {
		_ = s.line.SetReadDeadline(time.Unix(1, 0))
	}
}

// run serves the line until it is lost, drained or given up.
func (s *session) run(work context.Context) error {
	if s.in.cfg.Mode == bare {
		return s.runBare(work)
	}
	err := s.talk(work)
	if lost := s.do(work, s.link.Lose()); err == nil {
		err = lost
	}
	s.tellJunk()
	return err
}

func (s *session) talk(work context.Context) error {
	buf := make([]byte, readSize)
	for {
		drained := s.wait(s.due, s.link.Idle())
		n, err := s.line.Read(buf)
		if n > 0 {
			if err := s.do(work, s.link.Receive(buf[:n])); err != nil {
				return err
			}
			continue
		}
		switch {
		case err == nil:
		case !errors.Is(err, os.ErrDeadlineExceeded):
			return err
		case drained, s.due.IsZero(): // told to stop, or idle for too long
			return nil
		case !time.Now().Before(s.due):
			s.due = time.Time{}
			if err := s.do(work, s.link.Expire()); err != nil {
				return err
			}
		}
	}
}

// wait sets the deadline for the next read: due, if that is set. At rest a
// session that drains reads no more.
func (s *session) wait(due time.Time, rest bool) (drained bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.waiting = rest
	switch {
	case rest && s.draining:
		due, drained = time.Unix(1, 0), true
	case due.IsZero() && s.in.cfg.Idle > 0:
		due = time.Now().Add(s.in.cfg.Idle)
	}
	_ = s.line.SetReadDeadline(due) // fails only on a closed line, and then so does the read
	return drained
}

// do does what the link wants done. A frame's verdict comes last: it makes
// the link go on.
func (s *session) do(work context.Context, acts []astm.Action) error {
	for {
		var frame *astm.Action
		for i, a := range acts {
			switch a.Kind {
			case astm.Write:
				if err := s.write(a.Bytes); err != nil {
					return fmt.Errorf("an answer could not be sent: %w", err)
				}
			case astm.Timer:
				s.due = time.Time{}
				if a.After > 0 {
					s.due = time.Now().Add(a.After)
				}
			case astm.Begun:
				s.tellJunk()
				s.text = astm.Assembly{}
			case astm.Deliver:
				frame = &acts[i]
			case astm.Ended:
				if err := s.ended(work, a.End); err != nil {
					return err
				}
			case astm.Junk:
				if err := s.stray(a.Bytes); err != nil {
					return err
				}
			case astm.Refused:
				s.in.set.Log.Warn().Str("peer", s.peer).Msg("a frame was refused: " + a.Why)
			case astm.Unsent:
				s.in.set.Log.Warn().Str("peer", s.peer).Msg("the answer to a query was not taken: " + a.Why)
			case astm.Sent:
			}
		}
		if frame == nil {
			if len(s.asked) == 0 || !s.link.Idle() {
				return nil
			}
			asked := s.asked
			s.asked = nil
			acts = s.link.Send(s.answer(work, asked))
			continue
		}
		next, err := s.take(work, frame.Bytes, frame.Last)
		switch {
		case errors.Is(err, errLate), errors.Is(err, errTooLong):
			s.text = astm.Assembly{}
			if gone := s.do(work, s.link.Abandon()); gone != nil {
				return gone
			}
			return err
		case err != nil:
			acts = s.link.Verdict(false)
		default:
			s.text = next
			acts = s.link.Verdict(true)
		}
	}
}

func (s *session) write(b []byte) error {
	_ = s.line.SetWriteDeadline(time.Now().Add(writeTime)) // fails only on a closed line, and then so does the write
	if _, err := s.line.Write(b); err != nil {
		return err
	}
	fault.Point("lis.answered")
	return nil
}

// take adds a frame's text and stores what it completes. After an error the
// frame counts as not come.
func (s *session) take(work context.Context, text []byte, whole bool) (astm.Assembly, error) {
	pieces, next := s.text.Add(text, whole)
	if err := s.fits(pieces, next); err != nil {
		return next, err
	}
	from, limit := time.Now(), s.in.patience()
	ctx, done := context.WithTimeout(work, limit)
	defer done()
	for _, p := range pieces {
		err := s.store(ctx, p)
		if late := time.Since(from) >= limit; late {
			s.in.refused.Is(errLate)
			return next, errLate
		}
		if err != nil {
			return next, err
		}
	}
	s.asked = append(s.asked, queries(pieces)...)
	return next, nil
}

// fits tells whether messages stay within the limit; if not, a notice is made.
func (s *session) fits(pieces []astm.Piece, next astm.Assembly) error {
	most := s.in.cfg.MaxMessage
	tooLong := next.Rest()
	for _, p := range pieces {
		if len(p.Raw) > most {
			tooLong = p.Raw
		}
	}
	if len(tooLong) <= most {
		return nil
	}
	s.notice(fmt.Sprintf("a message of more than the %d bytes allowed", most), tooLong)
	return errTooLong
}

// store puts one piece into the inbox.
func (s *session) store(ctx context.Context, p astm.Piece) error {
	a := poct.Arrival{
		Inlet: s.in.set.ID, Source: s.in.set.ID, Digest: sha256.Sum256(p.Raw), Received: s.in.set.Now(), Peer: s.peer,
		Format: format, Raw: p.Raw,
	}
	if p.Fault != nil {
		a.Fault = p.Fault.What
	}
	if m, err := astm.Parse(p.Raw); err == nil {
		a.ControlID = m.Header().Field(3).Text()
	}
	_, err := s.in.set.Inbox.Accept(ctx, a)
	fault.Point("lis.accepted")
	s.in.refused.Is(err)
	return err
}

// again is how long to wait before what has to be stored is tried again.
const (
	firstAgain = 250 * time.Millisecond
	lastAgain  = 5 * time.Second
)

// insist stores what nobody would send again, however long that takes.
func (s *session) insist(work context.Context, pieces []astm.Piece) error {
	for _, p := range pieces {
		for pause := firstAgain; ; pause = min(2*pause, lastAgain) {
			if err := s.store(work, p); err == nil {
				break
			}
			select {
			case <-work.Done():
				s.notice("a message could not be stored before the inlet had to stop, and its sender does not keep it", p.Raw)
				return work.Err()
			case <-time.After(pause):
			}
		}
	}
	return nil
}

// ended: the other side has stopped sending.
func (s *session) ended(work context.Context, how astm.End) error {
	text := s.text
	s.text = astm.Assembly{}
	if !text.Open() {
		return nil
	}
	if how == astm.EndPlain {
		from := time.Now()
		if err := s.insist(work, text.End()); err != nil || time.Since(from) < s.in.patience() {
			return err
		}
		return errLate // the sender may have begun again meanwhile, and given up
	}
	why := map[astm.End]string{
		astm.EndGivenUp: "the sender gave it up", astm.EndSilence: "nothing more came", astm.EndAnew: "the sender began anew", astm.EndLost: "the connection ended",
	}[how]
	s.notice(fmt.Sprintf("a message was broken off, %s: %d bytes had come", why, len(text.Rest())), text.Rest())
	return nil
}

// stray counts bytes that belong to no sending; their first are kept.
func (s *session) stray(b []byte) error {
	s.lost += len(b)
	s.junk = append(s.junk, b[:min(len(b), max(0, keptBytes-len(s.junk)))]...)
	if s.lost > s.in.cfg.MaxMessage {
		s.tellJunk()
		return errTooLong
	}
	return nil
}

func (s *session) tellJunk() {
	if s.lost > 0 {
		s.notice(fmt.Sprintf("%d bytes outside any sending", s.lost), s.junk)
	}
	s.junk, s.lost = nil, 0
}

func (s *session) notice(what string, bytes []byte) {
	s.in.notices.Record(s.peer, what, bytes[max(0, len(bytes)-keptBytes):])
}
