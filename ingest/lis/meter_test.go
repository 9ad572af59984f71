package lis_test

import (
	"fmt"
	"io"
	"strings"

	"tidegate/ingest/sourcetest"
)

const (
	etx = "\x03"
	etb = "\x17"
	ack = "\x06"
	nak = "\x15"
	eot = "\x04"
	enq = "\x05"
)

// frame writes a frame by hand: its sum is that of the bytes on the line.
func frame(n int, text, end string) string {
	body := fmt.Sprintf("%d%s%s", n%8, text, end)
	sum := 0
	for i := range len(body) {
		sum += int(body[i])
	}
	return fmt.Sprintf("\x02%s%02X\r\n", body, sum%256)
}

// meter is an instrument's side of LIS01, by hand.
type meter struct{ line io.ReadWriter }

// read takes one byte; "" at the end of the line.
func (m meter) read() string {
	b := make([]byte, 1)
	if _, err := io.ReadFull(m.line, b); err != nil {
		return ""
	}
	return string(b)
}

func (m meter) ask(s string) string {
	if _, err := io.WriteString(m.line, s); err != nil {
		return ""
	}
	return m.read()
}

// send sends records, one a frame and those over 240 bytes in several; a frame
// that is refused up to six times.
func (m meter) send(records string) sourcetest.Answer {
	if m.ask(enq) != ack {
		return sourcetest.None
	}
	n := 1
	for _, record := range strings.SplitAfter(records, "\r") {
		for record != "" {
			text, end := record, etx
			if len(text) > 240 {
				text, end = text[:240], etb
			}
			record = record[len(text):]
			switch m.try(frame(n, text, end)) {
			case "":
				return sourcetest.None
			case nak:
				_, _ = io.WriteString(m.line, eot) // given up
				return sourcetest.Negative
			}
			n++
		}
	}
	if _, err := io.WriteString(m.line, eot); err != nil || records == "" {
		return sourcetest.None
	}
	return sourcetest.Positive
}

func (m meter) try(frame string) (answer string) {
	for range 6 {
		if answer = m.ask(frame); answer != nak {
			break
		}
	}
	return answer
}
