package mapping

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidegate/poct"
)

func sedgeConfig() ProfileConfig {
	return ProfileConfig{
		ID: "sedge-lis", Format: "lis02", Model: "Sedge 5", Specimen: "capillary",
		Fields: FieldsConfig{
			Meter: FieldConfig{At: "R.14"}, Sequence: FieldConfig{At: "O.3"}, TestedAt: FieldConfig{At: "R.13", Zone: "site"},
			Operator: FieldConfig{At: "R.11"}, Patient: FieldConfig{At: "P.4", Authority: "MILLRACE"}, Family: FieldConfig{At: "P.6.1"},
		},
		Control: ControlConfig{When: map[string]Values{"O.12": {"Q"}}, Lot: FieldConfig{At: "O.14"}, Level: FieldConfig{At: "O.15"}},
		Results: []ResultConfig{
			{Analyte: "inr", Where: map[string]Values{"R.3.4": {"INR"}}, LOINC: "46418-0", Units: map[string]string{"{INR}": "{INR}", "": "{INR}"}},
			{Analyte: "pt", Where: map[string]Values{"R.3.4": {"PT"}}, LOINC: "46417-2", Units: map[string]string{"s": "s"}},
		},
	}
}

const (
	lisH = `H|\^&|||SEDGE5|||||||P|LIS2-A2|20260305121500`
	lisP = `P|1||MRN0007||Testperson^Ada`
	lisO = `O|1|0203||^^^INR`
	lisR = `R|1|^^^INR|2.4|{INR}||N||F||118||20260305091310|S5-0107`
	lisL = `L|1|N`
)

func lisArrival(records ...string) poct.Arrival {
	return poct.Arrival{ID: "a", Format: "lis02", Raw: []byte(message(records...))}
}

func sedge(change func(*ProfileConfig)) *Profile {
	cfg := sedgeConfig()
	if change != nil {
		change(&cfg)
	}
	return compiled(cfg)
}

// lisOne decodes a message that makes one reading.
func lisOne(t *testing.T, p *Profile, records ...string) Decoded {
	t.Helper()
	a := lisArrival(records...)
	list := Decode(a, []*Profile{p}, dublin)
	require.Len(t, list, 1)
	sane(t, a.Raw, list)
	return list[0]
}

// What cannot be read is one unread reading with a reason.
func TestLIS02ThatIsNone(t *testing.T) {
	other := sedge(func(c *ProfileConfig) { c.Match = map[string]Values{"H.5": {"REED2"}} })
	for _, c := range []struct {
		name    string
		p       *Profile
		records []string
		want    string
	}{
		{"no L", sedge(nil), []string{lisH, lisP, lisO, lisR}, "it has no L record"},
		{"given up", sedge(nil), []string{lisH, lisP, lisO, lisR, "L|1|T"}, "broken off (code T)"},
		{"no H", sedge(nil), []string{lisP, lisO, lisR, lisL}, "no H record"},
		{"zero bytes", sedge(nil), []string{lisH, lisP, lisO, lisR + "\x00", lisL}, "zero bytes"},
		{"nothing in it", sedge(nil), []string{lisH, lisL}, "holds no result"},
		{"another meter's", other, []string{lisH, lisP, lisO, lisR, lisL}, "No profile of this inlet fits"},
	} {
		d := lisOne(t, c.p, c.records...)
		assert.Equal(t, poct.KindUnread, d.Reading.Kind, c.name)
		assert.Contains(t, d.Problems[0].Text, c.want, c.name)
	}
	list := Decode(lisArrival(lisH, lisP, lisO, lisR, lisL), []*Profile{other, sedge(nil)}, dublin)
	require.Len(t, list, 1)
	assert.Equal(t, "sedge-lis", list[0].Reading.Profile)
	assert.Equal(t, poct.KindPatient, list[0].Reading.Kind, "the first that fits")
}

// A host query holds no result and nothing that is wrong.
func TestLIS02Query(t *testing.T) {
	for _, p := range []*Profile{sedge(nil), sedge(func(c *ProfileConfig) { c.Match = map[string]Values{"R.14": {"S5-0107"}} })} {
		d := lisOne(t, p, lisH, "Q|1|ALL", lisL)
		assert.Equal(t, poct.KindEvent, d.Reading.Kind)
		assert.Empty(t, d.Problems)
	}
	list := Decode(lisArrival(lisH, "Q|1|ALL", lisL), nil, dublin)
	assert.Equal(t, poct.KindUnread, list[0].Reading.Kind, "nobody is to send it here")
}

// The letters of R.9, and what a profile makes of them.
func TestLIS02Status(t *testing.T) {
	for _, c := range []struct {
		letter string
		values map[string]string
		want   poct.Status
	}{
		{letter: "F", want: "final"}, {letter: "P", want: "preliminary"}, {letter: "C", want: "corrected"}, {letter: "X", want: "cancelled"},
		{letter: ""}, {letter: "I"}, {letter: "S"}, {letter: "R"}, {letter: "f"},
		{letter: "", values: map[string]string{"": "final"}, want: "final"}, {letter: "R", values: map[string]string{"R": "final"}, want: "final"},
		{letter: "V", values: map[string]string{"V": "final"}, want: "final"},
	} {
		p := sedge(func(cfg *ProfileConfig) {
			if c.values != nil {
				cfg.Fields.Status = FieldConfig{At: "R.9", Values: c.values}
			}
		})
		d := lisOne(t, p, lisH, lisP, lisO, strings.Replace(lisR, "||F||", "||"+c.letter+"||", 1), lisL)
		assert.Equal(t, c.want, d.Reading.Status, "%q", c.letter)
		assert.Equal(t, c.want == "", len(d.Problems) > 0, "%q", c.letter)
	}
}

// Q marks quality control, from memory: where the profile does not say so, a
// person judges. T and D are not meant.
func TestLIS02Control(t *testing.T) {
	none := sedge(func(c *ProfileConfig) { c.Control = ControlConfig{} })
	order := `O|1|0203||^^^INR|||||||Q||QC77|2`
	d := lisOne(t, sedge(nil), lisH, lisP, order, lisR, lisL)
	assert.Equal(t, poct.KindControl, d.Reading.Kind)
	assert.Equal(t, "QC77 2", d.Reading.ControlLot+" "+d.Reading.ControlLevel)
	d = lisOne(t, none, lisH, lisP, order, lisR, lisL)
	assert.Equal(t, poct.KindPatient, d.Reading.Kind)
	assert.Contains(t, d.Reading.ControlHint, "O.12")
	for mode, want := range map[string][2]string{"Q": {"", "its header is marked as quality control (H.12 is Q)"}, "T": {"T", ""}, "D": {"D", ""}, "P": {}, "": {}, "X": {}} {
		d = lisOne(t, none, strings.Replace(lisH, "|P|", "|"+mode+"|", 1), lisP, lisO, lisR, lisL)
		assert.Equal(t, want, [2]string{d.Reading.Processing, d.Reading.ControlHint}, mode)
	}
}

// No field is meant for a lot: makers use a comment, a record of their own, a
// further component, or a result (common practice, no source).
func TestLIS02PlacesOfALot(t *testing.T) {
	for _, c := range []struct {
		name string
		lot  FieldConfig
		more []string
	}{
		{"comment", FieldConfig{At: "C.4", Pattern: `lot (\w+)`}, []string{"C|1|I|dull day|G", "C|2|I|strip lot L2403A|G"}},
		{"the second comment", FieldConfig{At: "C[2].4"}, []string{"C|1|I|dull day|G", "C|2|I|L2403A|G"}},
		{"comment told by its type", FieldConfig{At: "C.4", Where: map[string]Values{"C.5": {"L"}}}, []string{"C|1|I|dull day|G", "C|2|I|L2403A|L"}},
		{"maker's record", FieldConfig{At: "M.4.2", Where: map[string]Values{"M.3": {"STRIP"}}}, []string{"M|1|CTRL|x^QC7", "M|2|STRIP|x^L2403A"}},
		{"result", FieldConfig{At: "R.4", Where: map[string]Values{"R.3.4": {"LOT"}}}, []string{"R|2|^^^LOT|L2403A"}},
		{"formula", FieldConfig{CEL: `at("M.3") + at("M.4")`}, []string{"M|1|L24|03A"}},
		{"comment of the patient", FieldConfig{At: "C.4"}, nil},
	} {
		p := sedge(func(cfg *ProfileConfig) { cfg.Fields.StripLot = c.lot })
		records := append([]string{lisH, lisP, lisO, lisR}, c.more...)
		if c.more == nil {
			records = []string{lisH, lisP, "C|1|I|L2403A|G", lisO, lisR}
		}
		d := lisOne(t, p, append(records, lisL)...)
		assert.Empty(t, d.Problems, c.name)
		assert.Equal(t, "L2403A", d.Reading.StripLot, c.name)
		assert.Len(t, d.Reading.Measurements, 1, c.name)
	}
}

func TestLIS02Doubts(t *testing.T) {
	for _, c := range []struct {
		name    string
		records []string
		want    string
	}{
		{"no result that is known", []string{lisO, "R|1|^^^GLU|5.1|mmol/L||||F||||20260305091310|S5-0107"}, "unreadable-record code"},
		{"no result", []string{lisO}, "unreadable-record code"},
		{"one of two is not known", []string{lisO, lisR, "R|2|^^^QUICK|71|%||||F"}, "unreadable-record code"},
		{"twice", []string{lisO, lisR, lisR}, "unreadable-record inr"},
		{"two meters", []string{lisO, lisR, "R|2|^^^PT|28.8|s||||F||||20260305091310|S5-0108"}, "unreadable-record meter"},
		{"two statuses", []string{lisO, lisR, "R|2|^^^PT|28.8|s||||P||||20260305091310|S5-0107"}, "unreadable-record status"},
		{"below no order", []string{lisR}, "unreadable-record message"},
		{"not an escape", []string{lisO, strings.Replace(lisR, "S5-0107", "S5&Q&0107", 1)}, "unreadable-record meter"},
		{"no time", []string{lisO, strings.Replace(lisR, "20260305091310", "5 March", 1)}, "missing-essential tested_at"},
	} {
		d := lisOne(t, sedge(nil), append(append([]string{lisH, lisP}, c.records...), lisL)...)
		assert.Contains(t, problems(d), c.want, c.name)
	}
}

// No message says what its bytes mean: UTF-8, or the profile's character set.
func TestLIS02Letters(t *testing.T) {
	latin := sedge(func(c *ProfileConfig) { c.Charset = "iso-8859-1" })
	for _, c := range []struct {
		name, sent, want string
		p                *Profile
		held             bool
	}{
		{"UTF-8", "Müller", "Müller", sedge(nil), false},
		{"UTF-8 in spite of the setting", "Müller", "Müller", latin, false},
		{"Latin 1", "M\xfcller", "Müller", latin, false},
		{"unknown", "M\xfcller", `M\XFC\ller`, sedge(nil), true},
		{"escaped", "M&F&N&XC3BC&", "M|Nü", sedge(nil), false},
		{"no escapes", "M&F&N", "M&F&N", sedge(func(c *ProfileConfig) { c.Escapes = "none" }), false},
	} {
		d := lisOne(t, c.p, lisH, "P|1||MRN0007||"+c.sent+"^Ada", lisO, lisR, lisL)
		assert.Equal(t, c.want, d.Reading.Family, c.name)
		assert.Equal(t, c.held, len(d.Problems) > 0, c.name)
	}
	comma := sedge(func(c *ProfileConfig) { c.Decimal = "," })
	d := lisOne(t, comma, lisH, lisP, lisO, strings.Replace(lisR, "2.4", "2,4", 1), lisL)
	assert.Equal(t, "2.4", d.Reading.Measurements[0].Value.Text)
}

func TestLIS02ProfileFaults(t *testing.T) {
	for _, c := range []struct {
		key    string
		change func(*ProfileConfig)
	}{
		{"fields.meter", func(c *ProfileConfig) { c.Fields.Meter = FieldConfig{At: "OBX-18.1"} }},
		{"fields.tested_at.zone", func(c *ProfileConfig) { c.Fields.TestedAt.Zone = "" }},
		{"fields.patient.authority", func(c *ProfileConfig) { c.Fields.Patient.Authority = "" }},
		{"results[0].where", func(c *ProfileConfig) { c.Results[0].Where = nil }},
		{"escapes", func(c *ProfileConfig) { c.Escapes = "some" }},
		{"decimal", func(c *ProfileConfig) { c.Decimal = ";" }},
		{"rows", func(c *ProfileConfig) { c.Rows = "/x" }},
	} {
		cfg := sedgeConfig()
		c.change(&cfg)
		p, faults := Compile(cfg)
		assert.Nil(t, p)
		require.Len(t, faults, 1, c.key)
		assert.Equal(t, c.key, faults[0].Key)
	}
	cfg := quillConfig()
	cfg.Escapes = "none"
	_, faults := Compile(cfg)
	require.Len(t, faults, 1)
	assert.Equal(t, "escapes", faults[0].Key)
}

// Each field that is not read is named, once for its like.
func TestLIS02Explained(t *testing.T) {
	a := lisArrival(lisH, lisP, "C|1|I|dull day|G", lisO, lisR, lisL)
	var said []string
	for _, x := range Explain(a, []*Profile{sedge(nil)}, dublin).Ignored {
		said = append(said, x.Place+" "+x.Raw)
	}
	assert.Equal(t, []string{"C.3 I", "C.4 dull day", "C.5 G", "O.5 ^^^INR"}, said)
}

func FuzzDecodeLIS02(f *testing.F) {
	f.Add([]byte(message(lisH, lisP, lisO, lisR, "C|1|I|lot L1|G", "M|1|x", lisL)))
	f.Add([]byte(message(lisH, "P|1||a&F&b\\c^d||M\xfcller", "O|1|7|||||||||Q", lisR, "R|2|^^^PT|>120|s||HH\\>||C", "Q|1|ALL", lisL)))
	seed(f, "*.lis02.txtar")
	cfg := sedgeConfig()
	cfg.Charset = "windows-1252"
	cfg.Fields.StripLot = FieldConfig{At: "C.4", Pattern: `lot (\w+)`}
	cfg.Fields.Order = FieldConfig{At: "M.4", Where: map[string]Values{"M.3": {"X"}, "O.12": {"Q"}}}
	cfg.Fields.Interference = FieldConfig{At: "C[2].4"}
	profiles := []*Profile{compiled(cfg)}
	f.Fuzz(func(t *testing.T, raw []byte) {
		a := poct.Arrival{ID: "a", Format: "lis02", Raw: raw}
		sane(t, raw, Decode(a, profiles, dublin))
		pointsInside(t, raw, Explain(a, profiles, dublin))
	})
}
