package lis

import (
	"context"
	"errors"
	"os"
	"time"

	"tidegate/wire/astm"
)

// runBare takes records that come without the link. They have no answers, so
// what was read is stored whatever it takes.
func (s *session) runBare(work context.Context) error {
	buf := make([]byte, readSize)
	for {
		due := time.Time{}
		if s.text.Open() {
			due = time.Now().Add(s.in.cfg.Silence)
		}
		drained := s.wait(due, !s.text.Open())
		n, err := s.line.Read(buf)
		if n > 0 {
			pieces, next := s.text.Add(buf[:n], false)
			if err := s.fits(pieces, next); err != nil {
				return err
			}
			s.text = next
			if err := s.keepBare(work, pieces); err != nil {
				return err
			}
			continue
		}
		if err == nil {
			continue
		}
		silent := errors.Is(err, os.ErrDeadlineExceeded)
		if drained || silent && !s.text.Open() { // told to stop, or idle for too long
			return nil
		}
		rest := s.text.End()
		s.text = astm.Assembly{}
		if err := s.keepBare(work, rest); err != nil {
			return err
		}
		if !silent {
			return err
		}
	}
}

func (s *session) keepBare(work context.Context, pieces []astm.Piece) error {
	if err := s.insist(work, pieces); err != nil {
		return err
	}
	if answer := s.answer(work, queries(pieces)); answer != nil {
		return s.write(answer)
	}
	return nil
}
