package mapping

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidegate/poct"
)

// What a meter tells of the run itself, in an HL7 message: times, seconds,
// haematocrit, and notes wherever they stand.
func TestRunItself(t *testing.T) {
	cfg := quillConfig()
	obx := func(code string) FieldConfig {
		return FieldConfig{At: "OBX-5", Where: map[string]Values{"OBX-3.1": {code}}}
	}
	cfg.Fields.AskedAt, cfg.Fields.SampledAt, cfg.Fields.RunTime, cfg.Fields.Haematocrit = obx("ASK"), FieldConfig{At: "SPM-17.1"}, obx("RUN"), obx("HCT")
	cfg.Fields.Interference = FieldConfig{At: "NTE-3", Pattern: `^note: (.+)$`, Values: map[string]string{"none": ""}}
	p := compiled(cfg)
	more := []string{
		`OBX|3|ST|ASK||20260305091110||||||F`, `OBX|4|NM|RUN||31.5||||||F`, `OBX|5|NM|HCT||41||||||F`, `NTE|1|L|note: icteric`, `NTE|2|L|battery low`, `NTE|3|L|note: clot seen`,
		`NTE|4|L|note: none`, `SPM|1|||BLD|||||||P||||||20260305091130`,
	}
	d := one(t, p, append([]string{msh, pid, obr, inr, pt}, more...)...)
	r := d.Reading
	assert.Empty(t, d.Problems)
	assert.Equal(t, "2026-03-05T09:11:10Z 2026-03-05T09:11:30Z", r.AskedAt.At.Format("2006-01-02T15:04:05Z07:00")+" "+r.SampledAt.At.Format("2006-01-02T15:04:05Z07:00"))
	assert.Equal(t, poct.MustNumber("31.5"), r.RunTime)
	assert.Equal(t, poct.MustNumber("41"), r.Haematocrit)
	assert.Equal(t, []string{"icteric", "clot seen"}, r.Interference)

	more[1] = `OBX|4|ST|RUN||long||||||F`
	assert.Equal(t, []string{"unreadable-record run_time"}, problems(one(t, p, append([]string{msh, pid, obr, inr, pt}, more...)...)), "a number that is none is not passed over")
}

// Errors of the device that come beside the value, not instead of it: as
// another OBX, as a flag, in a note. A code without a value is an event.
func TestErrorsWhereverTheyStand(t *testing.T) {
	at := func(f FieldConfig) *Profile {
		cfg := quillConfig()
		cfg.Errors = map[string]string{"E-4": "Not enough blood on the strip.", "E-9": "An air bubble in the sample.", "NOCLOT": "No clot was found in time."}
		cfg.Fields.Error = f
		return compiled(cfg)
	}
	none := `OBX|1|NM|INR||||||||X|||||op17||SN0042`
	for _, tc := range []struct {
		name     string
		p        *Profile
		segments []string
		code     string
		words    string
		kind     poct.ReadingKind
	}{
		{"another OBX", at(FieldConfig{At: "OBX-5", Where: map[string]Values{"OBX-3.1": {"ERR"}}}), []string{none, `OBX|2|ST|ERR||E-4||||||F`}, "E-4", "Not enough blood on the strip.", poct.KindEvent},
		{"another OBX alone", at(FieldConfig{At: "OBX-5", Where: map[string]Values{"OBX-3.1": {"ERR"}}}), []string{`OBX|1|ST|ERR||E-9||||||F|||||op17||SN0042`}, "E-9", "An air bubble in the sample.", poct.KindEvent},
		{"a flag", at(FieldConfig{At: "OBX-8", Pattern: `^(E-\d+|NOCLOT)$`}), []string{strings.Replace(none, "||||||||X", "|||||NOCLOT|||X", 1)}, "NOCLOT", "No clot was found in time.", poct.KindEvent},
		{"an ordinary flag", at(FieldConfig{At: "OBX-8", Pattern: `^(E-\d+|NOCLOT)$`}), []string{strings.Replace(inr, "|||||F", "||N|||F", 1), pt}, "", "", poct.KindPatient},
		{"a note", at(FieldConfig{At: "NTE-3", Pattern: `code (E-\d+)`}), []string{none, `NTE|1|L|stopped, code E-9`}, "E-9", "An air bubble in the sample.", poct.KindEvent},
		{"in the value's place", at(FieldConfig{}), []string{`OBX|1|ST|INR||E-4||||||X|||||op17||SN0042`}, "E-4", "Not enough blood on the strip.", poct.KindEvent},
		{"beside a value", at(FieldConfig{At: "NTE-3", Pattern: `code (E-\d+)`}), []string{inr, pt, `NTE|1|L|code E-9`}, "E-9", "An air bubble in the sample.", poct.KindPatient},
		{"words of the meter", at(FieldConfig{At: "NTE-3", Values: map[string]string{"BLUT?": "E-4"}}), []string{none, `NTE|1|L|BLUT?`}, "E-4", "Not enough blood on the strip.", poct.KindEvent},
	} {
		t.Run(tc.name, func(t *testing.T) {
			r := one(t, tc.p, append([]string{msh, pid, obr}, tc.segments...)...).Reading
			assert.Equal(t, tc.kind, r.Kind)
			assert.Equal(t, tc.code, r.DeviceError)
			assert.Equal(t, tc.words, r.ErrorText)
			if tc.kind == poct.KindEvent {
				assert.Empty(t, r.Measurements)
			}
		})
	}
}

// A laboratory's own results: 6301-6 is INR in platelet poor plasma by
// coagulation assay, 5902-2 the prothrombin time there (LOINC).
func labConfig() ProfileConfig {
	cfg := quillConfig()
	cfg.ID, cfg.Model, cfg.Kind, cfg.Specimen, cfg.Match = "lab-hl7", "Laboratory", "comparison", "plasma", map[string]Values{"MSH-3.1": {"LAB"}}
	cfg.Fields = FieldsConfig{Sequence: FieldConfig{At: "OBR-3.1"}, TestedAt: FieldConfig{At: "OBR-7", Zone: "Europe/Dublin"}, Patient: FieldConfig{At: "PID-3", Authority: "MILLRACE"}}
	cfg.Control = ControlConfig{}
	cfg.Results = []ResultConfig{{Analyte: "inr", Where: map[string]Values{"OBX-3.1": {"6301-6"}}, LOINC: "6301-6", Units: map[string]string{"1": "{INR}", "": "{INR}"}}}
	cfg.NotSent = []string{"pt", "operator", "strip_lot", "birth_date"}
	return cfg
}

func TestComparisons(t *testing.T) {
	lab := compiled(labConfig())
	segments := []string{strings.Replace(msh, "QUILL3", "LAB", 1), pid, `OBR|1|P-1|F-9001^LAB|5902-2^PT^LN|||20260305091200`, `OBX|1|NM|6301-6^INR^LN||2.52|1|||||F`}
	d := one(t, lab, segments...)
	assert.Empty(t, d.Problems)
	assert.Equal(t, poct.KindComparison, d.Reading.Kind)
	assert.Equal(t, "plasma", d.Reading.Specimen)
	assert.Equal(t, "lab-hl7|F-9001|20260305091200", d.Reading.Key(), "the laboratory's own number stands for the meter's")

	segments[2] = `OBR|1|P-1||5902-2^PT^LN|||20260305091200`
	assert.Empty(t, one(t, lab, segments...).Reading.Key(), "without it nothing tells one result from another")
	meter := d.Reading
	meter.Kind = poct.KindPatient
	assert.Empty(t, meter.Key(), "a meter's result needs the meter")

	both := reedConfig()
	both.Comparison = ComparisonConfig{When: map[string]Values{"Type": {"LAB"}}, Specimen: "venous"}
	list := Decode(file(reedHeader+"\nLAB1;9001;05.03.2026 09:12;;MRN0007;;LAB;;;2,52\nR2;12;05.03.2026 09:12;118;MRN0007;L77;PAT;;;2,4\nR2;13;05.03.2026 09:12;118;;L77;QC;C1;2;2,4\n"), []*Profile{compiled(both)}, dublin)
	require.Len(t, list, 3)
	for i, want := range []string{"comparison venous", "patient capillary", "control capillary"} {
		assert.Equal(t, want, string(list[i].Reading.Kind)+" "+list[i].Reading.Specimen)
	}
}

// A formula reads places and gives a text, with the evidence of its first place.
func TestFormulas(t *testing.T) {
	cfg := quillConfig()
	cfg.Fields.Meter = FieldConfig{CEL: `at("OBX-18.1") + "/" + at("MSH-4")`}
	cfg.Fields.StripLot = FieldConfig{CEL: `at("OBX-5").split(" ")[1].upperAscii()`, Where: map[string]Values{"OBX-3.1": {"STRIP"}}}
	cfg.Fields.RunTime = FieldConfig{CEL: `at("OBX-5") == "" ? "" : string(int(at("OBX-5")) / 1000)`, Where: map[string]Values{"OBX-3.1": {"RUN"}}}
	cfg.Results[1].Value = FieldConfig{CEL: `at("OBX-5").replace("sec", "").trim()`}
	p := compiled(cfg)
	segments := []string{msh, pid, obr, inr, `OBX|2|ST|PT||28.8 sec|s|||||F`, `OBX|3|ST|STRIP||lot l77a x||||||F`, `OBX|4|NM|RUN||31500||||||F`}
	raw := message(segments...)
	d := one(t, p, segments...)
	assert.Empty(t, d.Problems)
	assert.Equal(t, "SN0042/MILLRACE", d.Reading.Meter)
	assert.Equal(t, "L77A", d.Reading.StripLot)
	assert.Equal(t, "31", d.Reading.RunTime.Text)
	got, _ := d.Reading.Measured("pt")
	assert.Equal(t, "28.8", got.Value.Text)
	at := d.Reading.Where["strip_lot"]
	assert.Equal(t, "lot l77a x", raw[at.From:at.To])

	segments[5] = `OBX|3|ST|STRIP||l77a||||||F`
	d = one(t, p, segments...)
	assert.Equal(t, []string{"unreadable-record strip_lot"}, problems(d))
	assert.NotContains(t, d.Problems[0].Text, "l77a", "what was read is not told")
	segments[5] = `NTE|1|L|x`
	assert.Empty(t, one(t, p, segments...).Reading.StripLot, "nothing there is no fault of the formula")
}

func TestFormulasAreCheckedAtStart(t *testing.T) {
	for _, tc := range []struct{ name, cel, what string }{
		{"grammar", `at("OBX-5") +`, "at 1:"},
		{"function unknown", `shout(at("OBX-5"))`, "at 1:6: undeclared reference to 'shout'"},
		{"place that is none", `"a" + at("Serial")`, `at 1:10: "Serial" is not a place`},
		{"place that is computed", `at("OBX" + "-5")`, "takes one place in quotes"},
		{"no place", `"a"`, "reads no place"},
		{"no text", `size(at("OBX-5"))`, "gives int, not a text"},
		{"clock", `string(now())`, "undeclared reference"},
		{"variable of ours", `@p0`, "at 1:1"},
		{"too many places", `at("OBX-5")` + manyPlaces(), "more than 16 places"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			cfg := quillConfig()
			cfg.Fields.Visit = FieldConfig{CEL: tc.cel}
			_, faults := Compile(cfg)
			require.NotEmpty(t, faults)
			assert.Equal(t, "fields.visit.cel", faults[0].Key)
			assert.Contains(t, faults[0].What, tc.what)
			assert.NotEmpty(t, faults[0].Instead)
		})
	}
	cfg := quillConfig()
	cfg.Fields.Visit = FieldConfig{CEL: `at("PV1-19")`, At: "PV1-19", Pattern: "(.)"}
	_, faults := Compile(cfg)
	require.Len(t, faults, 2)
}

func manyPlaces() string {
	var b strings.Builder
	for i := range 20 {
		b.WriteString(` + at("ZZZ-` + string(rune('1'+i%9)) + `.` + string(rune('1'+i/9)) + `")`)
	}
	return b.String()
}

// An expression that costs too much ends, and the reading is held.
func TestFormulaCostIsBounded(t *testing.T) {
	cfg := quillConfig()
	cfg.Fields.Visit = FieldConfig{CEL: `at("PV1-19").split("").map(a, at("PV1-19").split("").map(b, at("PV1-19").replace("a", "bb")).join("")).join("")`}
	d := one(t, compiled(cfg), msh, pid, `PV1|1|O|||||||||||||||||`+strings.Repeat("a", 4000), obr, inr, pt)
	assert.Equal(t, []string{"unreadable-record visit"}, problems(d))
}

func TestComparisonFaults(t *testing.T) {
	for _, tc := range []struct {
		key    string
		change func(*ProfileConfig)
	}{
		{"kind", func(c *ProfileConfig) { c.Kind = "other" }},
		{"specimen", func(c *ProfileConfig) { c.Kind, c.Specimen = "", "plasma" }},
		{"fields.meter", func(c *ProfileConfig) { c.Kind, c.Specimen = "", "venous" }},
		{"fields.sequence", func(c *ProfileConfig) { c.Fields.Sequence = FieldConfig{} }},
		{"comparison", func(c *ProfileConfig) { c.Comparison.When = map[string]Values{"MSH-3.1": {"LAB"}} }},
		{"comparison.specimen", func(c *ProfileConfig) { c.Comparison.Specimen = "serum" }},
		{"rows", func(c *ProfileConfig) { c.Rows = "/a" }},
		{"decimal", func(c *ProfileConfig) { c.Decimal = "," }},
	} {
		cfg := labConfig()
		tc.change(&cfg)
		_, faults := Compile(cfg)
		var keys []string
		for _, f := range faults {
			keys = append(keys, f.Key)
		}
		assert.Contains(t, keys, tc.key)
	}
}
