package mapping

import (
	"bytes"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidegate/poct"
)

// What either order of one test tells stays: a failed control, an error code,
// the strip lot and where it stands.
func TestJoinedOrdersKeepWhatEachTells(t *testing.T) {
	cfg := quillConfig()
	cfg.Fields.Onboard = FieldConfig{At: "OBX-17", Values: map[string]string{"OK": "pass"}}
	cfg.Fields.Error = FieldConfig{At: "OBX-21.1"}
	p := compiled(cfg)
	first := strings.Replace(inr, "op17||", "op17|OK|", 1)
	second := func(more string) string { return `OBX|1|NM|PT||28.8|s||` + more }
	other := `OBX|2|ST|STRIPLOT||L2403A||||||F`
	tests := []struct {
		name   string
		second []string
		check  func(t *testing.T, d Decoded, raw string)
	}{
		{"its control failed", []string{second(`|||F|||||op17|BAD|SN0042`)}, func(t *testing.T, d Decoded, _ string) {
			assert.Equal(t, "fail", d.Reading.Onboard)
		}},
		{"quality control failure by flag", []string{second(`QCF|||F|||||op17|OK|SN0042`)}, func(t *testing.T, d Decoded, _ string) {
			assert.Equal(t, "fail", d.Reading.Onboard, "a flag is not outweighed by a control that passed")
		}},
		{"both passed", []string{second(`|||F|||||op17|OK|SN0042`)}, func(t *testing.T, d Decoded, _ string) {
			assert.Equal(t, "pass", d.Reading.Onboard)
		}},
		{"an error code", []string{second(`|||F|||||op17|OK|SN0042|||E-4`)}, func(t *testing.T, d Decoded, _ string) {
			assert.Equal(t, "E-4", d.Reading.DeviceError)
			assert.Equal(t, "not enough blood", d.Reading.ErrorText)
			assert.Equal(t, poct.KindPatient, d.Reading.Kind, "its values are there")
		}},
		{"the lot", []string{second(`|||F|||||op17|OK|SN0042`), other}, func(t *testing.T, d Decoded, raw string) {
			at := d.Reading.Where[poct.FieldStripLot]
			assert.Equal(t, "L2403A L2403A", d.Reading.StripLot+" "+raw[at.From:at.To])
		}},
		{"a specimen that is no patient's", []string{second(`|||F|||||op17|OK|SN0042`), `SPM|1|S1||BLD|||||||F`}, func(t *testing.T, d Decoded, _ string) {
			assert.Contains(t, d.Reading.ControlHint, "proficiency")
		}},
	}
	for _, tc := range tests {
		t.Run(tc.name, func(t *testing.T) {
			raw := message(append([]string{msh, pid, obr, first, obr}, tc.second...)...)
			list := Decode(arrival(raw), []*Profile{p}, dublin)
			require.Len(t, list, 1)
			require.Len(t, list[0].Reading.Measurements, 2)
			tc.check(t, list[0], raw)
		})
	}
}

// Rows that disagree about whose test it was are not made one.
func TestRowsThatDisagreeStayApart(t *testing.T) {
	cfg := reedConfig()
	cfg.NotSent = nil
	cfg.Fields.BirthDate = FieldConfig{At: "Level"}
	cfg.Control = ControlConfig{}
	cfg.CSV.Ignore = []string{"CtrlLot"}
	cfg.Results = []ResultConfig{
		{Analyte: "inr", Where: map[string]Values{"Type": {"INR"}}, Value: FieldConfig{At: "INR"}, Unit: FieldConfig{At: "{INR}"}, LOINC: "46418-0"},
		{Analyte: "pt", Where: map[string]Values{"Type": {"PT"}}, Value: FieldConfig{At: "INR"}, Unit: FieldConfig{At: "s"}, LOINC: "46417-2"},
	}
	row := func(typ, born, value string) string {
		return "R2;12;05.03.2026 09:12;118;7;L77;" + typ + ";;" + born + ";" + value + "\n"
	}
	decode := func(rows ...string) int {
		return len(Decode(file(reedHeader+"\n"+strings.Join(rows, "")), []*Profile{compiled(cfg)}, dublin))
	}
	assert.Equal(t, 1, decode(row("INR", "1950-01-01", "2,4"), row("PT", "1950-01-01", "28,8")))
	assert.Equal(t, 1, decode(row("INR", "1950-01-01", "2,4"), row("PT", "", "28,8")), "one that says nothing disagrees with none")
	assert.Equal(t, 2, decode(row("INR", "1950-01-01", "2,4"), row("PT", "1951-01-01", "28,8")))
}

// A file of ten thousand rows for the second of two profiles is divided once
// for each, not once for every row.
func TestAFileIsDividedOncePerProfile(t *testing.T) {
	one, two := reedConfig(), reedConfig()
	one.Match, two.Match = map[string]Values{"Type": {"PAT"}}, map[string]Values{"Type": {"SEDGE"}}
	two.ID = "sedge-csv"
	profiles := []*Profile{compiled(one), compiled(two)}
	var raw bytes.Buffer
	raw.WriteString(reedHeader + "\n")
	for range 1000 {
		raw.WriteString("R2;12;05.03.2026 09:12;118;7;L77;SEDGE;;;2,4\n")
	}
	a := file(raw.String())
	all := testing.AllocsPerRun(1, func() { Decode(a, profiles, dublin) })
	half := a
	half.Raw = a.Raw[:len(reedHeader)+1+500*len("R2;12;05.03.2026 09:12;118;7;L77;SEDGE;;;2,4\n")]
	some := testing.AllocsPerRun(1, func() { Decode(half, profiles, dublin) })
	assert.Less(t, all/some, 3.0, "twice the rows are about twice the work: %g against %g allocations", all, some)
}

// An error code in one order and a value in the other are one test: the value
// must not pass as if nothing had been wrong.
func TestAnErrorInOneOrderMarksTheValueInTheOther(t *testing.T) {
	value := inr
	failed := strings.Replace(`OBX|1|ST|PT||E-4||||||F`, "|F", "|F|||||op17||SN0042", 1)
	for name, segments := range map[string][]string{
		"value first": {msh, pid, obr, value, obr, failed},
		"error first": {msh, pid, obr, failed, obr, value},
	} {
		list := Decode(arrival(message(segments...)), []*Profile{quill}, dublin)
		require.Len(t, list, 1, name)
		r := list[0].Reading
		assert.Equal(t, poct.KindPatient, r.Kind, name)
		assert.Equal(t, "E-4 not enough blood", r.DeviceError+" "+r.ErrorText, name)
		require.Len(t, r.Measurements, 1, name)
		assert.Equal(t, "2.4", r.Measurements[0].Value.Text, name)
	}
	list := Decode(arrival(message(msh, pid, obr, failed, obr, strings.Replace(failed, "PT", "INR", 1))), []*Profile{quill}, dublin)
	require.Len(t, list, 1)
	assert.Equal(t, poct.KindEvent, list[0].Reading.Kind, "the same error twice is one event")
}
