package mapping

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidegate/poct"
)

func reedConfig() ProfileConfig {
	return ProfileConfig{
		ID: "reed-csv", Format: "csv", Model: "Reed 2", Specimen: "capillary",
		CSV: CSVConfig{Delimiter: ";", Decimal: ",", Encoding: "windows-1252"},
		Fields: FieldsConfig{
			Meter: FieldConfig{At: "Serial"}, Sequence: FieldConfig{At: "Seq"},
			TestedAt: FieldConfig{At: "Time", Layout: "dd.MM.yyyy HH:mm", Zone: "site"}, Operator: FieldConfig{At: "User"},
			Patient: FieldConfig{At: "PatId", Authority: "MILLRACE"}, StripLot: FieldConfig{At: "Strip"},
		},
		Control: ControlConfig{When: map[string]Values{"Type": {"QC"}}, Lot: FieldConfig{At: "CtrlLot"}, Level: FieldConfig{At: "Level"}},
		Results: []ResultConfig{{Analyte: "inr", Value: FieldConfig{At: "INR"}, Unit: FieldConfig{At: "{INR}"}, LOINC: "46418-0"}},
		Errors:  map[string]string{"E4": "not enough blood"},
		NotSent: []string{"birth_date", "pt"},
	}
}

var reed = compiled(reedConfig())

const reedHeader = "Serial;Seq;Time;User;PatId;Strip;Type;CtrlLot;Level;INR"

func file(raw string) poct.Arrival { return poct.Arrival{ID: "a", Format: "csv", Raw: []byte(raw)} }

func TestCSVRow(t *testing.T) {
	raw := reedHeader + "\r\nR2-0007;12;05.03.2026 09:12;118;MRN0007;L77;PAT;;;2,40\r\nR2-0007;13;05.03.2026 09:20;118;;L77;QC;C1;2;2,6\r\n"
	list := Decode(file(raw), []*Profile{reed}, dublin)
	require.Len(t, list, 2)
	r := list[0].Reading
	assert.Empty(t, list[0].Problems)
	assert.Equal(t, "R2-0007|12|05.03.2026 09:12", r.Key(), "the time as sent")
	assert.Equal(t, "2026-03-05T09:12:00Z", r.TestedAt.At.Format(time.RFC3339))
	assert.True(t, r.TestedAt.Assumed)
	assert.Equal(t, poct.PatientRef{Authority: "MILLRACE", ID: "MRN0007"}, r.Patient)
	assert.Equal(t, []poct.Measurement{{Analyte: "inr", Value: poct.Number{Text: "2.40"}, RawValue: "2,40", Unit: "{INR}", Code: "INR", LOINC: "46418-0"}}, r.Measurements)
	assert.False(t, r.Sends("pt"))
	assert.Equal(t, "2,40", raw[r.Where["inr"].From:r.Where["inr"].To])
	assert.Equal(t, "R2-0007;12;05.03.2026 09:12;118;MRN0007;L77;PAT;;;2,40", raw[r.Where[poct.FieldMessage].From:r.Where[poct.FieldMessage].To])
	c := list[1].Reading
	assert.Equal(t, poct.KindControl, c.Kind)
	assert.Equal(t, "C1 2", c.ControlLot+" "+c.ControlLevel)
	assert.Equal(t, poct.PatientRef{}, c.Patient)
}

// Decimal comma only by setting; RFC 4180 for quotes and line ends.
func TestCSVCells(t *testing.T) {
	row := func(inr string) string { return reedHeader + "\nR2;12;05.03.2026 09:12;118;7;L77;PAT;;;" + inr + "\n" }
	for _, tc := range []struct {
		name, in string
		want     poct.Number
		raw      string
	}{
		{"comma", row("2,4"), poct.Number{Text: "2.4"}, "2,4"},
		{"whole", row("2"), poct.Number{Text: "2"}, "2"},
		{"comparator", row(">8,0"), poct.Number{Comparator: ">", Text: "8.0"}, ">8,0"},
		{"point where a comma is agreed", row("2.4"), poct.Number{}, "2.4"},
		{"both", row("1.234,5"), poct.Number{}, "1.234,5"},
		{"two commas", row("1,2,3"), poct.Number{}, "1,2,3"},
		{"quoted", row(`"2,4"`), poct.Number{Text: "2.4"}, "2,4"},
		{"quoted delimiter", row(`"2;4"`), poct.Number{}, "2;4"},
		{"doubled quote", row(`"2""4"`), poct.Number{}, `2"4`},
		{"blanks around", row(" 2,4 "), poct.Number{Text: "2.4"}, "2,4"},
		{"word", row("HI"), poct.Number{}, "HI"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			list := Decode(file(tc.in), []*Profile{reed}, dublin)
			require.Len(t, list, 1)
			require.Len(t, list[0].Reading.Measurements, 1, list[0].Problems)
			m := list[0].Reading.Measurements[0]
			assert.Equal(t, tc.want, m.Value)
			assert.Equal(t, tc.raw, m.RawValue)
		})
	}
	list := Decode(file(row("")), []*Profile{reed}, dublin)
	assert.Empty(t, list[0].Reading.Measurements, "an empty cell measures nothing")
	list = Decode(file(row("E4")), []*Profile{reed}, dublin)
	assert.Equal(t, poct.KindEvent, list[0].Reading.Kind)
}

func TestCSVFiles(t *testing.T) {
	row := "R2;12;05.03.2026 09:12;118;7;L77;PAT;;;2,4"
	const umlaut = "\xfc"
	noFallback := reedConfig()
	noFallback.CSV.Encoding = ""
	bare := reedConfig()
	bare.CSV.Header = strings.Split(reedHeader, ";")
	ignoring := reedConfig()
	ignoring.CSV.Ignore = []string{"Battery"}
	any := reedConfig()
	any.CSV.Ignore = []string{"*"}
	tests := []struct {
		name, raw string
		cfg       *ProfileConfig
		readings  int
		lot       string
		want      string // of the first problem's text; "" for none
	}{
		{name: "line feeds", raw: reedHeader + "\n" + row + "\n" + row, readings: 2},
		{name: "carriage returns only", raw: reedHeader + "\r" + row + "\r" + strings.Replace(row, ";12;", ";13;", 1) + "\r", readings: 2},
		{name: "both", raw: reedHeader + "\r\n" + row + "\r\n\r\n", readings: 1},
		{name: "byte order mark", raw: "\xef\xbb\xbf" + reedHeader + "\n" + row + "\n", readings: 1},
		{name: "byte order mark and quoted header", raw: "\xef\xbb\xbf\"Serial\"" + strings.TrimPrefix(reedHeader, "Serial") + "\n" + row + "\n", readings: 1},
		{name: "windows-1252", raw: reedHeader + "\n" + strings.Replace(row, "L77", "L"+umlaut, 1) + "\n", readings: 1, lot: "Lü"},
		{name: "UTF-8 goes before the configured encoding", raw: reedHeader + "\n" + strings.Replace(row, "L77", "Lü", 1) + "\n", readings: 1, lot: "Lü"},
		{name: "neither", cfg: &noFallback, raw: reedHeader + "\n" + strings.Replace(row, "L77", umlaut, 1) + "\n", readings: 1, want: "not UTF-8"},
		{name: "a byte that windows-1252 has not", raw: reedHeader + "\n" + strings.Replace(row, "L77", "L\x81", 1) + "\n", readings: 1, lot: `L\X81\`, want: "strip lot holds bytes"},
		{name: "UTF-16 without a mark", raw: "S\x00e\x00", readings: 1, want: "zero bytes"},
		{name: "UTF-16 cut off", raw: "\xff\xfeS\x00e", readings: 1, want: "odd number of bytes"},
		{name: "UTF-16", raw: string(wide(reedHeader + "\n" + strings.Replace(row, "L77", "Lü", 1) + "\n")), readings: 1, lot: "Lü"},
		{name: "quotation mark not closed", raw: reedHeader + "\n" + row + "\n\"R2;12", readings: 1, want: "not closed"},
		{name: "column twice", raw: reedHeader + ";INR\n" + row + ";2,4\n", readings: 1, want: `"INR" twice`},
		{name: "column unknown", raw: reedHeader + ";Battery\n" + row + ";90\n", readings: 1, want: `"Battery" that profile`},
		{name: "column ignored", cfg: &ignoring, raw: reedHeader + ";Battery\n" + row + ";90\n", readings: 1},
		{name: "any column ignored", cfg: &any, raw: reedHeader + ";Battery\n" + row + ";90\n", readings: 1},
		{name: "column missing", raw: strings.TrimSuffix(reedHeader, ";INR") + "\n" + strings.TrimSuffix(row, ";2,4") + "\n", readings: 1, want: `no column "INR"`},
		{name: "another delimiter", raw: strings.ReplaceAll(reedHeader, ";", ",") + "\n" + row + "\n", readings: 1, want: "column"},
		{name: "columns in another order", raw: "INR;Level;CtrlLot;Type;Strip;PatId;User;Time;Seq;Serial\n2,4;;;PAT;L77;7;118;05.03.2026 09:12;12;R2\n", readings: 1},
		{name: "no header in the file", cfg: &bare, raw: row + "\n", readings: 1},
		{name: "a short row is alone", raw: reedHeader + "\n" + row + "\nR2;13\n", readings: 2, want: ""},
		{name: "header only", raw: reedHeader + "\n", readings: 1, want: "no record"},
		{name: "empty", raw: "", readings: 1, want: "empty"},
	}
	for _, tc := range tests {
		t.Run(tc.name, func(t *testing.T) {
			p := reed
			if tc.cfg != nil {
				p = compiled(*tc.cfg)
			}
			list := Decode(file(tc.raw), []*Profile{p}, dublin)
			require.Len(t, list, tc.readings)
			first := list[0]
			if tc.want == "" {
				assert.Empty(t, first.Problems)
				assert.Equal(t, "2.4", first.Reading.Measurements[0].Value.Text)
				assert.Equal(t, "R2", first.Reading.Meter)
			} else {
				require.NotEmpty(t, first.Problems)
				assert.Contains(t, first.Problems[0].Text, tc.want)
			}
			if tc.lot != "" {
				assert.Equal(t, tc.lot, first.Reading.StripLot)
			}
		})
	}
	list := Decode(file(reedHeader+"\n"+row+"\nR2;13\n"), []*Profile{reed}, dublin)
	assert.Equal(t, poct.KindUnread, list[1].Reading.Kind)
	assert.Equal(t, 1, list[1].Reading.Index)
}

// Two models share an export; rows go to the profile whose conditions hold.
func TestCSVRowsByProfile(t *testing.T) {
	one, two := reedConfig(), reedConfig()
	one.Match, two.Match = map[string]Values{"Type": {"PAT", "QC"}}, map[string]Values{"Type": {"SEDGE"}}
	two.ID = "sedge-csv"
	row := "R2;12;05.03.2026 09:12;118;7;L77;PAT;;;2,4\n"
	raw := reedHeader + "\n" + row + strings.Replace(row, "12;05.03.2026 09:12;118;7;L77;PAT", "13;05.03.2026 09:12;118;7;L77;SEDGE", 1) +
		strings.Replace(row, "PAT", "TRAIN", 1)
	list := Decode(file(raw), []*Profile{compiled(one), compiled(two)}, dublin)
	require.Len(t, list, 3)
	assert.Equal(t, "reed-csv", list[0].Reading.Profile)
	assert.Equal(t, "sedge-csv", list[1].Reading.Profile)
	assert.Equal(t, poct.KindUnread, list[2].Reading.Kind)
	assert.Contains(t, list[2].Problems[0].Text, "record 3")
}

func TestCSVStatusAndUnits(t *testing.T) {
	cfg := reedConfig()
	cfg.Fields.Status = FieldConfig{At: "Type", Values: map[string]string{"PAT": "final", "VOID": "cancelled"}}
	cfg.Results = []ResultConfig{{Analyte: "inr", Value: FieldConfig{At: "INR"}, Unit: FieldConfig{At: "Level"}, LOINC: "46418-0", Units: map[string]string{"ratio": "{INR}"}}}
	p := compiled(cfg)
	row := func(typ, unit string) Decoded {
		return Decode(file(reedHeader+"\nR2;12;05.03.2026 09:12;118;7;L77;"+typ+";;"+unit+";2,4\n"), []*Profile{p}, dublin)[0]
	}
	assert.Equal(t, poct.StatusFinal, row("PAT", "ratio").Reading.Status)
	assert.Equal(t, "{INR}", row("PAT", "ratio").Reading.Measurements[0].Unit)
	assert.Empty(t, row("PAT", "%").Reading.Measurements[0].Unit)
	assert.Equal(t, poct.StatusCancelled, row("VOID", "ratio").Reading.Status)
	assert.Equal(t, []string{"unreadable-record status"}, problems(row("HUH", "ratio")))
}

// One row for each analyte: rows of one test are one reading.
func TestCSVRowsOfOneTest(t *testing.T) {
	cfg := reedConfig()
	cfg.NotSent = nil
	cfg.Results = []ResultConfig{
		{Analyte: "inr", Where: map[string]Values{"Type": {"INR"}}, Value: FieldConfig{At: "INR"}, Unit: FieldConfig{At: "{INR}"}, LOINC: "46418-0"},
		{Analyte: "pt", Where: map[string]Values{"Type": {"PT"}}, Value: FieldConfig{At: "INR"}, Unit: FieldConfig{At: "s"}, LOINC: "46417-2"},
	}
	row := "R2;12;05.03.2026 09:12;118;7;L77;PT;;;28,8\n"
	list := Decode(file(reedHeader+"\n"+row+strings.NewReplacer("PT", "INR", "28,8", "2,4").Replace(row)), []*Profile{compiled(cfg)}, dublin)
	require.Len(t, list, 1)
	m := list[0].Reading.Measurements
	require.Len(t, m, 2)
	assert.Equal(t, "inr 2.4, pt 28.8", m[0].Analyte+" "+m[0].Value.Text+", "+m[1].Analyte+" "+m[1].Value.Text)
}

func TestFormatIsToldByTheBytesIfTheInletDoesNotKnow(t *testing.T) {
	a := file(reedHeader + "\nR2;12;05.03.2026 09:12;118;7;L77;PAT;;;2,4\n")
	a.Format = ""
	assert.Equal(t, "reed-csv", Decode(a, []*Profile{quill, reed}, dublin)[0].Reading.Profile)
	b := arrival(worked)
	b.Format = ""
	assert.Equal(t, "quill-hl7", Decode(b, []*Profile{reed, quill}, dublin)[0].Reading.Profile)
}
