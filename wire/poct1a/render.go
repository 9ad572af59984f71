package poct1a

import (
	"strings"
	"time"
)

// Outgoing is a message of ours.
type Outgoing interface {
	Type() Type
	body(w *writer)
}

// Head is the HDR of a message of ours.
type Head struct {
	ControlID string
	Created   time.Time
}

// Render writes a message as one document, in UTF-8, without a declaration.
func Render(h Head, m Outgoing) []byte {
	w := &writer{created: h.Created}
	w.open(string(m.Type()))
	w.open("HDR")
	w.value("HDR.message_type", string(m.Type()))
	w.value("HDR.control_id", h.ControlID)
	w.value("HDR.version_id", "POCT1")
	w.value("HDR.creation_dttm", FormatTime(h.Created))
	w.close()
	m.body(w)
	w.close()
	return []byte(w.b.String())
}

// writer writes elements; close ends the one opened last.
type writer struct {
	b       strings.Builder
	path    []string
	created time.Time
}

func (w *writer) open(name string) {
	w.path = append(w.path, name)
	w.b.WriteString("<" + name + ">")
}

func (w *writer) close() {
	last := len(w.path) - 1
	w.b.WriteString("</" + w.path[last] + ">")
	w.path = w.path[:last]
}

// value writes an element with V; nothing where there is no value.
func (w *writer) value(name, v string) {
	if v != "" {
		w.b.WriteString("<" + name + ` V="` + escape(v) + `"/>`)
	}
}

// object writes one object of values, given as name, value, name, value.
func (w *writer) object(name string, values ...string) {
	w.open(name)
	for i := 0; i+1 < len(values); i += 2 {
		w.value(name+"."+values[i], values[i+1])
	}
	w.close()
}

var escapes = strings.NewReplacer("&", "&amp;", "<", "&lt;", ">", "&gt;", `"`, "&quot;", "'", "&apos;")

// escape writes a text for an attribute. What XML cannot hold becomes U+FFFD,
// blanks other than the space become references, so that they stay as they are.
func escape(text string) string {
	text = strings.Map(func(r rune) rune {
		if !legal(r) {
			return '\ufffd'
		}
		return r
	}, strings.ToValidUTF8(text, "\ufffd"))
	return strings.NewReplacer("\t", "&#9;", "\n", "&#10;", "\r", "&#13;").Replace(escapes.Replace(text))
}

// Ack answers a message: AA once it is kept, AE if the device is to keep it.
type Ack struct {
	Positive bool
	Control  string // HDR.control_id of what it answers
	Error    string // error_detail_cd
	Note     string // without patient data
}

// Type of the message.
func (Ack) Type() Type { return AckMessage }

func (a Ack) body(w *writer) {
	code := "AE"
	if a.Positive {
		code = "AA"
	}
	w.object("ACK", "type_cd", code, "ack_control_id", a.Control, "note_txt", a.Note, "error_detail_cd", a.Error)
}

// Ask is a REQ.R01: send what is new.
type Ask struct{ Code string }

// Type of the message.
func (Ask) Type() Type       { return RequestMessage }
func (a Ask) body(w *writer) { w.object("REQ", "request_cd", a.Code) }

// Directive is a DTV: R01 for a plain command, R02 with the time to set, which
// is the time of the message itself.
type Directive struct {
	Command string
	Clock   bool
}

// Type of the message.
func (d Directive) Type() Type {
	if d.Clock {
		return "DTV.R02"
	}
	return "DTV.R01"
}

func (d Directive) body(w *writer) {
	w.open("DTV")
	w.value("DTV.command_cd", d.Command)
	if d.Clock {
		w.object("TM", "dttm", FormatTime(w.created))
	}
	w.close()
}

// Finish is an EOT.R01: the list is complete.
type Finish struct{ Topic string }

// Type of the message.
func (Finish) Type() Type       { return EndOfTopicMessage }
func (f Finish) body(w *writer) { w.object("EOT", "topic_cd", f.Topic) }

// Goodbye is an END.R01.
type Goodbye struct{ Reason, Note string }

// Type of the message.
func (Goodbye) Type() Type       { return EndMessage }
func (g Goodbye) body(w *writer) { w.object("TRM", "reason_cd", g.Reason, "note_txt", g.Note) }

// Refusal is an ESC.R01: a message that is not taken here.
type Refusal struct{ Control, Detail, Note string }

// Type of the message.
func (Refusal) Type() Type { return EscapeMessage }

func (r Refusal) body(w *writer) {
	w.object("ESC", "esc_control_id", r.Control, "detail_cd", r.Detail, "note_txt", r.Note)
}
