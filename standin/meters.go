package standin

import (
	"bytes"
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"
)

// test is one measurement as a meter knows it. Empty parts are left out.
type test struct {
	meter    string
	seq      int
	at       time.Time
	who      *person
	as       string // identifier to send instead of the patient's own
	born     string // birth date to send instead of the patient's own
	inr      string // "2.4", ">8.0", an error code, or any text
	pt       string // seconds; "" for what fits the INR
	noPT     bool
	ptUnit   string // "" for the model's own
	lot      string // strip lot; "" for the meter's
	operator string
	status   string // OBX-11, "F" if empty
	mode     string // MSH-11, "P" if empty
	onboard  string // "OK" if empty
	level    string // control level: this is a control
	noID     bool   // sends no patient
	control  string // message control id; "" for one of its own
	now      bool   // run at the time of sending (Quill 3)
	way      Way    // "" for the meter's own
	run      run    // what a Rush 4 tells of the run itself
}

// run is how a test went, beside its value.
type run struct {
	waited      time.Duration // from the meter's asking to the sample
	lasted      string        // seconds; "" for those of the result
	haematocrit string        // percent
	note        string
}

// sentAt stands in the bytes until a message is first sent: meters write the
// time of sending by their own clock.
const (
	sentAt    = "{sent}"  // as HL7 v2 writes a time with its offset
	sentLocal = "{local}" // without the offset
	sentZoned = "{zoned}" // as RFC 3339 writes it
)

// stamped writes the time of sending into a message.
func stamped(b []byte, at time.Time) []byte {
	for place, layout := range map[string]string{sentAt: "20060102150405-0700", sentLocal: "20060102150405", sentZoned: "2006-01-02T15:04:05-07:00"} {
		b = bytes.ReplaceAll(b, []byte(place), []byte(at.Format(layout)))
	}
	return b
}

// by is the way that the test takes.
func (t test) by() Way {
	if t.way != "" {
		return t.way
	}
	return deviceOf(t.meter).way
}

func (t test) value(d device) (num, seconds string) {
	seconds = t.pt
	if seconds != "" || t.noPT {
		return t.inr, seconds
	}
	inr, err := strconv.ParseFloat(strings.TrimLeft(t.inr, "<>"), 64)
	if err != nil {
		return t.inr, ""
	}
	isi, mnpt := 1.0, 12.0
	for _, s := range strips {
		if s.lot == or(t.lot, d.lot) && s.isi != "" {
			isi, _ = strconv.ParseFloat(s.isi, 64)
			mnpt, _ = strconv.ParseFloat(s.mnpt, 64)
		}
	}
	seconds = strconv.FormatFloat(mnpt*math.Pow(inr, 1/isi), 'f', 1, 64)
	if c := t.inr[:1]; c == "<" || c == ">" {
		seconds = c + seconds
	}
	return t.inr, seconds
}

// say writes the test as its meter does.
func (t test) say() []byte {
	d := deviceOf(t.meter)
	return t.sayAs(d)
}

func (t test) sayAs(d device) []byte {
	if t.lot == "" {
		t.lot = d.lot
	}
	if t.operator == "" {
		t.operator = d.operator
	}
	t.at = t.at.Add(d.clock)
	switch d.model {
	case quill:
		return t.quill(d)
	case rush:
		return t.rush(d)
	case tern:
		return t.tern(d)
	case sedge:
		switch t.by() {
		case LIS, Folder:
			return t.sedgeLIS(d)
		case POCT1A:
			return t.sedgePOCT1A(d)
		}
		return t.sedge(d)
	}
	return t.reed(d)
}

// or is s, or what stands for nothing.
func or(s, instead string) string {
	if s == "" {
		return instead
	}
	return s
}

func hl7Date(s string) string { return strings.ReplaceAll(s, "-", "") }

// quill speaks ORU^R01 of 2.5.1 in original acknowledgement mode: offsets in
// every time, the lot and the strip's own check as extra OBX, controls marked
// by SPM-11.
func (t test) quill(d device) []byte {
	const layout = "20060102150405-0700"
	at := t.at.Format(layout)
	if t.now {
		at = sentAt
	}
	id := or(t.control, fmt.Sprintf("%s-%06d", d.serial, t.seq))
	num, seconds := t.value(d)
	status := or(t.status, "F")
	var b strings.Builder
	line := func(format string, args ...any) { fmt.Fprintf(&b, format+"\r", args...) }
	line(`MSH|^~\&|QUILL3|%s|TIDEGATE|MILLRACE|%s||ORU^R01^ORU_R01|%s|%s|2.5.1||||||UNICODE UTF-8`, d.site, sentAt, id, or(t.mode, "P"))
	if t.level == "" {
		line(`PID|1||%s||%s||%s|%s`, t.patientCX("^^^"+authority+"^MR"), t.nameXPN(), hl7Date(or(t.born, t.bornOf())), t.sexOf())
	}
	line(`OBR|1||%d^%s|INR^Prothrombin time^99QUILL|||%s|||||||||||||||%s|||%s`, t.seq, d.serial, at, at, status)
	line(`OBX|1|NM|34714-6^INR^LN||%s|{INR}^^UCUM|2.0-3.0|%s|||%s|||%s||%s|QUILL3|%s^QUILL3|%s`, num, flag(num), status, at, t.operator, d.serial, at)
	if seconds != "" {
		line(`OBX|2|NM|5964-2^Prothrombin time^LN||%s|%s^^UCUM|||||%s|||%s||%s|QUILL3|%s^QUILL3|%s`, seconds, or(t.ptUnit, "s"), status, at, t.operator, d.serial, at)
	}
	line(`OBX|3|ST|STRIPLOT^Strip lot^99QUILL||%s||||||%s`, t.lot, status)
	line(`OBX|4|ST|STRIPCHECK^Strip check^99QUILL||%s||||||%s`, or(t.onboard, "OK"), status)
	if t.level != "" {
		line(`SPM|1|%s||CTRL^Control^99QUILL|||||||Q|||%s`, d.controls, t.level)
	}
	return []byte(b.String())
}

func flag(num string) string {
	v, err := strconv.ParseFloat(num, 64)
	switch {
	case err != nil:
		return ""
	case v > 3:
		return "H"
	case v < 2:
		return "L"
	}
	return "N"
}

// sedge speaks ORU^R30 in enhanced mode: SN values, a code system of its own,
// local times under the offset of MSH-7, the lot in OBX-17, no assigning
// authority, controls as an order of their own.
func (t test) sedge(d device) []byte {
	at := t.at.Format("20060102150405")
	id := or(t.control, fmt.Sprintf("%s%06d", strings.ReplaceAll(d.serial, "-", ""), t.seq))
	num, seconds := t.value(d)
	status := or(t.status, "F")
	program := "V3"
	if d.serial == "S5-703" {
		program = "V1"
	}
	var b strings.Builder
	line := func(format string, args ...any) { fmt.Fprintf(&b, format+"\r", args...) }
	line(`MSH|^~\&|SEDGE5^%s|%s|TIDEGATE|MILLRACE|%s||ORU^R30^ORU_R30|%s|%s|2.5.1|||AL|NE`, program, d.site, sentAt, id, or(t.mode, "P"))
	if t.level == "" {
		line(`PID|1||%s||%s||%s|%s`, t.patientCX("^^^^PI"), t.nameXPN(), hl7Date(or(t.born, t.bornOf())), t.sexOf())
	} else {
		line(`PID|1`)
	}
	line(`ORC|NW||%d^%s`, t.seq, d.serial)
	service := "S-PT^Clotting test^99SED"
	if t.level != "" {
		service = "S-QC^Control run^99SED"
	}
	line(`OBR|1||%d^%s|%s|||%s|||||||||||||||%s|||%s`, t.seq, d.serial, service, at, at, status)
	typ, value := structured(num)
	strip := fmt.Sprintf("STRIP^strip %s^99SED", t.lot)
	line(`OBX|1|%s|S-INR^INR^99SED||%s||||||%s|||%s||%s|%s|%s`, typ, value, status, at, t.operator, strip, d.serial)
	if seconds != "" {
		typ, value = structured(seconds)
		line(`OBX|2|%s|S-PTS^Seconds^99SED||%s|%s|||||%s|||%s||%s|%s|%s`, typ, value, or(t.ptUnit, "sec"), status, at, t.operator, strip, d.serial)
	}
	if t.level != "" {
		line(`OBX|3|ST|S-CLOT^Control lot^99SED||%s||||||%s`, d.controls, status)
		line(`OBX|4|ST|S-CLEV^Control level^99SED||%s||||||%s`, t.level, status)
	}
	return []byte(b.String())
}

// structured is a value as HL7 SN: comparator^number; other texts go as ST.
func structured(s string) (typ, value string) {
	number := strings.TrimLeft(s, "<>=")
	if _, err := strconv.ParseFloat(number, 64); err != nil {
		return "ST", s
	}
	return "SN", s[:len(s)-len(number)] + "^" + number
}

func (t test) patientCX(rest string) string {
	switch {
	case t.noID:
		return ""
	case t.as != "":
		return t.as + rest
	case t.who == nil:
		return ""
	}
	return t.who.id + rest
}

func (t test) nameXPN() string {
	if t.who == nil {
		return ""
	}
	return t.who.family + "^" + t.who.given
}

func (t test) bornOf() string {
	if t.who == nil {
		return ""
	}
	return t.who.born
}

func (t test) sexOf() string {
	if t.who == nil {
		return ""
	}
	return t.who.sex
}

// reedHeader is the first line of each file of a Reed 2.
const reedHeader = "Serial;Seq;Time;Type;PatId;Name;User;Strip;INR;CtrlLot;Level\r\n"

// reed writes a semicolon file with decimal commas in windows-1252; times are
// local, to the minute, without an offset.
func (t test) reed(d device) []byte { return append([]byte(reedHeader), t.reedRow(d)...) }

func (t test) reedRow(d device) []byte {
	if t.lot == "" {
		t.lot = d.lot
	}
	if t.operator == "" {
		t.operator = d.operator
	}
	kind, lot, id, name := "PAT", "", or(t.as, ""), ""
	if t.level != "" {
		kind, lot = "QC", d.controls
	} else if t.who != nil {
		name = t.who.family + ", " + t.who.given + " (geprüft)"
		if id == "" && !t.noID {
			id = t.who.id
		}
	}
	row := fmt.Sprintf("%s;%d;%s;%s;%s;%s;%s;%s;%s;%s;%s\r\n", d.serial, t.seq, t.at.Format("02.01.2006 15:04"), kind, id, name,
		t.operator, t.lot, strings.ReplaceAll(t.inr, ".", ","), lot, t.level)
	return windows1252(row)
}

// windows1252 encodes what the code page shares with Latin-1; the day uses
// nothing else.
func windows1252(s string) []byte {
	out := make([]byte, 0, len(s))
	for _, r := range s {
		if r > 0xff {
			r = '?'
		}
		out = append(out, byte(r))
	}
	return out
}
