package mapping

import (
	"crypto/sha256"
	"encoding/base32"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

	"tidegate/poct"
	"tidegate/wire/hl7"
)

// Messages that an HL7 v2 receiver can be sent.
const (
	Unsolicited = "ORU^R01" // a result
	Announcing  = "ORU^R30" // a result without an order; the receiver is asked to place one
)

// ORUOptions of rendering, per outlet.
type ORUOptions struct {
	Message                   string // Unsolicited or Announcing
	ControlID                 string // MSH-10, at most 20 characters
	Sender, Receiver          Party
	AcceptAck, ApplicationAck string              // MSH-15 and 16, HL7 table 0155; both "" is original mode
	PatientType               string              // CX.5 of the patient's identifier, "" is MR
	Codes                     map[string][]string // LOINC code -> code, text and coding system that are sent instead
	Units                     map[string]string   // UCUM code -> what is sent instead, of no coding system
	Service                   []string            // OBR-4: code, text, system; nil is the code of the INR
	LotIn                     string              // LotInNote, LotInOBX or LotNowhere; "" is LotInNote
	LotCode                   []string            // OBX-3 of the strip lot, with LotInOBX
}

// Party is an application and its facility, as MSH-3 and 4 or MSH-5 and 6.
type Party struct{ Application, Facility string }

// Where the strip lot stands: ORU has no segment for it.
const (
	LotInNote  = "note" // in the notes below each result
	LotInOBX   = "obx"  // an OBX of its own
	LotNowhere = "none"
)

// ORU renders one action on one result as an HL7 v2.5.1 message: PID, ORC, OBR
// and an OBX for each analyte with its notes; in ORU^R01 the specimen too.
//
//	create    OBX-11 F, or C if the meter itself calls it a correction
//	correct   OBX-11 C, OBR-25 C
//	withdraw  OBX-11 W, OBR-25 C; values stay
//
// Versions of one result have the filler order number (OBR-3) in common, and
// OBR-22 rises with each. Under Announcing only a first filing without an order
// asks for one (ORU^R30, ORC-1 NW); whatever follows it, and what has an order,
// goes as ORU^R32, the event for results of an order that is there (HL7 2.5.1
// chapter 7). Under Unsolicited a result that is to be announced by its site's
// choice goes as ORU^R30 too, and what follows it as ORU^R01. remote is what was sent before, as in poct.Delivery. The same
// arguments give the same bytes.
func ORU(r poct.Result, action poct.Action, remote map[string]string, o ORUOptions) ([]byte, error) {
	if err := unfit(&r, action); err != nil {
		return nil, err
	}
	if o.ControlID == "" || len(o.ControlID) > 20 {
		return nil, errors.New("mapping: a message needs a control id of at most 20 characters")
	}
	w := &oru{r: &r, o: o, b: &builder{r: &r, action: action}}
	w.kept(remote)
	w.header()
	w.patient()
	w.order()
	for i := range r.Reading.Measurements {
		w.observation(&r.Reading.Measurements[i])
	}
	if r.Reading.StripLot != "" && o.LotIn == LotInOBX {
		w.lot()
	}
	if event, _ := w.events(); event == "R01" {
		w.specimen()
	}
	return w.out, w.err
}

// FillerNumber is the number that all versions of one filing of a result share
// at an HL7 v2 receiver: 20 characters from A-Z and 2-7, derived like StableID.
func FillerNumber(r poct.Result) string {
	return brief(base, r.Key, "filler", strconv.Itoa(r.Filing))
}

// MessageID is a name of one delivery that stays the same however often it is
// sent: 20 characters from A-Z and 2-7. Receivers drop by it what they have.
func MessageID(d poct.Delivery) string {
	return brief(d.Outlet, strconv.FormatInt(d.ID, 10), d.Result.Key, strconv.Itoa(d.Result.Filing),
		strconv.Itoa(d.Result.Version), string(d.Action), strconv.FormatInt(d.Result.Issued.UnixMicro(), 10))
}

// brief is a hundred bits of a digest: as long as MSH-10 may be in 2.5.1.
func brief(name ...string) string {
	sum := sha256.Sum256([]byte(strings.Join(name, "|")))
	return base32.StdEncoding.EncodeToString(sum[:])[:20]
}

// oru writes the segments of one message.
type oru struct {
	r   *poct.Result
	o   ORUOptions
	b   *builder // for what both formats say alike
	out []byte
	err error
	set int // OBX-1 of the last observation
}

// hl7Row is the fields of a segment by number, already escaped.
type hl7Row map[int]string

func (w *oru) segment(id string, f hl7Row) {
	w.out = append(w.out, id...)
	last := 0
	for n, text := range f {
		if text != "" {
			last = max(last, n)
		}
	}
	first := 1
	if id == "MSH" {
		first = 2 // MSH-1 is the separator itself
	}
	for n := first; n <= last; n++ {
		w.out = append(w.out, '|')
		w.out = append(w.out, f[n]...)
	}
	w.out = append(w.out, '\r')
}

// text writes a value so that it is read back as it is. Two quotes alone would
// be the order to delete what is there.
func text(s string) string {
	if !utf8.ValidString(s) {
		s = strings.ToValidUTF8(s, "\uFFFD")
	}
	if s == `""` {
		return `\X2222\`
	}
	return hl7.Escape(s, hl7.Standard)
}

// parts writes the components of a field, without empty ones at its end.
func parts(list ...string) string {
	escaped := make([]string, len(list))
	for i, s := range list {
		escaped[i] = text(s)
	}
	return strings.TrimRight(strings.Join(escaped, "^"), "^")
}

func (w *oru) fail(format string, args ...any) {
	if w.err == nil {
		w.err = fmt.Errorf("mapping: "+format, args...)
	}
}

// kept makes sure that a withdrawal names every value that was filed.
func (w *oru) kept(remote map[string]string) {
	for _, a := range analytes {
		if _, here := w.r.Reading.Measured(a); !here && w.b.action == poct.Withdraw && remote["observation/"+a] != "" {
			w.fail("the withdrawal does not name every value that was filed: %s", a)
		}
	}
}

// issued is OBR-22 and MSH-7: to the millisecond, since versions are told apart by it.
func (w *oru) issued() string { return w.r.Issued.UTC().Format("20060102150405.000-0700") }

func (w *oru) tested() string { return hl7.FormatTime(w.r.Reading.Tested()) }

// events are the trigger event and the order control code of HL7 table 0119.
func (w *oru) events() (event, control string) {
	announced := w.b.action == poct.Create && orderNumber(w.r) == ""
	switch {
	case announced && (w.o.Message == Announcing || w.r.Announce):
		return "R30", "NW"
	case w.o.Message != Announcing:
		return "R01", "RE"
	}
	return "R32", "RE"
}

func (w *oru) header() {
	event, _ := w.events()
	structure := "ORU_R01"
	if event != "R01" {
		structure = "ORU_R30"
	}
	w.segment("MSH", hl7Row{
		2: `^~\&`, 3: text(w.o.Sender.Application), 4: text(w.o.Sender.Facility),
		5: text(w.o.Receiver.Application), 6: text(w.o.Receiver.Facility),
		7: w.issued(), 9: parts("ORU", event, structure), 10: text(w.o.ControlID), 11: "P", 12: "2.5.1",
		15: w.o.AcceptAck, 16: w.o.ApplicationAck, 18: hl7.UTF8.String(),
	})
}

func (w *oru) patient() {
	p := w.r.Patient
	typ := w.o.PatientType
	if typ == "" {
		typ = "MR"
	}
	use := "L" // legal name; PID-5 is required, and U says that nobody told us
	if p.Family+p.Given == "" {
		use = "U"
	}
	w.segment("PID", hl7Row{
		1: "1", 3: parts(p.ID, "", "", p.Authority, typ), 5: parts(p.Family, p.Given, "", "", "", "", use),
		7: strings.ReplaceAll(dateOnly(p.BirthDate), "-", ""), 8: sexCode(p.Sex),
	})
	if w.r.Visit != "" {
		w.segment("PV1", hl7Row{1: "1", 2: "U", 3: parts("", "", "", w.r.Site), 19: text(w.r.Visit)}) // U: class not known
	}
}

// sexCode is the code of HL7 table 0001 for what the registry says.
func sexCode(s string) string {
	switch strings.ToLower(strings.TrimSpace(s)) {
	case "":
		return ""
	case "f", "female":
		return "F"
	case "m", "male":
		return "M"
	case "o", "other":
		return "O"
	}
	return "U"
}

func (w *oru) order() {
	_, control := w.events()
	placer, filler := text(orderNumber(w.r)), parts(FillerNumber(*w.r), w.o.Sender.Application)
	w.segment("ORC", hl7Row{1: control, 2: placer, 3: filler})
	w.segment("OBR", hl7Row{
		1: "1", 2: placer, 3: filler, 4: w.service(), 7: w.tested(), 11: "O", // taken by others than the laboratory
		22: w.issued(), 25: reportStatus[w.b.status()],
	})
}

// service is what was asked for. LOINC has no panel of capillary PT and INR
// that we know of, so it is the INR unless the outlet says otherwise.
func (w *oru) service() string {
	if len(w.o.Service) > 0 {
		return parts(w.o.Service...)
	}
	m, ok := w.r.Reading.Measured("inr")
	if !ok {
		m = w.r.Reading.Measurements[0]
	}
	return w.code(&m)
}

// code is OBX-3.
func (w *oru) code(m *poct.Measurement) string {
	if mapped := w.o.Codes[m.LOINC]; len(mapped) > 0 {
		return parts(mapped...)
	}
	return parts(m.LOINC, analyteText[m.Analyte], "LN")
}

// unit is OBX-6.
func (w *oru) unit(m *poct.Measurement) string {
	if m.Unit != ucum[m.Analyte] {
		w.fail("%s is not known to be in %s: no unit is made up", m.Analyte, ucum[m.Analyte])
	}
	if mapped := w.o.Units[m.Unit]; mapped != "" {
		return text(mapped)
	}
	return parts(m.Unit, "", "UCUM")
}

// Statuses by those that FHIR has: OBX-11 of HL7 table 0085, and OBR-25 of table
// 0123, which has none for what was withdrawn.
var (
	resultStatus = map[string]string{"final": "F", "corrected": "C", "entered-in-error": "W"}
	reportStatus = map[string]string{"final": "F", "corrected": "C", "entered-in-error": "C"}
)

// observation writes a value with its digits as sent. What the meter flags is
// not passed on: it compares with a range of its own, not with what is aimed at
// for this patient.
func (w *oru) observation(m *poct.Measurement) {
	w.set++
	f := hl7Row{
		1: strconv.Itoa(w.set), 3: w.code(m), 11: resultStatus[w.b.status()],
		14: w.tested(), 15: w.producer(), 18: parts(w.r.Reading.Meter, w.r.Reading.Model), 19: w.tested(),
	}
	if w.r.OperatorOK { // who it is stands in the clinic's own directory: the number alone goes along
		f[16] = text(w.r.Reading.Operator)
	}
	switch {
	case m.Value.IsZero():
		if f[11] != "W" {
			f[11] = "X" // no value was obtained
		}
	case m.Value.Comparator == "":
		f[2], f[5], f[6] = "NM", text(m.Value.Text), w.unit(m)
	default:
		f[2], f[5], f[6] = "SN", parts(m.Value.Comparator, m.Value.Text), w.unit(m)
		f[8] = m.Value.Comparator[:1] // off scale, table 0078: for a reader who overlooks the comparator
	}
	w.segment("OBX", f)
	notes := w.b.remarks()
	if lot := w.b.lotNote(); lot != "" && (w.o.LotIn == LotInNote || w.o.LotIn == "") {
		notes = slices.Insert(notes, 0, lot)
	}
	n := 0
	for _, note := range notes {
		if strings.TrimSpace(note) != "" {
			n++
			w.segment("NTE", hl7Row{1: strconv.Itoa(n), 2: "L", 3: text(note)})
		}
	}
}

// producer is the clinic.
func (w *oru) producer() string {
	if w.r.Site == "" {
		return ""
	}
	return parts(w.r.Site, w.r.SiteName, "L")
}

// lot writes the strip lot as an observation of its own.
func (w *oru) lot() {
	w.set++
	code := w.o.LotCode
	if len(code) == 0 {
		code = []string{"STRIPLOT", "Strip lot", "L"}
	}
	w.segment("OBX", hl7Row{
		1: strconv.Itoa(w.set), 2: "ST", 3: parts(code...), 5: text(w.r.Reading.StripLot), 11: resultStatus[w.b.status()], 14: w.tested(),
	})
}

// specimen is the drop of blood: in HL7 table 0487 whole blood, since capillary
// blood stands in the collection methods of table 0488.
func (w *oru) specimen() {
	typ, method := "", ""
	switch w.r.Reading.Specimen {
	case "capillary":
		typ, method = parts("BLD", "Whole blood", "HL70487"), parts("CAP", "Capillary Specimen", "HL70488")
	case "venous":
		typ = parts("BLDV", "Blood venous", "HL70487")
	default:
		return // SPM-4 is required, and nothing is made up
	}
	w.segment("SPM", hl7Row{1: "1", 4: typ, 7: method, 11: parts("P", "Patient", "HL70369"), 17: w.tested()})
}
