package lis

import (
	"context"
	"errors"
	"fmt"
	"os"
	"sync/atomic"
	"time"

	"go.bug.st/serial"

	"tidegate/ingest"
)

// How long to wait before a serial port is opened again.
const (
	firstOpen  = time.Second
	lastOpen   = 30 * time.Second
	portGlance = 250 * time.Millisecond // how often a waiting read looks up
)

var parities = map[string]serial.Parity{"": serial.NoParity, "none": serial.NoParity, "even": serial.EvenParity, "odd": serial.OddParity}

// runSerial serves a serial port, and opens it again whenever it fails: the
// adapter may be pulled out and put back.
func (in *Inlet) runSerial(ctx context.Context) error {
	work, done := ingest.Outlive(ctx, ingest.DrainTime)
	defer done()
	mode := &serial.Mode{BaudRate: in.cfg.Baud, DataBits: in.cfg.DataBits, Parity: parities[in.cfg.Parity], StopBits: serial.OneStopBit}
	if in.cfg.StopBits == 2 {
		mode.StopBits = serial.TwoStopBits
	}
	told := ""
	pause := firstOpen
	for ctx.Err() == nil {
		port, err := serial.Open(in.cfg.Serial, mode)
		if err == nil {
			if told != "" {
				in.set.Log.Info().Str("serial", in.cfg.Serial).Msg("the serial port is open again")
			}
			from := time.Now()
			err = in.serve(ctx, work, port)
			if time.Since(from) > lastOpen { // it was of use
				told, pause = "", firstOpen
			}
		}
		if ctx.Err() != nil {
			break
		}
		if what := fmt.Sprintf("the serial port cannot be used: %v", err); err != nil && what != told {
			in.notices.Record(in.cfg.Serial, what, nil)
			told = what
		}
		select {
		case <-ctx.Done():
		case <-time.After(pause):
		}
		pause = min(2*pause, lastOpen)
	}
	return nil
}

// serve talks on an open port until it fails or the inlet is told to stop.
func (in *Inlet) serve(ctx, work context.Context, port serial.Port) error {
	defer port.Close() //nolint:errcheck // nothing is left to be written
	p := &portLine{port: port}
	defer context.AfterFunc(work, p.cut)()
	for {
		s := newSession(in, p, in.cfg.Serial)
		stop := context.AfterFunc(ctx, s.Drain)
		err := ingest.Guard(in.set.Log, func() error { return s.run(work) })
		stop()
		if err == nil || p.failed || errors.Is(err, ingest.ErrPanic) || work.Err() != nil {
			return err
		}
		// The sender went too far, not the line: go on with a session anew.
	}
}

// portLine gives a serial port the deadlines of a connection.
type portLine struct {
	port   serial.Port
	failed bool         // by the session's own goroutine
	due    atomic.Int64 // Unix nanoseconds; 0: none
	gone   atomic.Bool
}

// Read waits for bytes; it looks up now and then, so that a deadline that is
// set meanwhile is heeded.
func (p *portLine) Read(b []byte) (int, error) {
	for {
		wait := portGlance
		if due := p.due.Load(); due != 0 {
			if wait = min(wait, time.Until(time.Unix(0, due))); wait <= 0 {
				return 0, os.ErrDeadlineExceeded
			}
		}
		if p.gone.Load() {
			return 0, os.ErrClosed
		}
		if err := p.port.SetReadTimeout(wait); err != nil {
			p.failed = true
			return 0, err
		}
		n, err := p.port.Read(b)
		if err != nil {
			p.failed = true
		}
		if n > 0 || err != nil {
			return n, err
		}
	}
}

// Write implements io.Writer.
func (p *portLine) Write(b []byte) (int, error) {
	n, err := p.port.Write(b)
	if err != nil {
		p.failed = true
	}
	return n, err
}

// SetReadDeadline implements line.
func (p *portLine) SetReadDeadline(t time.Time) error {
	due := int64(0)
	if !t.IsZero() {
		due = t.UnixNano()
	}
	p.due.Store(due)
	return nil
}

// SetWriteDeadline implements line: a serial port takes what it is given at
// its own speed.
func (p *portLine) SetWriteDeadline(time.Time) error { return nil }

func (p *portLine) cut() { p.gone.Store(true) }
