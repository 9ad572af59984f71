package mapping

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidegate/poct"
)

// dublin stands for the zone of the meter's site.
func dublin(string) *time.Location {
	l, err := time.LoadLocation("Europe/Dublin")
	if err != nil {
		panic(err)
	}
	return l
}

func arrival(raw string) poct.Arrival {
	return poct.Arrival{ID: "a", Format: "hl7v2", Raw: []byte(raw)}
}

// message joins segments as HL7 ends them.
func message(segments ...string) string { return strings.Join(segments, "\r") + "\r" }

const (
	msh = `MSH|^~\&|QUILL3|MILLRACE|T|M|20260305091330||ORU^R30^ORU_R30|1|P|2.5.1`
	pid = `PID|1||MRN0007^^^MILLRACE^MR`
	obr = `OBR|1||77^Q|INR|||20260305091200`
	inr = `OBX|1|NM|INR||2.4|{INR}|||||F|||||op17||SN0042`
	pt  = `OBX|2|NM|PT||28.8|s|||||F`
)

func one(t *testing.T, p *Profile, segments ...string) Decoded {
	t.Helper()
	list := Decode(arrival(message(segments...)), []*Profile{p}, dublin)
	require.Len(t, list, 1)
	return list[0]
}

// found lists problems as "code field".
func problems(d Decoded) []string {
	var out []string
	for _, p := range d.Problems {
		out = append(out, p.Code+" "+p.Field)
	}
	return out
}

func TestWorkedMessage(t *testing.T) {
	list := Decode(arrival(worked), []*Profile{quill}, nil)
	require.Len(t, list, 1)
	r := list[0].Reading
	assert.Empty(t, list[0].Problems)
	assert.Equal(t, poct.KindPatient, r.Kind)
	assert.Equal(t, "SN0042|F-88231|20260305091200+0100", r.Key())
	assert.Equal(t, "2026-03-05T08:12:00Z", r.TestedAt.At.UTC().Format(time.RFC3339), "the time of the test, never MSH-7")
	assert.Equal(t, "fraction", r.SentAt.Precision)
	assert.Equal(t, "1950-01-01", r.BirthDate)
	assert.Equal(t, "L2403A", r.StripLot)
	require.Len(t, r.Measurements, 2)
	assert.Equal(t, poct.Number{Text: "2.40"}, r.Measurements[0].Value, "trailing zeros are kept")
	assert.Equal(t, poct.Number{Comparator: ">", Text: "120"}, r.Measurements[1].Value)
	for field, text := range map[string]string{
		"inr": "2.40", "pt": ">^120", poct.FieldPatient: "MRN0007", poct.FieldStripLot: "L2403A", poct.FieldMeter: "SN0042",
		poct.FieldTestedAt: "20260305091200+0100", poct.FieldBirthDate: "19500101", poct.FieldOperator: "op17",
	} {
		at := r.Where[field]
		assert.Equal(t, text, worked[at.From:at.To], "the bytes of %s", field)
	}
}

// Values: HL7 2.5.1 chapter 2A, data types NM, SN, ST and CWE; chapter 2.5.3 for null.
func TestValues(t *testing.T) {
	tests := []struct {
		name, typ, value string
		want             poct.Number
		raw              string
		problems         []string
	}{
		{name: "number", typ: "NM", value: "2.50", want: poct.Number{Text: "2.50"}, raw: "2.50"},
		{name: "leading zero", typ: "NM", value: "02.5", want: poct.Number{Text: "2.5"}, raw: "02.5"},
		{name: "sign", typ: "NM", value: "+2.5", want: poct.Number{Text: "2.5"}, raw: "+2.5"},
		{name: "comparator in NM", typ: "NM", value: ">8.0", want: poct.Number{Comparator: ">", Text: "8.0"}, raw: ">8.0"},
		{name: "comparator in ST", typ: "ST", value: "<0.8", want: poct.Number{Comparator: "<", Text: "0.8"}, raw: "<0.8"},
		{name: "SN above", typ: "SN", value: ">^8.0", want: poct.Number{Comparator: ">", Text: "8.0"}, raw: ">8.0"},
		{name: "SN at most", typ: "SN", value: "<=^0.5", want: poct.Number{Comparator: "<=", Text: "0.5"}, raw: "<=0.5"},
		{name: "SN equal", typ: "SN", value: "=^4.5", want: poct.Number{Text: "4.5"}, raw: "4.5"},
		{name: "SN without comparator", typ: "SN", value: "^4.5", want: poct.Number{Text: "4.5"}, raw: "4.5"},
		{name: "SN unequal", typ: "SN", value: "<>^4.5", raw: "<>^4.5"},
		{name: "SN ratio", typ: "SN", value: "^1^:^128", raw: "^1^:^128"},
		{name: "SN range", typ: "SN", value: "^2^-^3", raw: "^2^-^3"},
		{name: "decimal comma", typ: "NM", value: "2,4", raw: "2,4"},
		{name: "text", typ: "ST", value: "ERROR", raw: "ERROR"},
		{name: "dashes", typ: "ST", value: "---", raw: "---"},
		{name: "exponent", typ: "NM", value: "1e3", raw: "1e3"},
		{name: "two repetitions", typ: "NM", value: "2.4~2.5", raw: "2.4~2.5"},
		{name: "null is never zero", typ: "NM", value: `""`, raw: `""`},
		{name: "nothing", typ: "NM", value: "", raw: ""},
		{name: "coded", typ: "CWE", value: "2.4^x", raw: "2.4^x", problems: []string{"unreadable-record inr"}},
		{name: "type missing", typ: "", value: "2.4", want: poct.Number{Text: "2.4"}, raw: "2.4", problems: []string{"unreadable-record inr"}},
	}
	for _, tc := range tests {
		t.Run(tc.name, func(t *testing.T) {
			d := one(t, quill, msh, pid, obr, `OBX|1|`+tc.typ+`|INR||`+tc.value+`|{INR}|||||F|||||op17||SN0042`, pt)
			m, ok := d.Reading.Measured("inr")
			require.True(t, ok)
			assert.Equal(t, tc.want, m.Value)
			assert.Equal(t, tc.raw, m.RawValue)
			assert.Equal(t, tc.problems, problems(d))
		})
	}
}

func TestUnitsComeFromTheProfile(t *testing.T) {
	for sent, want := range map[string]string{"{INR}": "{INR}", "": "{INR}", "INR": "", "%": "", "s": "", "^%": "", "^INR^L": ""} {
		d := one(t, quill, msh, pid, obr, `OBX|1|NM|INR||2.4|`+sent+`|||||F|||||op17||SN0042`, pt)
		m, _ := d.Reading.Measured("inr")
		assert.Equal(t, want, m.Unit, "unit %q", sent)
		assert.Equal(t, sent, m.RawUnit)
	}
	// Upper case S is siemens in UCUM, not seconds.
	m, _ := one(t, quill, msh, pid, obr, inr, `OBX|2|NM|PT||28.8|S|||||F`).Reading.Measured("pt")
	assert.Empty(t, m.Unit)
}

// HL7 table 0085, observation result status.
func TestStatus(t *testing.T) {
	tests := []struct {
		inr, pt  string
		want     poct.Status
		problems []string
	}{
		{inr: "F", pt: "F", want: poct.StatusFinal},
		{inr: "P", pt: "P", want: poct.StatusPreliminary},
		{inr: "C", pt: "C", want: poct.StatusCorrected},
		{inr: "C", pt: "F", want: poct.StatusCorrected},
		{inr: "F", pt: "C", want: poct.StatusCorrected},
		{inr: "A", pt: "F", want: poct.StatusCorrected},
		{inr: "D", pt: "D", want: poct.StatusWithdrawn},
		{inr: "W", pt: "W", want: poct.StatusWithdrawn},
		{inr: "X", pt: "X", want: poct.StatusCancelled},
		{inr: "F", pt: "W", want: poct.StatusFinal, problems: []string{"unreadable-record status"}},
		{inr: "", pt: "F", problems: []string{"unreadable-record status"}},
	}
	for _, odd := range []string{"B", "I", "N", "O", "R", "S", "U", "V", "Q"} {
		tests = append(tests, struct {
			inr, pt  string
			want     poct.Status
			problems []string
		}{inr: odd, pt: odd, problems: []string{"unreadable-record status"}})
	}
	for _, tc := range tests {
		d := one(t, quill, msh, pid, obr, strings.Replace(inr, "|F|", "|"+tc.inr+"|", 1), strings.Replace(pt, "|F", "|"+tc.pt, 1))
		if len(tc.problems) == 0 {
			assert.Equal(t, tc.want, d.Reading.Status, tc.inr+tc.pt)
		}
		assert.Equal(t, tc.problems, problems(d), tc.inr+tc.pt)
	}
}

// PID-3 repeats; CX.4 is the assigning authority, CX.5 the identifier type
// (HL7 2.5.1 chapter 3.4.2.3).
func TestPatientIsChosenByWhatItIs(t *testing.T) {
	tests := []struct {
		name, pid3 string
		want       poct.PatientRef
		problems   []string
	}{
		{name: "alone", pid3: "7^^^MILLRACE^MR", want: poct.PatientRef{Authority: "MILLRACE", ID: "7"}},
		{name: "second of three", pid3: "99^^^STATE^NI~7^^^MILLRACE^MR~5^^^MILLRACE^VN", want: poct.PatientRef{Authority: "MILLRACE", ID: "7"}},
		{name: "bare and alone", pid3: "7", want: poct.PatientRef{Authority: "MILLRACE", ID: "7"}},
		{name: "authority left out", pid3: "7^^^^MR~8^^^^VN", want: poct.PatientRef{Authority: "MILLRACE", ID: "7"}},
		{name: "named goes before guessed", pid3: "8^^^MILLRACE~7^^^MILLRACE^MR", want: poct.PatientRef{Authority: "MILLRACE", ID: "7"}},
		{name: "of another authority", pid3: "7^^^HARBOUR^MR"},
		{name: "of another type", pid3: "7^^^MILLRACE^VN"},
		{name: "bare beside others", pid3: "7~8"},
		{name: "bare after one that is not ours", pid3: "8^^^HARBOUR^MR~7"},
		{name: "null", pid3: `""`},
		{name: "an ampersand is no end", pid3: "A&B^^^MILLRACE^MR", want: poct.PatientRef{Authority: "MILLRACE", ID: "A&B"}},
		{name: "leading zeros stay", pid3: "007^^^MILLRACE^MR", want: poct.PatientRef{Authority: "MILLRACE", ID: "007"}},
		{name: "two that fit", pid3: "7^^^MILLRACE^MR~8^^^MILLRACE^MR", want: poct.PatientRef{Authority: "MILLRACE", ID: "7"},
			problems: []string{"patient-ambiguous patient"}},
		{name: "one that fits twice", pid3: "7^^^MILLRACE^MR~7^^^MILLRACE^MR", want: poct.PatientRef{Authority: "MILLRACE", ID: "7"}},
	}
	for _, tc := range tests {
		t.Run(tc.name, func(t *testing.T) {
			d := one(t, quill, msh, "PID|1||"+tc.pid3, obr, inr, pt)
			assert.Equal(t, tc.want, d.Reading.Patient)
			assert.Equal(t, tc.problems, problems(d))
		})
	}
}

// HL7 table 0369, specimen role: only P may reach a record.
func TestSpecimenRole(t *testing.T) {
	tests := []struct {
		name string
		spm  []string
		want poct.ReadingKind
		hint bool
	}{
		{name: "no specimen", want: poct.KindPatient},
		{name: "role absent", spm: []string{`SPM|1|S1||BLD`}, want: poct.KindPatient},
		{name: "patient", spm: []string{`SPM|1|S1||BLD|||||||P`}, want: poct.KindPatient},
		{name: "control", spm: []string{`SPM|1|QC77||BLD|||||||Q|||1`}, want: poct.KindControl},
		{name: "electronic control", spm: []string{`SPM|1|QC77||BLD|||||||E|||1`}, want: poct.KindControl},
		{name: "calibrator", spm: []string{`SPM|1|S1||BLD|||||||C`}, want: poct.KindPatient, hint: true},
		{name: "blind", spm: []string{`SPM|1|S1||BLD|||||||B`}, want: poct.KindPatient, hint: true},
		{name: "proficiency", spm: []string{`SPM|1|S1||BLD|||||||F`}, want: poct.KindPatient, hint: true},
		{name: "replicate", spm: []string{`SPM|1|S1||BLD|||||||R`}, want: poct.KindPatient, hint: true},
		{name: "unheard of", spm: []string{`SPM|1|S1||BLD|||||||?`}, want: poct.KindPatient, hint: true},
		{name: "both", spm: []string{`SPM|1|S1||BLD|||||||P`, `SPM|2|QC77||BLD|||||||Q|||1`}, want: poct.KindPatient, hint: true},
		{name: "control's marks in a patient's place", spm: []string{`SPM|1|QC77||BLD||||||||||1`}, want: poct.KindPatient, hint: true},
	}
	for _, tc := range tests {
		t.Run(tc.name, func(t *testing.T) {
			d := one(t, quill, append([]string{msh, pid, obr, inr, pt}, tc.spm...)...)
			assert.Equal(t, tc.want, d.Reading.Kind)
			assert.Equal(t, tc.hint, d.Reading.ControlHint != "", d.Reading.ControlHint)
			if tc.want == poct.KindControl {
				assert.Equal(t, "QC77", d.Reading.ControlLot)
				assert.Equal(t, "1", d.Reading.ControlLevel)
			}
		})
	}
}

func TestOrders(t *testing.T) {
	lot := `OBX|3|ST|STRIPLOT||L2403A||||||F`
	second := strings.ReplaceAll(pt, "|F", "|F|||||op17||SN0042")
	tests := []struct {
		name     string
		segments []string
		analytes []string // of each reading
		lot      string
		problems []string
	}{
		{name: "one order", segments: []string{msh, pid, obr, inr, pt, lot}, analytes: []string{"inr pt"}, lot: "L2403A"},
		{name: "an order each", segments: []string{msh, pid, obr, inr, lot, obr, second}, analytes: []string{"inr pt"}, lot: "L2403A"},
		{name: "lot in an order of its own", segments: []string{msh, pid, obr, inr, pt, obr, lot}, analytes: []string{"inr pt"}, lot: "L2403A"},
		{name: "lot beside the specimen", segments: []string{msh, pid, obr, inr, pt, `SPM|1|S1`, lot}, analytes: []string{"inr pt"}, lot: "L2403A"},
		{name: "a value beside the specimen is none", segments: []string{msh, pid, obr, inr, pt, `SPM|1|S1`, inr}, analytes: []string{"inr pt"}},
		{name: "another patient's lot", segments: []string{msh, pid, obr, inr, pt, strings.Replace(pid, "7", "8", 1), obr, lot}, analytes: []string{"inr pt", ""},
			problems: []string{"unreadable-record code"}},
		{name: "two tests", segments: []string{msh, pid, obr, inr, pt, strings.Replace(obr, "77", "78", 1), inr}, analytes: []string{"inr pt", "inr"}},
		{name: "INR twice in one order", segments: []string{msh, pid, obr, inr, inr, pt}, analytes: []string{"inr pt"}, problems: []string{"unreadable-record inr"}},
		{name: "same test twice", segments: []string{msh, pid, obr, inr, obr, inr}, analytes: []string{"inr", "inr"}},
		{name: "a code more", segments: []string{msh, pid, obr, inr, pt, `OBX|3|NM|PCT||40|%|||||F`}, analytes: []string{"inr pt"}},
		{name: "a code more and one missing", segments: []string{msh, pid, obr, inr, `OBX|2|NM|PT-SEC||28.8|s|||||F`}, analytes: []string{"inr"},
			problems: []string{"unreadable-record code"}},
		{name: "no known code", segments: []string{msh, pid, obr, `OBX|1|NM|GLU||5.1|mmol/L|||||F`}, analytes: []string{""},
			problems: []string{"unreadable-record code"}},
		{name: "known by its other code", segments: []string{msh, pid, obr, strings.Replace(inr, "|INR|", "|X1^x^99L^INR^INR^L|", 1), pt}, analytes: []string{"inr pt"}},
		{name: "two meters in one order", segments: []string{msh, pid, obr, inr, strings.Replace(second, "SN0042", "SN0043", 1)}, analytes: []string{"inr pt"},
			problems: []string{"unreadable-record meter"}},
		{name: "a result before its order", segments: []string{msh, pid, inr, obr, pt}, analytes: []string{"inr pt"}, problems: []string{"unreadable-record message"}},
	}
	for _, tc := range tests {
		t.Run(tc.name, func(t *testing.T) {
			list := Decode(arrival(message(tc.segments...)), []*Profile{quill}, dublin)
			var got, found []string
			for i, d := range list {
				assert.Equal(t, i, d.Reading.Index)
				var names []string
				for _, m := range d.Reading.Measurements {
					names = append(names, m.Analyte)
				}
				got, found = append(got, strings.Join(names, " ")), append(found, problems(d)...)
			}
			assert.Equal(t, tc.analytes, got)
			assert.Equal(t, tc.problems, found)
			assert.Equal(t, tc.lot, list[0].Reading.StripLot)
		})
	}
}

// Offset and precision: HL7 2.5.1 chapter 2A, data type TS, and 2.15.9.7 for
// MSH-7 as the default of the whole message. The clock changes of Europe/Dublin
// in 2026, 29 March and 25 October at 01:00 UTC, are those of the IANA database.
func TestTestTime(t *testing.T) {
	zoned := quillConfig()
	zoned.Fields.TestedAt.Zone = "America/New_York"
	tests := []struct {
		name, msh7, obr7 string
		p                *Profile
		want             poct.Stamp
		at               string
		problems         []string
	}{
		{name: "own offset", obr7: "20260305091200-0500", at: "2026-03-05T09:12:00-05:00", want: poct.Stamp{Precision: "second"}},
		{name: "offset west by half an hour", obr7: "202603050912-0030", at: "2026-03-05T09:12:00-00:30", want: poct.Stamp{Precision: "minute"}},
		{name: "offset of the message", msh7: "20260305091330+0100", obr7: "20260305091200", at: "2026-03-05T09:12:00+01:00", want: poct.Stamp{Precision: "second"}},
		{name: "zone of the site", obr7: "20260705091200", at: "2026-07-05T09:12:00+01:00", want: poct.Stamp{Precision: "second", Assumed: true}},
		{name: "zone that the profile names goes before the message's", p: compiled(zoned), msh7: "20260305091330+0100", obr7: "20260305091200",
			at: "2026-03-05T09:12:00-05:00", want: poct.Stamp{Precision: "second", Assumed: true}},
		{name: "comes twice", obr7: "202610250130", want: poct.Stamp{Precision: "minute", Assumed: true, Ambiguous: "twice"}},
		{name: "comes never", obr7: "202603290130", want: poct.Stamp{Precision: "minute", Assumed: true, Ambiguous: "never"}},
		{name: "date only", obr7: "20260305", at: "2026-03-05T00:00:00Z", want: poct.Stamp{Precision: "day", Assumed: true}},
		{name: "no such day", obr7: "20260230", problems: []string{"missing-essential tested_at"}},
		{name: "words", obr7: "yesterday", problems: []string{"missing-essential tested_at"}},
		{name: "absent"},
		{name: "null", obr7: `""`},
	}
	for _, tc := range tests {
		t.Run(tc.name, func(t *testing.T) {
			p := quill
			if tc.p != nil {
				p = tc.p
			}
			d := one(t, p, strings.Replace(msh, "20260305091330", tc.msh7, 1), pid, strings.Replace(obr, "20260305091200", tc.obr7, 1), inr, pt)
			got := d.Reading.TestedAt
			if tc.at != "" {
				assert.Equal(t, tc.at, got.At.Format(time.RFC3339))
			}
			if tc.obr7 != `""` {
				assert.Equal(t, tc.obr7, got.Raw)
			}
			got.At, got.Raw = time.Time{}, ""
			assert.Equal(t, tc.want, got)
			assert.Equal(t, tc.problems, problems(d))
		})
	}
	d := Decode(arrival(message(msh, pid, obr, inr, pt)), []*Profile{quill}, nil)[0]
	assert.True(t, d.Reading.TestedAt.At.IsZero(), "no zone is known: no instant is made up")
	assert.Equal(t, "20260305091200", d.Reading.TestedAt.Raw)
}

func TestFlagsThatAskForMore(t *testing.T) {
	flagged := func(flags string) Decoded {
		return one(t, quill, msh, pid, obr, `OBX|1|NM|INR||2.4|{INR}||`+flags+`|||F|||||op17||SN0042`, pt)
	}
	d := flagged("H~QCF") // HL7 table 0078: quality control failure
	assert.Equal(t, "fail", d.Reading.Onboard)
	assert.Equal(t, "H~QCF", d.Reading.Measurements[0].Flags)
	assert.Equal(t, []string{"interference-noted inr"}, problems(flagged("HM")), "hold for medical review")
	assert.Empty(t, problems(flagged("H")))
}

func TestErrorCodes(t *testing.T) {
	with := quillConfig()
	with.Fields.Error = FieldConfig{At: "OBX-5", Where: map[string]Values{"OBX-3.1": {"ERR"}}}
	p := compiled(with)
	code := `OBX|3|ST|ERR||E-4||||||F`
	tests := []struct {
		name     string
		segments []string
		kind     poct.ReadingKind
		err      string
		values   int
	}{
		{name: "known code as the value", segments: []string{strings.Replace(inr, "2.4", "E-4", 1)}, kind: poct.KindEvent, err: "E-4"},
		{name: "known code, other value there", segments: []string{strings.Replace(inr, "2.4", "E-4", 1), pt}, kind: poct.KindPatient, err: "E-4", values: 2},
		{name: "unknown code as the value", segments: []string{strings.Replace(inr, "2.4", "E-9", 1)}, kind: poct.KindPatient, values: 1},
		{name: "code beside, no value", segments: []string{code}, kind: poct.KindEvent, err: "E-4"},
		{name: "code beside a value", segments: []string{inr, pt, code}, kind: poct.KindPatient, err: "E-4", values: 2},
		{name: "unknown code beside, no value", segments: []string{strings.Replace(code, "E-4", "E-9", 1)}, kind: poct.KindPatient, err: "E-9"},
	}
	for _, tc := range tests {
		t.Run(tc.name, func(t *testing.T) {
			d := one(t, p, append([]string{msh, pid, obr}, tc.segments...)...)
			assert.Equal(t, tc.kind, d.Reading.Kind)
			assert.Equal(t, tc.err, d.Reading.DeviceError)
			assert.Len(t, d.Reading.Measurements, tc.values)
			if tc.kind == poct.KindEvent {
				assert.Equal(t, "not enough blood", d.Reading.ErrorText)
			}
		})
	}
}

func TestUnreadable(t *testing.T) {
	other := quillConfig()
	other.ID, other.Match = "sedge", map[string]Values{"MSH-3.1": {"SEDGE"}}
	tests := []struct {
		name string
		a    poct.Arrival
		want string
	}{
		{"empty", arrival(""), "MSH"},
		{"no HL7", arrival("hello"), "MSH"},
		{"known to the inlet", poct.Arrival{Fault: "the frame was cut off", Raw: []byte("MSH|"), Format: "hl7v2"}, "the frame was cut off"},
		{"no profile fits", arrival(message(strings.Replace(msh, "QUILL3", "REED", 1), pid, obr, inr)), "No profile"},
		{"another message", arrival(message(strings.Replace(msh, "ORU^R30^ORU_R30", "ADT^A08", 1), pid)), "no result message"},
		{"fields shifted left", arrival(message(strings.Replace(msh, "|T|M|", "|", 1), pid, obr, inr)), "no result message"},
		{"no order", arrival(message(msh, pid)), "OBR"},
	}
	for _, tc := range tests {
		t.Run(tc.name, func(t *testing.T) {
			list := Decode(tc.a, []*Profile{quill, compiled(other)}, dublin)
			require.Len(t, list, 1)
			assert.Equal(t, poct.KindUnread, list[0].Reading.Kind)
			assert.Equal(t, []string{"unreadable-record message"}, problems(list[0]))
			assert.Contains(t, list[0].Problems[0].Text, tc.want)
			assert.NotContains(t, list[0].Problems[0].Text, "MRN0007", "nothing of a patient")
		})
	}
}

func TestFirstProfileThatFitsReads(t *testing.T) {
	second := quillConfig()
	second.ID, second.Match = "any", nil
	list := Decode(arrival(message(msh, pid, obr, inr, pt)), []*Profile{nil, quill, compiled(second)}, dublin)
	assert.Equal(t, "quill-hl7", list[0].Reading.Profile)
	list = Decode(arrival(message(strings.Replace(msh, "QUILL3", "X", 1), pid, obr, inr, pt)), []*Profile{quill, compiled(second)}, dublin)
	assert.Equal(t, "any", list[0].Reading.Profile)
}

// Bytes that cannot be read hold the field, not the message: a critical value
// beside an unreadable name still alerts.
func TestCharacterSets(t *testing.T) {
	cfg := quillConfig()
	cfg.Fields.Family = FieldConfig{At: "PID-5.1"}
	latin := "PID|1||MRN0007^^^MILLRACE^MR||M\xfcller^Ada"
	d := one(t, compiled(cfg), msh, latin, obr, inr, pt)
	assert.Equal(t, []string{"unreadable-record family"}, problems(d))
	assert.Equal(t, poct.Number{Text: "2.4"}, d.Reading.Measurements[0].Value)
	cfg.Charset = "windows-1252"
	d = one(t, compiled(cfg), msh, latin, obr, inr, pt)
	assert.Empty(t, d.Problems)
	assert.Equal(t, "Müller", d.Reading.Family)
}

func TestPatternAndValues(t *testing.T) {
	cfg := quillConfig()
	cfg.Fields.StripLot = FieldConfig{At: "NTE-3", Pattern: `strip lot (\w+)`}
	cfg.Fields.StripExpires = FieldConfig{At: "NTE-3", Pattern: `exp (\d+)`}
	cfg.Fields.Onboard = FieldConfig{At: "OBX-17", Values: map[string]string{"OK": "pass"}}
	p := compiled(cfg)
	d := one(t, p, msh, pid, obr, `NTE|1|L|quiet room`, inr, `NTE|1|L|strip lot L2403A exp 202703`, pt)
	assert.Equal(t, "L2403A", d.Reading.StripLot)
	assert.Equal(t, "2027-03-31", d.Reading.StripExpires, "a month ends with its last day (common practice, no source)")
	assert.Empty(t, d.Reading.Onboard)
	for text, want := range map[string]string{"OK": "pass", "BAD": "fail", "": ""} {
		d := one(t, p, msh, pid, obr, strings.Replace(inr, "op17||", "op17|"+text+"|", 1), pt)
		assert.Equal(t, want, d.Reading.Onboard, text)
	}
}
