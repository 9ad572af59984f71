package hl7

import (
	"bytes"
	"errors"
	"fmt"
	"io"
)

// The block characters of MLLP release 1 (HL7 implementation guide, appendix
// C.4): a frame is 0B payload 1C 0D.
const (
	frameStart = 0x0B
	frameEnd   = 0x1C
	frameAfter = 0x0D
)

// FrameState is where a reader stands in its stream.
type FrameState uint8

// States of a reader.
const (
	FrameOutside FrameState = iota // between frames
	FrameInside                    // a frame has begun
	FrameEnding                    // 1C was read, and nothing after it
)

// FrameFaultKind says what is wrong with the framing.
type FrameFaultKind uint8

// Kinds of framing fault.
const (
	FrameJunk      FrameFaultKind = iota // bytes outside any frame
	FrameTruncated                       // a frame began before the last one ended
	FrameTooLong                         // the limit was passed
	FrameCut                             // the stream ended or failed within a frame
)

// FrameFault is bytes that make no message. Unless Fatal, the reader goes on
// with the next frame.
type FrameFault struct {
	Kind  FrameFaultKind
	Bytes []byte // at most the last 64 KiB of them
	Total int    // how many there were
	Fatal bool
	Err   error // what the connection said, for FrameCut; nil at its plain end
}

const keptBytes = 64 << 10

// Error names the fault without contents.
func (f *FrameFault) Error() string {
	switch f.Kind {
	case FrameJunk:
		return fmt.Sprintf("%d bytes outside any frame", f.Total)
	case FrameTruncated:
		return fmt.Sprintf("a frame of %d bytes was cut off by the start of another", f.Total)
	case FrameTooLong:
		return fmt.Sprintf("a frame of more than the %d bytes allowed", f.Total-1)
	}
	if f.Err != nil {
		return fmt.Sprintf("the connection failed %d bytes into a frame: %v", f.Total, f.Err)
	}
	return fmt.Sprintf("the connection ended %d bytes into a frame", f.Total)
}

// Unwrap gives what the connection said.
func (f *FrameFault) Unwrap() error { return f.Err }

// FrameReader takes MLLP frames from a stream. However the stream is cut into
// reads, the frames and faults are the same. It buffers at most one frame.
type FrameReader struct {
	// Waiting, if set, is called before each read from the stream, so that the
	// caller can set a deadline that fits the state. A read that times out in
	// FrameEnding ends the frame: some senders leave the last 0D out.
	Waiting func(FrameState)

	// Skipped counts all bytes outside frames, line ends included.
	Skipped int64

	r        io.Reader
	max      int
	buf      []byte
	lo, hi   int
	state    FrameState
	frame    []byte
	junk     []byte
	junkLen  int
	pending  error // read error to report once what is before it has been
	finished bool
}

// NewFrameReader reads frames whose payload has at most max bytes.
func NewFrameReader(r io.Reader, max int) *FrameReader {
	return &FrameReader{r: r, max: max, buf: make([]byte, 4096)}
}

// Next returns the payload of the next frame, in memory of its own. An error
// is a *FrameFault, or io.EOF or what the stream said if it ends between frames.
func (f *FrameReader) Next() ([]byte, error) {
	for {
		if f.finished {
			return nil, io.EOF
		}
		if f.lo == f.hi {
			if payload, done, err := f.fill(); done {
				return payload, err
			}
			continue
		}
		var payload []byte
		var done bool
		var fault *FrameFault
		switch f.state {
		case FrameOutside:
			fault = f.outside()
		case FrameInside:
			fault = f.inside()
		case FrameEnding:
			payload, done, fault = f.ending()
		}
		if fault != nil {
			f.finished = fault.Fatal
			return nil, fault
		}
		if done {
			return payload, nil
		}
	}
}

// fill reads more. done tells that Next has to return.
func (f *FrameReader) fill() (payload []byte, done bool, err error) {
	n := 0
	if f.pending == nil {
		if f.Waiting != nil {
			f.Waiting(f.state)
		}
		n, f.pending = f.r.Read(f.buf)
	}
	f.lo, f.hi = 0, n
	if n > 0 || f.pending == nil {
		return nil, false, nil
	}
	var timeout interface{ Timeout() bool }
	if f.state == FrameEnding && errors.As(f.pending, &timeout) && timeout.Timeout() {
		f.pending = nil
		return f.take(), true, nil
	}
	if f.state == FrameOutside && f.junkLen > 0 {
		return nil, true, f.junkFault(false)
	}
	f.finished = true
	if f.state == FrameOutside {
		return nil, true, f.pending
	}
	if f.state == FrameEnding {
		f.frame = append(f.frame, frameEnd)
	}
	fault := &FrameFault{Kind: FrameCut, Bytes: tail(f.frame), Total: len(f.frame), Fatal: true}
	if f.pending != io.EOF {
		fault.Err = f.pending
	}
	return nil, true, fault
}

// outside drops bytes up to the start of a frame.
func (f *FrameReader) outside() *FrameFault {
	chunk := f.buf[f.lo:f.hi]
	i := bytes.IndexByte(chunk, frameStart)
	if i >= 0 {
		chunk = chunk[:i]
	}
	f.lo += len(chunk)
	f.skip(chunk)
	if f.junkLen > f.max {
		return f.junkFault(true)
	}
	if i < 0 {
		return nil
	}
	if f.junkLen > 0 {
		return f.junkFault(false) // the start is read by the next call
	}
	f.lo++
	f.state, f.frame = FrameInside, nil
	return nil
}

// skip counts bytes outside frames. Line ends there are a habit of some
// senders and no fault.
func (f *FrameReader) skip(chunk []byte) {
	f.Skipped += int64(len(chunk))
	if f.junkLen == 0 {
		chunk = bytes.TrimLeft(chunk, "\r\n")
	}
	f.junkLen += len(chunk)
	f.junk = append(f.junk, chunk...)
	if len(f.junk) > 2*keptBytes {
		f.junk = append(f.junk[:0], tail(f.junk)...)
	}
}

func (f *FrameReader) junkFault(fatal bool) *FrameFault {
	fault := &FrameFault{Kind: FrameJunk, Bytes: tail(f.junk), Total: f.junkLen, Fatal: fatal}
	f.junk, f.junkLen = nil, 0
	return fault
}

// inside takes bytes up to the end of the frame, or to the start of another.
func (f *FrameReader) inside() *FrameFault {
	chunk := f.buf[f.lo:f.hi]
	end := bytes.IndexByte(chunk, frameEnd)
	if end >= 0 {
		chunk = chunk[:end]
	}
	if start := bytes.IndexByte(chunk, frameStart); start >= 0 {
		f.lo += start // stays: it starts the next frame
		return f.restart(chunk[:start])
	}
	if fault := f.grow(chunk); fault != nil {
		return fault
	}
	f.lo += len(chunk)
	if end >= 0 {
		f.lo++
		f.state = FrameEnding
	}
	return nil
}

// ending decides what a 1C was: with 0D or the start of a frame after it the
// end of this one, else a byte of the payload.
func (f *FrameReader) ending() (payload []byte, done bool, fault *FrameFault) {
	switch f.buf[f.lo] {
	case frameAfter:
		f.lo++
		return f.take(), true, nil
	case frameStart:
		return f.take(), true, nil
	}
	f.state = FrameInside
	return nil, false, f.grow([]byte{frameEnd})
}

func (f *FrameReader) take() []byte {
	payload := f.frame
	if payload == nil {
		payload = []byte{}
	}
	f.frame, f.state = nil, FrameOutside
	return payload
}

func (f *FrameReader) restart(rest []byte) *FrameFault {
	if fault := f.grow(rest); fault != nil {
		return fault
	}
	cut := f.take()
	return &FrameFault{Kind: FrameTruncated, Bytes: tail(cut), Total: len(cut)}
}

func (f *FrameReader) grow(chunk []byte) *FrameFault {
	if len(f.frame)+len(chunk) > f.max {
		keep := f.max + 1 - len(f.frame)
		f.frame = append(f.frame, chunk[:keep]...)
		return &FrameFault{Kind: FrameTooLong, Bytes: tail(f.frame), Total: len(f.frame), Fatal: true}
	}
	f.frame = append(f.frame, chunk...)
	return nil
}

func tail(b []byte) []byte { return b[max(0, len(b)-keptBytes):] }

// AppendFrame appends a payload in its frame.
func AppendFrame(dst, payload []byte) []byte {
	dst = append(dst, frameStart)
	dst = append(dst, payload...)
	return append(dst, frameEnd, frameAfter)
}

// WriteFrame sends a payload in its frame with a single Write: some receivers
// take what one read gives them for the whole answer.
func WriteFrame(w io.Writer, payload []byte) error {
	_, err := w.Write(AppendFrame(make([]byte, 0, len(payload)+3), payload))
	return err
}
