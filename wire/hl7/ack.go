package hl7

import (
	"bytes"
	"strconv"
	"strings"
	"time"
)

// Header is what an answer needs to know of the message it answers: fields of
// MSH, as written. ReadHeader also gets it from messages that Parse refuses.
type Header struct {
	SendingApplication, SendingFacility     string // MSH-3, 4
	ReceivingApplication, ReceivingFacility string // MSH-5, 6
	Type, Event, Structure                  string // MSH-9.1, 9.2, 9.3
	ControlID                               string // MSH-10
	Processing                              string // MSH-11
	Version                                 string // MSH-12
	AcceptAck, ApplicationAck               string // MSH-15, 16: "", AL, NE, ER or SU (table 0155)
	CharacterSet                            string // MSH-18

	delims Delimiters
}

// Limits on what is read and echoed of a header: of a control id 199 bytes
// (HL7 2.7 MSH-10), of any other field 250.
const (
	lastRead     = 18 // MSH-18
	maxControlID = 199
	maxEchoed    = 250
)

// ReadHeader reads the header of a message as far as it can be read: ok is
// false if there is no MSH segment with a field separator at the start.
func ReadHeader(raw []byte) (h Header, ok bool) {
	h.delims = Standard
	raw = raw[bomLen(raw):]
	if len(raw) < 4 || !bytes.HasPrefix(raw, []byte("MSH")) || !isDelimiter(raw[3]) {
		return h, false
	}
	if i := bytes.IndexAny(raw, "\r\n"); i >= 0 {
		raw = raw[:i]
	}
	sep := raw[3]
	d, fault := readDelimiters(raw)
	if fault == nil {
		h.delims = d
	}
	n := 1
	for field := range bytes.SplitSeq(raw, []byte{sep}) {
		h.set(n, field, fault != nil)
		if n++; n > lastRead {
			break
		}
	}
	return h, true
}

// set keeps MSH-n. If the message's own delimiters are in doubt, those that
// the answer will use are taken out of the text.
func (h *Header) set(n int, field []byte, doubt bool) {
	limit := maxEchoed
	if n == 10 {
		limit = maxControlID
	}
	field = field[:min(len(field), limit)]
	kept := make([]byte, 0, len(field))
	for _, c := range field {
		if c >= ' ' && (!doubt || strings.IndexByte(`|^~\&`, c) < 0) {
			kept = append(kept, c)
		}
	}
	text := string(kept)
	if text == `""` {
		text = ""
	}
	if n == 9 {
		parts := append(strings.Split(text, string(h.delims.Component)), "", "")
		h.Type, h.Event, h.Structure = parts[0], parts[1], parts[2]
		return
	}
	places := [...]*string{3: &h.SendingApplication, 4: &h.SendingFacility, 5: &h.ReceivingApplication, 6: &h.ReceivingFacility,
		10: &h.ControlID, 11: &h.Processing, 12: &h.Version, 15: &h.AcceptAck, 16: &h.ApplicationAck, 18: &h.CharacterSet}
	if places[n] != nil {
		*places[n] = text
	}
}

// IsAck reports that the message is itself an acknowledgement, which is never
// acknowledged.
func (h Header) IsAck() bool { return h.Type == "ACK" || h.Type == "MCF" }

// Outcome is what became of a message.
type Outcome uint8

// Outcomes, and the codes of HL7 table 0008 they are told by.
const (
	Stored  Outcome = iota // AA, CA: durable here, the sender may forget it
	Failed                 // AE, CE: not stored, to be sent again
	Refused                // AR, CR: sending it again is of no use
)

var outcomeLetter = [...]string{Stored: "A", Failed: "E", Refused: "R"}

// Answer is what to tell a sender. Its texts must hold no patient data.
type Answer struct {
	Outcome Outcome
	Faults  []Fault       // become ERR segments
	Now     time.Time     // MSH-7
	NewID   func() string // gives a control id that was not used before
}

// Ack builds the answers to a message, at most two, in the order in which they
// are to be sent; none if the sender asked for none or sent an acknowledgement
// itself. With MSH-15 and 16 both empty (original mode) it is one application
// acknowledgement; else MSH-15 asks for the accept acknowledgement and MSH-16
// for the application's, each AL always, ER on errors, SU on success, NE or
// empty never (HL7 2.5.1 section 2.9.3, table 0155). Another word than these
// four counts as AL: an answer too many does less harm than one too few.
//
// An answer uses the delimiters of the message it answers, so that the control
// id in MSA-2 is the sender's to the byte.
func Ack(h Header, a Answer) [][]byte {
	switch {
	case h.IsAck():
		return nil
	case h.AcceptAck == "" && h.ApplicationAck == "":
		return [][]byte{h.build("A", a, false)}
	}
	var out [][]byte
	if asked(h.AcceptAck, a.Outcome) {
		out = append(out, h.build("C", a, false))
	}
	if asked(h.ApplicationAck, a.Outcome) {
		out = append(out, h.build("A", a, true))
	}
	return out
}

func asked(condition string, o Outcome) bool {
	switch condition {
	case "", "NE":
		return false
	case "ER":
		return o != Stored
	case "SU":
		return o == Stored
	}
	return true
}

func (h Header) build(mode string, a Answer, enhanced bool) []byte {
	d := h.delims
	if d == (Delimiters{}) {
		d = Standard
	}
	b := builder{d: d}
	enc := string([]byte{d.Component, d.Repetition, d.Escape, d.Subcomponent})
	if d.Truncation != 0 {
		enc += string(d.Truncation)
	}
	processing, version := h.Processing, h.Version
	if processing == "" {
		processing = "P"
	}
	if version == "" {
		version = "2.5.1"
	}
	msh := []string{"MSH", enc, h.ReceivingApplication, h.ReceivingFacility, h.SendingApplication, h.SendingFacility,
		FormatTime(a.Now), "", h.answerType(mode, d), Escape(a.NewID(), d), processing, version, "", "", "", "", "", h.CharacterSet}
	if enhanced {
		msh[14], msh[15] = "NE", "NE" // nobody is to acknowledge it
	}
	b.segment(msh...)
	b.segment("MSA", mode+outcomeLetter[a.Outcome], h.ControlID)
	if h.errSince25() {
		for _, f := range a.Faults {
			b.segment("ERR", "", f.location(d), f.coded(d.Component), "E", "", "", "", Escape(f.What, d))
		}
	} else if len(a.Faults) > 0 {
		old := make([]string, len(a.Faults))
		for i, f := range a.Faults {
			old[i] = strings.Join([]string{f.Segment, positive(f.Sequence), positive(f.Field), f.coded(d.Subcomponent)}, string(d.Component))
		}
		b.segment("ERR", strings.Join(old, string(d.Repetition)))
	}
	return b.out
}

// answerType is MSH-9 of the answer. Point-of-care results R30 to R32 have an
// application acknowledgement of an event of their own, R33 (HL7 2.5.1 chapter 7).
func (h Header) answerType(mode string, d Delimiters) string {
	event := h.Event
	if event == "" {
		return "ACK"
	}
	if mode == "A" && h.Type == "ORU" && (event == "R30" || event == "R31" || event == "R32") {
		event = "R33"
	}
	return strings.Join([]string{"ACK", event, "ACK"}, string(d.Component))
}

// errSince25 tells the two forms of ERR apart: ERR-2 to 4 from version 2.5 on,
// the compound ERR-1 before. An unreadable version gets the newer form.
func (h Header) errSince25() bool {
	version, _, _ := strings.Cut(h.Version, string(h.delims.Component))
	major, rest, _ := strings.Cut(version, ".")
	minor, _, _ := strings.Cut(rest, ".")
	m, errMajor := strconv.Atoi(major)
	n, errMinor := strconv.Atoi(minor)
	return errMajor != nil || errMinor != nil || m > 2 || n >= 5
}

// location is ERR-2, data type ERL: segment, sequence, field, repetition, component.
func (f Fault) location(d Delimiters) string {
	if f.Segment == "" {
		return ""
	}
	parts := []string{f.Segment, positive(f.Sequence), positive(f.Field), "", positive(f.Component)}
	if f.Field > 0 && f.Component > 0 {
		parts[3] = "1"
	}
	return strings.TrimRight(strings.Join(parts, string(d.Component)), string(d.Component))
}

// coded is the code with its text and table.
func (f Fault) coded(sep byte) string {
	code := f.Code
	if code == "" {
		code = CodeOther
	}
	return strings.Join([]string{string(code), codeText[code], "HL70357"}, string(sep))
}

func positive(n int) string {
	if n <= 0 {
		return ""
	}
	return strconv.Itoa(n)
}

// builder writes segments, leaving out empty fields at the end.
type builder struct {
	d   Delimiters
	out []byte
}

func (b *builder) segment(fields ...string) {
	for len(fields) > 1 && fields[len(fields)-1] == "" {
		fields = fields[:len(fields)-1]
	}
	for i, f := range fields {
		if i > 0 {
			b.out = append(b.out, b.d.Field)
		}
		b.out = append(b.out, f...)
	}
	b.out = append(b.out, '\r')
}
