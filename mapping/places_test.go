package mapping

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"

	"tidegate/poct"
)

// ORU messages have no place for a strip lot (HL7 2.5.1 chapter 7): makers send
// it in a segment of their own, in a note, beside the code or in the method.
func TestPlacesOfALot(t *testing.T) {
	lots := func(at string, where map[string]Values, pattern string) *Profile {
		cfg := quillConfig()
		cfg.Fields.StripLot = FieldConfig{At: at, Where: where, Pattern: pattern}
		return compiled(cfg)
	}
	tests := []struct {
		name string
		p    *Profile
		more []string
		want string
	}{
		{"own segment", lots("ZLT-2", nil, ""), []string{`ZLT|STRIP|L2403A`}, "L2403A"},
		{"own segment told by its content", lots("ZLT-2", map[string]Values{"ZLT-1": {"STRIP"}}, ""), []string{`ZLT|CTRL|QC77`, `ZLT|STRIP|L2403A`}, "L2403A"},
		{"none of that content", lots("ZLT-2", map[string]Values{"ZLT-1": {"STRIP"}}, ""), []string{`ZLT|CTRL|QC77`}, ""},
		{"told by another segment too", lots("ZLT-2", map[string]Values{"ZLT-1": {"STRIP"}, "OBR-4.1": {"INR"}}, ""), []string{`ZLT|STRIP|L2403A`}, "L2403A"},
		{"second of its kind", lots("ZLT[2]-2", nil, ""), []string{`ZLT|CTRL|QC77`, `ZLT|STRIP|L2403A`}, "L2403A"},
		{"note", lots("NTE-3", nil, `lot (\w+)`), []string{`NTE|1|L|quiet`, `NTE|2|L|strip lot L2403A`}, "L2403A"},
		{"method", lots("OBX-17.2", nil, `^strip (\w+)$`), []string{`OBX|3|NM|INR2||1||||||F||||||STRIP^strip L2403A`}, ""},
		{"method of a result", lots("OBX-17.2", nil, `^strip (\w+)$`), nil, "L2403B"},
	}
	first := strings.Replace(inr, "op17||", "op17|STRIP^strip L2403B|", 1)
	for _, tc := range tests {
		t.Run(tc.name, func(t *testing.T) {
			segments := []string{msh, pid, obr, inr, pt}
			if tc.want == "L2403B" {
				segments[3] = first
			}
			raw := message(append(segments, tc.more...)...)
			d := Decode(arrival(raw), []*Profile{tc.p}, dublin)[0]
			assert.Equal(t, tc.want, d.Reading.StripLot)
			standsThere(t, []byte(raw), d.Reading)
		})
	}
}

// A status of the maker's own, where the profile says so; table 0085 for what
// it does not name.
func TestStatusOfTheProfile(t *testing.T) {
	cfg := quillConfig()
	cfg.Fields.Status = FieldConfig{At: "OBR-25", Values: map[string]string{"DONE": "final", "VOID": "withdrawn"}}
	p := compiled(cfg)
	for sent, want := range map[string]poct.Status{"DONE": poct.StatusFinal, "VOID": poct.StatusWithdrawn, "C": poct.StatusCorrected} {
		d := one(t, p, msh, pid, obr+strings.Repeat("|", 18)+sent, inr, pt)
		assert.Equal(t, want, d.Reading.Status, sent)
		assert.Empty(t, d.Problems)
	}
	assert.Equal(t, []string{"unreadable-record status"}, problems(one(t, p, msh, pid, obr+strings.Repeat("|", 18)+"HUH", inr, pt)))
}

// A patient's number in a component is read as it stands, wherever it stands.
func TestPatientInAComponent(t *testing.T) {
	cfg := quillConfig()
	cfg.Fields.Patient = FieldConfig{At: "PID-18.1", Authority: "MILLRACE", Pattern: `^A-(\d+)$`}
	p := compiled(cfg)
	with := func(account string) poct.PatientRef {
		return one(t, p, msh, pid+strings.Repeat("|", 15)+account, obr, inr, pt).Reading.Patient
	}
	assert.Equal(t, poct.PatientRef{Authority: "MILLRACE", ID: "0042"}, with("A-0042"))
	assert.Equal(t, poct.PatientRef{}, with("0042"))
	assert.Equal(t, poct.PatientRef{}, with(""))
}
