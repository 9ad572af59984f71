package hl7

import (
	"bytes"
	"fmt"
	"strconv"
)

// Part is one message of a batch, or the whole input if it is no batch.
type Part struct {
	Raw      []byte // from its MSH to before the next header, terminator included; shares the input's memory
	Position int    // from 1 in the batch; 0 if the input is no batch
}

// SplitBatch divides FHS, BHS, messages, BTS, FTS into messages. FHS and BHS
// may be absent, and several messages without any of them are a batch too.
// Messages are not parsed: a bad one does not touch its neighbours. Lines that
// stand in no message come as a part of their own, so that nothing is dropped.
//
// Faults are about the envelope: a count in BTS-1 or FTS-1 that does not
// agree, a trailer missing, lines outside any message. They do not say that a
// part is bad; they say that one may be missing.
func SplitBatch(raw []byte) ([]Part, []Fault) {
	s := splitter{raw: raw, sep: '|', terminator: Options{}.terminator(raw)}
	for at := bomLen(raw); at < len(raw); {
		end := len(raw)
		if i := bytes.IndexByte(raw[at:], s.terminator); i >= 0 {
			end = at + i + 1
		}
		s.line(at, end)
		at = end
	}
	return s.finish()
}

type splitter struct {
	raw        []byte
	sep        byte
	terminator byte
	envelope   bool // a header or trailer was seen
	parts      []Part
	partFrom   int // of the open part; valid if open
	partTo     int
	open       bool
	messages   int // since the last BHS or BTS: what BTS-1 counts
	batches    int // what FTS-1 counts
	inBatch    bool
	inFile     bool
	faults     []Fault
}

func (s *splitter) line(from, to int) {
	at := from
	if s.terminator == '\r' && s.raw[at] == '\n' && at+1 < to {
		at++
	}
	line := bytes.TrimRight(s.raw[at:to], "\r\n")
	switch s.kind(line) {
	case "MSH":
		s.close()
		s.sep = line[3]
		s.begin(at, to)
		s.messages++
	case "FHS":
		s.header(line)
		s.inFile = true
	case "BHS":
		s.header(line)
		s.endBatch("the batch has no BTS trailer")
		s.inBatch, s.messages = true, 0
	case "BTS":
		s.trailer(line, from, s.messages, "messages")
		s.batches++
		s.inBatch, s.messages = false, 0
	case "FTS":
		if s.messages > 0 {
			s.endBatch("the batch has no BTS trailer")
			s.batches++
		}
		s.trailer(line, from, s.batches, "batches")
		s.inFile = false
	default:
		switch {
		case s.open:
			s.partTo = to
		case !isBlank(line):
			s.faults = append(s.faults, Fault{Code: CodeSequence, What: "lines stand outside any message", Span: Span{at, to}})
			s.begin(at, to)
		}
	}
}

// kind is the id of a line that structures a batch, "" for any other.
func (s *splitter) kind(line []byte) string {
	if len(line) < 3 {
		return ""
	}
	switch id := string(line[:3]); id {
	case "MSH", "FHS", "BHS":
		if len(line) > 3 && isDelimiter(line[3]) {
			return id
		}
	case "BTS", "FTS":
		if len(line) == 3 || line[3] == s.sep {
			return id
		}
	}
	return ""
}

func (s *splitter) begin(from, to int) { s.open, s.partFrom, s.partTo = true, from, to }

func (s *splitter) close() {
	if s.open {
		s.parts = append(s.parts, Part{Raw: s.raw[s.partFrom:s.partTo:s.partTo]})
	}
	s.open = false
}

func (s *splitter) header(line []byte) {
	s.close()
	s.envelope = true
	s.sep = line[3]
}

func (s *splitter) endBatch(what string) {
	if s.inBatch {
		s.faults = append(s.faults, Fault{Code: CodeSequence, Segment: "BTS", What: what})
	}
	s.inBatch = false
}

func (s *splitter) trailer(line []byte, from, found int, of string) {
	s.close()
	s.envelope = true
	id, rest := string(line[:3]), line[min(4, len(line)):]
	if i := bytes.IndexByte(rest, s.sep); i >= 0 {
		rest = rest[:i]
	}
	text := string(bytes.TrimSpace(rest))
	if text == "" || text == `""` {
		return
	}
	fault := Fault{Segment: id, Field: 1, Span: Span{from, from + len(line)}}
	said, err := strconv.Atoi(text)
	switch {
	case err != nil:
		fault.Code, fault.What = CodeType, "the count of "+of+" is not a number"
	case said != found:
		fault.Code, fault.What = CodeSequence, fmt.Sprintf("it counts %d %s, and there are %d", said, of, found)
	default:
		return
	}
	s.faults = append(s.faults, fault)
}

func (s *splitter) finish() ([]Part, []Fault) {
	s.close()
	s.endBatch("the batch has no BTS trailer")
	if s.inFile {
		s.faults = append(s.faults, Fault{Code: CodeSequence, Segment: "FTS", What: "the file has no FTS trailer"})
	}
	if !s.envelope && len(s.parts) <= 1 {
		return []Part{{Raw: s.raw}}, nil
	}
	for i := range s.parts {
		s.parts[i].Position = i + 1
	}
	return s.parts, s.faults
}
