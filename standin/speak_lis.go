package standin

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
)

// Characters of the LIS01 link.
const (
	stx = 0x02
	etx = 0x03
	eot = 0x04
	enq = 0x05
	ack = 0x06
	nak = 0x15
	etb = 0x17
)

// What a meter is told on the LIS01 link.
const (
	lisTaken   = "ACK" // the last frame was acknowledged
	lisRefused = "NAK" // a frame was refused as often as it may be sent
	lisBusy    = "BUSY"
)

// Limits of LIS01: text in a frame, and how often one is sent.
const (
	lisText  = 240
	lisTries = 6
)

// lisSpeaker is an instrument that sends LIS02 records over the LIS01 link on
// a TCP connection, which it keeps. A message is its records, H to L, each
// ended by CR; each goes in a frame of its own, and a long one in several.
//
//	ENQ ─► ACK, then for each frame: STX n text ETX|ETB sum CR LF ─► ACK
//	(NAK: the same frame again, six times at most), then EOT.
type lisSpeaker struct {
	line line
	read *bufio.Reader
}

func newLISSpeaker(addr string) *lisSpeaker { return &lisSpeaker{line: line{addr: addr}} }

func (s *lisSpeaker) close() { s.line.close() }

// say implements speaker.
func (s *lisSpeaker) say(ctx context.Context, records []byte, how trick) (answer string, err error) {
	opened, err := s.line.open(ctx)
	if err != nil {
		return "", err
	}
	if opened {
		s.read = bufio.NewReader(s.line)
	}
	answer, err = s.send(ctx, records, how)
	if err != nil {
		s.close()
	}
	return answer, err
}

func (s *lisSpeaker) send(ctx context.Context, records []byte, how trick) (string, error) {
	switch got, err := s.ask([]byte{enq}); {
	case err != nil:
		return "", err
	case got != ack:
		return lisBusy, nil
	}
	frames := lisFrames(records)
	for i, f := range frames {
		switch last := i == len(frames)-1; {
		case how == half && (last || i == len(frames)/2):
			_, _ = s.line.Write(f[:len(f)/2])
			return "", errLineLost
		case how == deaf && last:
			_, _ = s.line.Write(f)
			return "", errLineLost
		}
		taken, err := s.frame(ctx, f, how, i == len(frames)/2)
		if err != nil {
			return "", err
		}
		if !taken {
			_, err := s.line.Write([]byte{eot})
			return lisRefused, err
		}
	}
	_, err := s.line.Write([]byte{eot})
	return lisTaken, err
}

// greet connects and begins and ends a sending in which nothing is sent.
func (s *lisSpeaker) greet(ctx context.Context) error {
	if _, err := s.line.open(ctx); err != nil {
		return err
	}
	s.read = bufio.NewReaderSize(s.line, 16)
	if got, err := s.ask([]byte{enq}); err != nil || got != ack {
		return errors.Join(errLineLost, err)
	}
	_, err := s.line.Write([]byte{eot})
	return err
}

// frame sends one frame until it is taken.
func (s *lisSpeaker) frame(ctx context.Context, f []byte, how trick, middle bool) (taken bool, err error) {
	for try := range lisTries {
		out := f
		if how == miscounted && middle && try == 0 {
			out = bytes.Clone(f)
			out[len(out)-3] = hexDigit(out[len(out)-3] + 1)
		}
		if how == slowly {
			if err := trickle(ctx, s.line, out[:len(out)-1]); err != nil {
				return false, err
			}
			out = out[len(out)-1:]
		}
		got, err := s.ask(out)
		if err != nil {
			return false, err
		}
		if got == ack || got == eot { // EOT asks for a pause; the frame is taken
			return true, nil
		}
	}
	return false, nil
}

// hexDigit keeps a changed digit one of those that a checksum is written in.
func hexDigit(c byte) byte {
	switch c {
	case '9' + 1:
		return 'A'
	case 'F' + 1:
		return '0'
	}
	return c
}

// ask writes and reads the one character that answers.
func (s *lisSpeaker) ask(b []byte) (byte, error) {
	if err := s.line.SetDeadline(deadline(context.Background())); err != nil {
		return 0, err
	}
	if _, err := s.line.Write(b); err != nil {
		return 0, err
	}
	return s.read.ReadByte()
}

// lisFrames divides a message. Numbers go from 1 and back to 0 after 7; the
// checksum is the sum of the bytes from the number to ETX or ETB, modulo 256,
// as two hexadecimal digits.
func lisFrames(records []byte) [][]byte {
	var out [][]byte
	for _, record := range bytes.SplitAfter(records, []byte{'\r'}) {
		for len(record) > 0 {
			n, end := len(record), byte(etx)
			if n > lisText {
				n, end = lisText, etb
			}
			body := append([]byte{byte('0' + (len(out)+1)%8)}, record[:n]...)
			body = append(body, end)
			record = record[n:]
			sum := 0
			for _, c := range body {
				sum += int(c)
			}
			out = append(out, append(append([]byte{stx}, body...), fmt.Sprintf("%02X\r\n", sum%256)...))
		}
	}
	return out
}

// receive is the instrument's side of a message that the host sends.
func (s *lisSpeaker) receive() (records []byte, err error) {
	for {
		c, err := s.read.ReadByte()
		if err != nil {
			return nil, err
		}
		switch c {
		case enq:
		case eot:
			return records, nil
		case stx:
			frame, err := s.read.ReadBytes('\n')
			if err != nil {
				return nil, err
			}
			text, ok := lisTextOf(frame)
			if !ok {
				if _, err := s.line.Write([]byte{nak}); err != nil {
					return nil, err
				}
				continue
			}
			records = append(records, text...)
		default:
			continue
		}
		if _, err := s.line.Write([]byte{ack}); err != nil {
			return nil, err
		}
	}
}

// lisTextOf is the text of a frame whose sum is right; frame begins behind STX.
func lisTextOf(frame []byte) ([]byte, bool) {
	body, tail, ok := bytes.Cut(frame, []byte{etx})
	end := byte(etx)
	if !ok {
		if body, tail, ok = bytes.Cut(frame, []byte{etb}); !ok {
			return nil, false
		}
		end = etb
	}
	sum := int(end)
	for _, c := range body {
		sum += int(c)
	}
	if len(body) == 0 || string(tail) != fmt.Sprintf("%02X\r\n", sum%256) {
		return nil, false
	}
	return body[1:], true
}
