package mapping

import (
	"bytes"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidegate/poct"
	"tidegate/wire/hl7"
)

var plainORU = ORUOptions{
	Message: Unsolicited, ControlID: "ABCDEFGHIJ2345672345",
	Sender: Party{"TIDEGATE", "MILLRACE"}, Receiver: Party{"LAB", "MILLRACE"},
}

func oruWith(change func(*ORUOptions)) ORUOptions {
	o := plainORU
	change(&o)
	return o
}

var announcing = oruWith(func(o *ORUOptions) { o.Message = Announcing })

// messages are ORU messages of every kind that leaves the house.
var messages = []struct {
	name   string
	change func(*poct.Result)
	action poct.Action // create, if left out
	remote map[string]string
	o      ORUOptions
}{
	{name: "inr-and-pt", o: plainORU},
	{name: "trailing-zeros", o: plainORU, change: measured("2.500")},
	{name: "above-range", o: plainORU, change: measured(">8.0")},
	{name: "at-least", o: plainORU, change: measured(">=8")},
	{name: "no-value", o: plainORU, change: func(r *poct.Result) { r.Reading.Measurements[1].Value = poct.Number{} }},
	{name: "bare", o: plainORU, change: func(r *poct.Result) {
		r.Reading.Operator, r.Reading.StripLot, r.Reading.Model, r.Reading.Specimen = "", "", "", ""
		r.Site, r.SiteName, r.LotExpires, r.OperatorOK, r.LotOK = "", "", "", false, false
		r.Patient = poct.Patient{Authority: "MILLRACE", ID: "MRN0007"}
	}},
	{name: "venous", o: plainORU, change: func(r *poct.Result) { r.Reading.Specimen = "venous" }},
	{name: "visit-and-order", o: plainORU, change: func(r *poct.Result) { r.Visit, r.Reading.Order = "V-1", "O-1" }},
	{name: "marks", o: plainORU, change: func(r *poct.Result) {
		r.Marks = []string{"INR 5.6 is above the critical limit.", " ", "Released by a person in spite of: clock-offset."}
	}},
	{name: "odd-texts", o: plainORU, change: func(r *poct.Result) {
		r.Patient.Family, r.Patient.Given = `O'Nil|l^~\&`, "Zoë\rMSH|^~\\&|evil"
		r.Reading.StripLot, r.SiteName, r.Reading.Meter = `""`, "Harbour Street & Söhne", "SN|42\n"
	}},
	{name: "codes-and-units", o: oruWith(func(o *ORUOptions) {
		o.Codes, o.Units = map[string][]string{"46418-0": {"34714-6", "INR", "LN"}}, map[string]string{"{INR}": "INR"}
		o.Service, o.PatientType = []string{"COAG", "Coagulation, point of care", "L"}, "PI"
	})},
	{name: "lot-in-obx", o: oruWith(func(o *ORUOptions) { o.LotIn = LotInOBX })},
	{name: "lot-nowhere", o: oruWith(func(o *ORUOptions) { o.LotIn = LotNowhere })},
	{name: "enhanced", o: oruWith(func(o *ORUOptions) { o.AcceptAck, o.ApplicationAck = "AL", "NE" })},
	{name: "announced", o: announcing},
	{name: "announced-with-order", o: announcing, change: func(r *poct.Result) { r.Reading.Order = "O-1" }},
	{name: "announced-corrected", o: announcing, action: poct.Correct, change: func(r *poct.Result) { r.Version = 2 }},
	{name: "corrected", o: plainORU, action: poct.Correct, change: func(r *poct.Result) {
		r.Version, r.Replaces = 2, "was INR 2.90; the meter sent a correction"
	}},
	{name: "marked", o: plainORU, action: poct.Correct, change: func(r *poct.Result) {
		r.Version, r.Noted, r.Marks = 2, true, []string{"A control of this meter failed; a repeat of this test was asked for."}
	}},
	{name: "withdrawn", o: plainORU, action: poct.Withdraw, change: func(r *poct.Result) {
		r.Version, r.Reading.Status, r.Replaces = 2, poct.StatusWithdrawn, "filed on the wrong patient"
	}},
	{name: "withdrawn-without-value", o: plainORU, action: poct.Withdraw, change: func(r *poct.Result) {
		r.Reading.Measurements[1].Value = poct.Number{}
	}},
	{name: "filed-anew", o: plainORU, change: func(r *poct.Result) { r.Version, r.Filing = 3, 1 }},
}

func renderORU(t *testing.T, n int) []byte {
	t.Helper()
	tc, r := messages[n], sampleResult()
	if tc.change != nil {
		tc.change(&r)
	}
	if tc.action == "" {
		tc.action = poct.Create
	}
	got, err := ORU(r, tc.action, tc.remote, tc.o)
	require.NoError(t, err)
	return got
}

// Golden files hold a segment a line; in the message each ends with CR.
func TestORUGolden(t *testing.T) {
	for i, tc := range messages {
		t.Run(tc.name, func(t *testing.T) {
			got := renderORU(t, i)
			require.NotContains(t, string(got), "\n")
			lines := bytes.ReplaceAll(got, []byte("\r"), []byte("\n"))
			path := filepath.Join("testdata", "oru", tc.name+".hl7")
			if *update {
				require.NoError(t, os.WriteFile(path, lines, 0o644))
			}
			want, err := os.ReadFile(path)
			require.NoError(t, err)
			assert.Equal(t, string(want), string(lines), "-update writes it anew")
			assert.Equal(t, string(got), string(renderORU(t, i)), "the same arguments give the same bytes")
		})
	}
	files, err := filepath.Glob("testdata/oru/*.hl7")
	require.NoError(t, err)
	assert.Len(t, files, len(messages), "a golden file without its case")
}

// HL7 2.5.1 chapter 7: R31 and R32 have the structure ORU_R30, which has
// neither a second order nor SPM. Tables 0085 (W: wrong), 0119 (NW, RE), 0123.
func TestORUSaysWhatHappened(t *testing.T) {
	tests := []struct {
		name    string
		change  func(*poct.Result)
		action  poct.Action
		message string
		want    map[string]string
	}{
		{"filed", nil, poct.Create, Unsolicited, map[string]string{"MSH-9": "ORU^R01^ORU_R01", "ORC-1": "RE", "OBR-25": "F", "OBX-11": "F", "OBX[2]-11": "F", "SPM-11.1": "P"}},
		{"corrected", nil, poct.Correct, Unsolicited, map[string]string{"MSH-9": "ORU^R01^ORU_R01", "OBR-25": "C", "OBX-11": "C", "OBX[2]-11": "C"}},
		{"withdrawn", nil, poct.Withdraw, Unsolicited, map[string]string{"OBR-25": "C", "OBX-11": "W", "OBX[2]-11": "W", "OBX-5": "2.40"}},
		{"announced", nil, poct.Create, Announcing, map[string]string{"MSH-9": "ORU^R30^ORU_R30", "ORC-1": "NW", "OBR-2": "", "SPM-1": ""}},
		{"of an order", func(r *poct.Result) { r.Reading.Order = "O-1" }, poct.Create, Announcing, map[string]string{"MSH-9": "ORU^R32^ORU_R30", "ORC-1": "RE", "ORC-2": "O-1", "OBR-2": "O-1"}},
		{"of an order that was found", func(r *poct.Result) { r.Ordered.Placer = "O-1" }, poct.Create, Announcing, map[string]string{"MSH-9": "ORU^R32^ORU_R30", "ORC-2": "O-1"}},
		{"announced by the site's choice", func(r *poct.Result) { r.Announce = true }, poct.Create, "", map[string]string{"MSH-9": "ORU^R30^ORU_R30", "ORC-1": "NW", "SPM-1": ""}},
		{"ordered after all", func(r *poct.Result) { r.Announce, r.Ordered.Placer = true, "O-1" }, poct.Create, "", map[string]string{"MSH-9": "ORU^R01^ORU_R01", "OBR-2": "O-1"}},
		{"announced, then corrected", nil, poct.Correct, Announcing, map[string]string{"MSH-9": "ORU^R32^ORU_R30", "ORC-1": "RE", "OBX-11": "C"}},
		{"a mark alone", func(r *poct.Result) { r.Noted = true }, poct.Correct, Unsolicited, map[string]string{"OBR-25": "F", "OBX-11": "F"}},
		{"above the range", measured(">8.0"), poct.Create, Unsolicited, map[string]string{"OBX-2": "SN", "OBX-5": ">^8.0", "OBX-8": ">"}},
	}
	for _, tc := range tests {
		t.Run(tc.name, func(t *testing.T) {
			r := sampleResult()
			if tc.change != nil {
				tc.change(&r)
			}
			raw, err := ORU(r, tc.action, nil, oruWith(func(o *ORUOptions) { o.Message = tc.message }))
			require.NoError(t, err)
			m, err := hl7.Parse(raw)
			require.NoError(t, err)
			for at, want := range tc.want {
				assert.Equal(t, want, string(m.Get(at).Raw()), at)
			}
		})
	}
}

func TestORURefuses(t *testing.T) {
	tests := []struct {
		name   string
		change func(*poct.Result, *ORUOptions)
		action poct.Action
		remote map[string]string
		want   string
	}{
		{name: "a control", action: poct.Create, change: func(r *poct.Result, _ *ORUOptions) { r.Reading.Kind = poct.KindControl }, want: "control reading"},
		{name: "a preliminary result", action: poct.Create, change: func(r *poct.Result, _ *ORUOptions) { r.Reading.Status = poct.StatusPreliminary }, want: "preliminary"},
		{name: "a unit that the profile does not know", action: poct.Create, change: func(r *poct.Result, _ *ORUOptions) { r.Reading.Measurements[1].Unit = "" }, want: "unit"},
		{name: "no control id", action: poct.Create, change: func(_ *poct.Result, o *ORUOptions) { o.ControlID = "" }, want: "control id"},
		{name: "a control id that is too long", action: poct.Create, change: func(_ *poct.Result, o *ORUOptions) { o.ControlID = strings.Repeat("A", 21) }, want: "control id"},
		{name: "a withdrawal that leaves a value standing", action: poct.Withdraw, remote: map[string]string{"observation/pt": "x"},
			change: func(r *poct.Result, _ *ORUOptions) { r.Reading.Measurements = r.Reading.Measurements[:1] }, want: "every value"},
	}
	for _, tc := range tests {
		t.Run(tc.name, func(t *testing.T) {
			r, o := sampleResult(), plainORU
			tc.change(&r, &o)
			_, err := ORU(r, tc.action, tc.remote, o)
			require.ErrorContains(t, err, tc.want)
			assert.NotContains(t, err.Error(), "MRN0007", "nothing of a patient")
		})
	}
}

// One delivery keeps its name; another never has it. Versions of one filing
// share the filler order number, and a filing anew has one of its own.
func TestNamesOfMessages(t *testing.T) {
	d := poct.Delivery{ID: 7, Outlet: "lab", Action: poct.Create, Result: sampleResult()}
	id := MessageID(d)
	assert.Regexp(t, `^[A-Z2-7]{20}$`, id)
	again := d
	again.Attempts, again.Epoch, again.Intent = 3, 9, true
	assert.Equal(t, id, MessageID(again))
	seen := map[string]bool{id: true}
	for _, change := range []func(*poct.Delivery){
		func(d *poct.Delivery) { d.ID++ }, func(d *poct.Delivery) { d.Outlet = "other" }, func(d *poct.Delivery) { d.Action = poct.Withdraw },
		func(d *poct.Delivery) { d.Result.Version++ }, func(d *poct.Delivery) { d.Result.Filing++ }, func(d *poct.Delivery) { d.Result.Key += "1" },
		func(d *poct.Delivery) { d.Result.Issued = d.Result.Issued.Add(time.Millisecond) },
	} {
		other := d
		change(&other)
		assert.False(t, seen[MessageID(other)])
		seen[MessageID(other)] = true
	}
	r := sampleResult()
	filler := FillerNumber(r)
	r.Version, r.Patient.ID = 2, "other"
	assert.Equal(t, filler, FillerNumber(r))
	r.Filing = 1
	assert.NotEqual(t, filler, FillerNumber(r))
}

// Whatever a result says is read back from the message as it was.
func FuzzORU(f *testing.F) {
	f.Add("MRN0007", "MILLRACE", "Testperson", "Ada", "118", "L2403A", "Q3-0118", "a mark", "2.50", "O-1")
	f.Add(`1|2^3~4\5&6`, `""`, "\rMSH|^~\\&|", "\x0b\x1c\r", `\F\`, `\X0D\`, "a\tb", "line\nline", ">8.0", `\.br\`)
	f.Add("Ü", "日本", "\u0085", "é", "|", "^", "~", "&", "<0.8", "#")
	f.Fuzz(func(t *testing.T, id, authority, family, given, operator, lot, meter, mark, value, order string) {
		for _, s := range []string{id, authority, family, given, operator, lot, meter, mark, order} {
			if !utf8.ValidString(s) {
				return
			}
		}
		r := sampleResult()
		r.Patient.ID, r.Patient.Authority, r.Patient.Family, r.Patient.Given = id, authority, family, given
		r.Reading.Operator, r.Reading.StripLot, r.Reading.Meter, r.Reading.Order = operator, lot, meter, order
		r.Marks = []string{mark}
		number, err := poct.ParseNumber(value)
		if err != nil {
			return
		}
		r.Reading.Measurements[0].Value = number
		raw, err := ORU(r, poct.Create, nil, plainORU)
		require.NoError(t, err)
		m, err := hl7.Parse(raw)
		require.NoError(t, err)
		charset, fault := m.Charset()
		require.Nil(t, fault)
		require.Equal(t, hl7.UTF8, charset)
		orders, faults := m.Orders()
		require.Empty(t, faults)
		require.Len(t, orders, 1)
		o := orders[0]
		require.Len(t, o.Observations, 2)
		for at, want := range map[string]string{
			"PID-3.1": id, "PID-3.4": authority, "PID-5.1": family, "PID-5.2": given, "ORC-2": order, "OBR-2": order,
		} {
			v := o.Get(at)
			got, exact := v.Exact()
			require.Equal(t, want, got, at)
			require.True(t, exact, at)
			require.False(t, v.Null(), at)
		}
		b := o.Observations[0]
		require.Equal(t, operator, b.Get("OBX-16.1").Text())
		require.Equal(t, meter, b.Get("OBX-18.1").Text())
		if number.Comparator == "" {
			require.Equal(t, number.Text, b.Get("OBX-5").Text())
		} else {
			sn, err := b.Get("OBX-5").SN()
			require.NoError(t, err)
			require.Equal(t, hl7.SN{Comparator: number.Comparator, Num1: number.Text}, sn)
		}
		var notes []string
		for i := range b.Notes {
			notes = append(notes, b.Get("NTE["+strconv.Itoa(i+1)+"]-3").Text())
		}
		if strings.TrimSpace(mark) != "" {
			require.Contains(t, notes, mark)
		}
		at, err := hl7.ParseTime(b.Get("OBX-14").Text())
		require.NoError(t, err)
		require.True(t, at.In(time.UTC).Equal(r.Reading.Tested().Truncate(time.Second)))
	})
}
