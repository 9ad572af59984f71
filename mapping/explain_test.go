package mapping

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/goccy/go-yaml"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/tools/txtar"

	"tidegate/poct"
)

// told writes an explanation as lines.
func lines(e Explanation) string {
	var b strings.Builder
	for _, f := range e.Fields {
		fmt.Fprintf(&b, "%d %s: %s %q -> %q (%s)\n", f.Reading, f.Field, f.Place, f.Raw, f.Became, f.Note)
	}
	for _, x := range e.Ignored {
		fmt.Fprintf(&b, "not read: %s %q %d\n", x.Place, x.Raw, x.Times)
	}
	return b.String()
}

func TestExplainHL7(t *testing.T) {
	got := lines(Explain(arrival(worked), []*Profile{quill}, dublin))
	for _, want := range []string{
		`0 inr: OBX-5 "2.40" -> "2.40 {INR}, LOINC 46418-0" ()`,
		`0 meter: OBX-18.1 "SN0042" -> "SN0042" ()`,
		`0 tested_at: OBR-7 "20260305091200+0100" -> "2026-03-05T09:12:00+01:00" ()`,
		`0 patient: PID-3 "MRN0007" -> "MILLRACE MRN0007" ()`,
		`0 strip_lot: OBX-5 "L2403A" -> "L2403A" ()`,
		`0 control_lot: SPM-2.1 "" -> "" (not read: no control)`,
		`0 sent_at: MSH-7 "20260305091330.25+0100" -> "2026-03-05T09:13:30.25+01:00" ()`,
		`not read: PID-5 "Testperson^Ada" 1`,
		`not read: OBX-7 "2.0-3.0" 1`,
		`not read: PV1-3 "ANTICOAG^^^MILLRACE" 1`,
	} {
		assert.Contains(t, got, want)
	}
	for _, no := range []string{"not read: OBX-5", "not read: OBX[3]-5", "not read: PID-3", "not read: OBX-3", "not read: OBR-7", "not read: OBX-16"} {
		assert.NotContains(t, got, no+" ")
	}
	stray := strings.Replace(worked, "STRIPLOT", "BATTERY", 1)
	got = lines(Explain(arrival(stray), []*Profile{quill}, dublin))
	assert.Contains(t, got, `not read: OBX[3]-5 "L2403A" 1`, "nothing reads this OBX now")
	assert.Contains(t, got, `0 strip_lot: OBX-5 "" -> "" (nothing stands there)`)
}

func TestExplainFiles(t *testing.T) {
	cfg := reedConfig()
	cfg.CSV.Ignore = []string{"Battery"}
	got := lines(Explain(file(reedHeader+";Battery\nR2;12;05.03.2026 09:12;118;MRN0007;L77;PAT;;;2,40;90\nR2;13;x;118;MRN0007;L77;PAT;;;--;91\n"), []*Profile{compiled(cfg)}, dublin))
	for _, want := range []string{
		`0 inr: INR "2,40" -> "2.40 {INR}, LOINC 46418-0" ()`, `0 inr unit: as the profile says "" -> "{INR}" ()`,
		`0 tested_at: Time "05.03.2026 09:12" -> "2026-03-05T09:12:00Z" (no offset was sent; the zone is the profile's or the site's)`,
		`1 inr: INR "--" -> "" (no plain decimal number)`, `1 tested_at: Time "x" -> "x" (The time of the test cannot be read`,
		`not read: Battery "90" 2`,
	} {
		assert.Contains(t, got, want)
	}
	got = lines(Explain(poct.Arrival{Raw: []byte(jsonFile)}, []*Profile{compiled(jsonConfig())}, dublin))
	assert.Contains(t, got, `0 interference: notes "\"icteric\"" -> "icteric; clotted" ()`)
	assert.Contains(t, got, `2 inr: inr/value "\"E4\"" -> "" (an error of the device instead of a value)`)
	assert.NotContains(t, got, "\nnot read:", "every place of the file is read by some field")
	got = lines(Explain(poct.Arrival{Raw: []byte(strings.Replace(jsonFile, `"no": 12`, `"no": 12, "battery": 90`, 1))}, []*Profile{compiled(jsonConfig())}, dublin))
	assert.Contains(t, got, `not read: /results/0/battery "90" 1`)
	got = lines(Explain(poct.Arrival{Raw: []byte(xmlFile)}, []*Profile{compiled(xmlConfig())}, dublin))
	assert.Contains(t, got, `not read: /export/test[1]/patient/id[1] "V9" 1`)
	assert.Contains(t, got, `0 strip_lot: strip "L�77 &amp; 8" -> "Lü77 & 8" ()`)
	got = lines(Explain(arrival("MSH|nothing"), []*Profile{quill}, dublin))
	assert.Contains(t, got, `0 message:  "" -> "" (`)
}

// Whatever came in, an explanation points into its bytes alone, and what is
// told of a reading's fields is what Decode read.
func FuzzExplain(f *testing.F) {
	f.Add([]byte(worked), "hl7v2")
	f.Add([]byte(jsonFile), "json")
	f.Add(wide(jsonFile), "json")
	f.Add([]byte(xmlFile), "xml")
	f.Add([]byte(reedHeader+"\nR2;12;05.03.2026 09:12;118;MRN0007;L77;PAT;;;2,40\n"), "csv")
	f.Add(wide(reedHeader+"\nR2;12;05.03.2026 09:12;118;MRN0007;L77;PAT;;;2,40\n"), "csv")
	ignoring := reedConfig()
	ignoring.CSV.Ignore = []string{"*"}
	profiles := []*Profile{quill, compiled(jsonConfig()), compiled(xmlConfig()), compiled(ignoring), reed}
	f.Fuzz(func(t *testing.T, raw []byte, format string) {
		pointsInside(t, raw, Explain(poct.Arrival{ID: "a", Format: format, Raw: raw}, profiles, dublin))
	})
}

func pointsInside(t *testing.T, raw []byte, e Explanation) {
	t.Helper()
	for _, x := range e.Fields {
		if x.From < 0 || x.To < x.From || x.To > len(raw) {
			t.Errorf("%s stands at %d-%d of %d bytes", x.Field, x.From, x.To, len(raw))
		}
	}
	for _, x := range e.Ignored {
		if x.From < 0 || x.To <= x.From || x.To > len(raw) || x.Times < 1 {
			t.Errorf("%s stands at %d-%d of %d bytes, %d times", x.Place, x.From, x.To, len(raw), x.Times)
		}
	}
}

// Each golden message is explained too: every field that has bytes is one.
func TestGoldenMessagesAreExplained(t *testing.T) {
	paths, err := filepath.Glob("testdata/decode/*.txtar")
	require.NoError(t, err)
	for _, path := range paths {
		b, err := os.ReadFile(path)
		require.NoError(t, err)
		var cfg ProfileConfig
		require.NoError(t, yaml.Unmarshal(section(txtar.Parse(b), "profile.yaml"), &cfg))
		raw := goldenMessage(b)
		e := Explain(poct.Arrival{ID: "a", Raw: raw}, []*Profile{compiled(cfg)}, dublin)
		pointsInside(t, raw, e)
		for _, d := range Decode(poct.Arrival{ID: "a", Raw: raw}, []*Profile{compiled(cfg)}, dublin) {
			for name, at := range d.Reading.Where {
				if name == poct.FieldMessage || name == poct.FieldCode {
					continue
				}
				var found bool
				for _, x := range e.Fields {
					found = found || x.Reading == d.Reading.Index && x.Field == name && x.From == at.From && x.To == at.To
				}
				assert.True(t, found, "%s: %s of reading %d is not explained", path, name, d.Reading.Index)
			}
		}
	}
}
