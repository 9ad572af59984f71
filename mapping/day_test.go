package mapping

import (
	"bytes"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/goccy/go-yaml"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidegate/poct"
	"tidegate/standin"
	"tidegate/wire/hl7"
)

// profilesIn compiles every profile of a configuration file.
func profilesIn(t *testing.T, path string) []*Profile {
	t.Helper()
	raw, err := os.ReadFile(path)
	require.NoError(t, err)
	var file struct {
		Profiles []ProfileConfig `yaml:"profiles"`
	}
	require.NoError(t, yaml.Unmarshal(raw, &file))
	require.NotEmpty(t, file.Profiles)
	var out []*Profile
	for _, cfg := range file.Profiles {
		p, faults := Compile(cfg)
		require.Empty(t, faults, cfg.ID)
		out = append(out, p)
	}
	return out
}

func TestExampleProfilesCompile(t *testing.T) {
	profilesIn(t, "../deploy/example/tidegate.yaml")
}

// The invented day, whose meters speak from text that this package never saw:
// each message is read, its fields stand where they are said to stand, and each
// patient's result can be rendered.
func TestInventedDay(t *testing.T) {
	day, err := standin.NewDay(7, time.Date(2026, 3, 5, 18, 0, 0, 0, time.UTC))
	require.NoError(t, err)
	setup, err := day.WriteSetup(t.TempDir(), standin.Ports{Web: "127.0.0.1:0", MLLP: "127.0.0.1:0", HTTP: "127.0.0.1:0", Record: "http://127.0.0.1:1"})
	require.NoError(t, err)
	profiles := profilesIn(t, setup.Config)
	messages, rendered := 0, 0
	for _, it := range day.Items {
		if it.Way == standin.POCT1A {
			continue // names no meter: the hello of its conversation does
		}
		for _, raw := range messagesOf(it) {
			messages++
			a := poct.Arrival{ID: "01957a4e-0000-7000-8000-000000000001", Raw: raw}
			unread := 0
			for _, d := range Decode(a, profiles, dublin) {
				if d.Reading.Kind == poct.KindUnread {
					unread++
					continue
				}
				standsThere(t, raw, d.Reading)
				if passable(d) {
					rendered++
					res := Resolve(d.Reading, poct.Facts{})
					res.Issued = day.Start
					bundle, err := Bundle(res, poct.Create, IDs{Patient: "Patient/12"}, everything)
					require.NoError(t, err)
					assert.NoError(t, accepts(t, bundle))
				}
			}
			if !slices.Contains(it.Want.Codes, "unreadable-record") {
				assert.Zero(t, unread, "%s %s: %s", it.Way, it.Meter, it.Story)
			}
		}
	}
	assert.Greater(t, messages, 300)
	assert.Greater(t, rendered, 200)
}

func messagesOf(it standin.Item) [][]byte {
	raw := bytes.ReplaceAll(it.Bytes, []byte("{sent}"), []byte("20260305180000"))
	raw = bytes.ReplaceAll(raw, []byte("{local}"), []byte("20260305180000"))
	if it.Messages < 2 {
		return [][]byte{raw}
	}
	var out [][]byte
	parts, _ := hl7.SplitBatch(raw)
	for _, p := range parts {
		out = append(out, p.Raw)
	}
	return out
}

// standsThere checks that the bytes of a field are those that its text was
// read from.
func standsThere(t *testing.T, raw []byte, r poct.Reading) {
	t.Helper()
	texts := map[string]string{
		poct.FieldMeter: r.Meter, poct.FieldSequence: r.Sequence, poct.FieldTestedAt: r.TestedAt.Raw, poct.FieldOperator: r.Operator,
		poct.FieldPatient: r.Patient.ID, poct.FieldStripLot: r.StripLot, poct.FieldControlLot: r.ControlLot, poct.FieldControlLevel: r.ControlLevel,
	}
	for _, m := range r.Measurements {
		texts[m.Analyte] = strings.TrimLeft(m.RawValue, "<>=") // the sign stands apart in an SN
	}
	for field, text := range texts {
		if text == "" {
			continue
		}
		at, known := r.Where[field]
		if assert.True(t, known, "%s stands nowhere", field) {
			assert.Contains(t, string(raw[at.From:at.To]), text, field)
		}
	}
}

// passable leaves out what the checks never let through.
func passable(d Decoded) bool {
	r := d.Reading
	final := r.Status == poct.StatusFinal || r.Status == poct.StatusCorrected
	return r.Kind == poct.KindPatient && final && len(d.Problems) == 0 && r.Key() != "" && !r.Tested().IsZero() && len(r.Measurements) > 0 &&
		!slices.ContainsFunc(r.Measurements, func(m poct.Measurement) bool { return m.Unit != ucum[m.Analyte] })
}
