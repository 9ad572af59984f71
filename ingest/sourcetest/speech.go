package sourcetest

import (
	"bytes"
	"fmt"
	"strings"
)

// Speech is how the suite's messages are written. Each message carries the
// Canaries.
type Speech struct {
	Format string // of the arrivals
	// Message makes the n-th message, with a control id of its own.
	Message   func(n int) []byte
	ControlID func(n int) string
	// Padded makes the n-th message exactly so many bytes long.
	Padded func(n, size int) []byte
	// Batch hands over several messages at once; nil: there is no such thing.
	Batch func(messages ...[]byte) []byte
	// Single: the messages of a batch are arrivals of their own, without the
	// batch beside them.
	Single bool
	// Source is what arrivals are de-duplicated by, if it is not the inlet; Beside
	// is what is kept with each of them.
	Source string
	Beside []byte
	// Odd lists what harms nobody, whatever it is.
	Odd []Odd
}

// Odd is an odd input.
type Odd struct {
	Name string
	Raw  []byte
	Kept bool // stored as it came, for sure
}

// HL7 is the speech of most ways in.
var HL7 = Speech{
	Format: "hl7v2", Message: Message, ControlID: func(n int) string { return fmt.Sprintf("suite-%d", n) },
	Padded: padded, Batch: Batch,
	Odd: []Odd{
		{Name: "nothing", Raw: nil},
		{Name: "no message at all", Raw: []byte("\x01\x02\xff\xfe\x00 no message\r\n"), Kept: true},
		{Name: "a header alone", Raw: []byte("MSH|\r"), Kept: true},
		{Name: "a header with odd delimiters", Raw: []byte("MSH\x7f\x7f\x7f\x7f\r"), Kept: true},
		{Name: "a batch of nothing", Raw: []byte("BHS|^~\\&\rBTS|0\r")},
		{Name: "a message that breaks off", Raw: Message(7)[:120], Kept: true},
		{Name: "lines and no message", Raw: []byte(strings.Repeat("OBX|1|NM|\r", 200)), Kept: true},
	},
}

// Message is a small HL7 message with a control id of its own.
func Message(n int) []byte {
	return fmt.Appendf(nil, "MSH|^~\\&|QUILL3|MILL|TIDEGATE|X|20260305091330+0100||ORU^R01^ORU_R01|suite-%d|P|2.5.1\r"+
		"PID|1||%s^^^MILLRACE^MR||%s^Alma\rOBR|1||%d|34714-6^INR^LN|||20260305091200+0100\rOBX|1|NM|34714-6^INR^LN||%s|{INR}|||||F\r",
		n, Canaries[1], Canaries[0], n, Canaries[2])
}

// Batch is a batch of HL7 messages.
func Batch(messages ...[]byte) []byte {
	return fmt.Appendf(nil, "BHS|^~\\&|QUILL3\r%sBTS|%d\r", bytes.Join(messages, nil), len(messages))
}

// padded is an HL7 message of exactly size bytes.
func padded(n, size int) []byte {
	raw := append(Message(n), "NTE|1||"...)
	return append(append(raw, bytes.Repeat([]byte{'x'}, size-len(raw)-1)...), '\r')
}
