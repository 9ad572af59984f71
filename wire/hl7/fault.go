package hl7

import "fmt"

// Code is an error condition of HL7 table 0357.
type Code string

// Codes of HL7 table 0357.
const (
	CodeAccepted    Code = "0"
	CodeSequence    Code = "100" // segment sequence error
	CodeMissing     Code = "101" // required field missing
	CodeType        Code = "102" // data type error
	CodeTable       Code = "103" // table value not found
	CodeTooLong     Code = "104"
	CodeCardinality Code = "198"
	CodeOther       Code = "199"
	CodeMessageType Code = "200" // unsupported message type
	CodeEvent       Code = "201" // unsupported event code
	CodeProcessing  Code = "202" // unsupported processing id
	CodeVersion     Code = "203" // unsupported version id
	CodeUnknownKey  Code = "204"
	CodeDuplicate   Code = "205"
	CodeLocked      Code = "206"
	CodeInternal    Code = "207"
)

var codeText = map[Code]string{
	CodeAccepted:    "Message accepted",
	CodeSequence:    "Segment sequence error",
	CodeMissing:     "Required field missing",
	CodeType:        "Data type error",
	CodeTable:       "Table value not found",
	CodeTooLong:     "Value too long",
	CodeCardinality: "Non-conformant cardinality",
	CodeOther:       "Other HL7 error",
	CodeMessageType: "Unsupported message type",
	CodeEvent:       "Unsupported event code",
	CodeProcessing:  "Unsupported processing id",
	CodeVersion:     "Unsupported version id",
	CodeUnknownKey:  "Unknown key identifier",
	CodeDuplicate:   "Duplicate key identifier",
	CodeLocked:      "Application record locked",
	CodeInternal:    "Application internal error",
}

// Fault is what is wrong with a message and where. It never quotes the
// message, so it may be logged, shown and sent back.
type Fault struct {
	Code      Code
	Segment   string // "PID"; "" where it is not about one segment
	Sequence  int    // 1-based among the segments of this id; 0 = not known
	Field     int    // 0 = the whole segment
	Component int    // 0 = the whole field
	What      string // one plain sentence part, lower case, without contents
	Span      Span   // the bytes concerned, in the raw message
}

// Error gives place, words and code: "MSH-2: fewer than 4 characters (HL7 0357 code 102)".
func (f *Fault) Error() string {
	return fmt.Sprintf("%s%s (HL7 0357 code %s)", f.place(), f.What, f.Code)
}

func (f *Fault) place() string {
	switch {
	case f.Segment == "":
		return ""
	case f.Field == 0:
		return f.Segment + ": "
	case f.Component == 0:
		return fmt.Sprintf("%s-%d: ", f.Segment, f.Field)
	}
	return fmt.Sprintf("%s-%d.%d: ", f.Segment, f.Field, f.Component)
}

// Span is a byte range in the raw message, [From, To).
type Span struct{ From, To int }

// Len is the number of bytes.
func (s Span) Len() int { return s.To - s.From }
