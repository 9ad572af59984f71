package mapping

import (
	"encoding/json"
	"os"
	"path/filepath"
	"testing"

	"tidegate/poct"
)

func FuzzDecodeHL7(f *testing.F) {
	f.Add([]byte(worked))
	f.Add([]byte(message(msh, pid, obr, inr, pt, `SPM|1|QC77||BLD|||||||Q|||1`, `OBX|1|ST|STRIPLOT||L1||||||F`)))
	f.Add([]byte(message(msh, `PID|1||7~8^^^MILLRACE^MR~""`, obr, `OBX|1|SN|INR||>^8.0^:^2|||QCF~HM|||W`, `NTE|1|L|x\X41\`)))
	seed(f, "*.hl7.txtar")
	cfg := quillConfig()
	cfg.Match, cfg.Charset = nil, "windows-1252"
	cfg.Fields.Order = FieldConfig{At: "ZLT-2", Where: map[string]Values{"ZLT-1": {"X"}}}
	cfg.Fields.StripExpires = FieldConfig{At: "NTE-3", Pattern: `exp (\d+)`}
	profiles := []*Profile{compiled(cfg)}
	f.Fuzz(func(t *testing.T, raw []byte) {
		sane(t, raw, Decode(poct.Arrival{ID: "a", Format: "hl7v2", Raw: raw}, profiles, dublin))
	})
}

func FuzzDecodeCSV(f *testing.F) {
	f.Add([]byte(reedHeader + "\r\nR2;12;05.03.2026 09:12;118;MRN0007;L77;PAT;;;2,40\r\n"))
	f.Add([]byte("\xef\xbb\xbf" + reedHeader + "\r\"R2\";12;x;118;;L\xfc;QC;C1;\"1\"\"\";>8,0"))
	seed(f, "*.csv.txtar")
	other := reedConfig()
	other.ID, other.CSV.Ignore, other.Match = "other", []string{"*"}, map[string]Values{"Type": {"X"}}
	profiles := []*Profile{reed, compiled(other)}
	f.Fuzz(func(t *testing.T, raw []byte) {
		sane(t, raw, Decode(poct.Arrival{ID: "a", Format: "csv", Raw: raw}, profiles, dublin))
	})
}

// seed takes the golden messages into the corpus.
func seed(f *testing.F, pattern string) {
	paths, err := filepath.Glob(filepath.Join("testdata", "decode", pattern))
	if err != nil || len(paths) == 0 {
		f.Fatalf("no golden messages %s: %v", pattern, err)
	}
	for _, p := range paths {
		b, err := os.ReadFile(p)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(goldenMessage(b))
	}
}

// sane holds for whatever came in: at least one reading, each span inside the
// bytes, nothing unread without a reason, numbers that are numbers.
func sane(t *testing.T, raw []byte, list []Decoded) {
	if len(list) == 0 {
		t.Fatal("no reading at all")
	}
	for i, d := range list {
		r := d.Reading
		if r.Index != i {
			t.Errorf("reading %d calls itself %d", i, r.Index)
		}
		if r.Kind == poct.KindUnread && len(d.Problems) == 0 {
			t.Error("unread without a reason")
		}
		for field, at := range r.Where {
			if at.From < 0 || at.To < at.From || at.To > len(raw) {
				t.Errorf("%s stands at %v of %d bytes", field, at, len(raw))
			}
		}
		for _, m := range r.Measurements {
			if !m.Value.IsZero() && !json.Valid([]byte(m.Value.Text)) {
				t.Errorf("value %q is no JSON number", m.Value.Text)
			}
		}
		for _, p := range d.Problems {
			if p.Text == "" || p.Severity == "" || p.Code == "" || p.Check == "" {
				t.Errorf("problem without words: %+v", p)
			}
		}
	}
}
