package mapping

import (
	"bytes"
	"encoding/json"
	"flag"
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

var update = flag.Bool("update", false, "write the golden files anew")

// goldenMessage is the message of a golden file. HL7 segments and LIS02 records
// stand a line each there and end with CR in the message.
func goldenMessage(archive []byte) []byte {
	for _, f := range txtar.Parse(archive).Files {
		switch f.Name {
		case "message.hl7", "message.lis02":
			return bytes.ReplaceAll(f.Data, []byte("\n"), []byte("\r"))
		case "message.csv", "message.json", "message.xml":
			return f.Data
		}
	}
	return nil
}

// Each file in testdata/decode holds a profile, a message, and the readings
// that come of them.
func TestDecodeGolden(t *testing.T) {
	paths, err := filepath.Glob("testdata/decode/*.txtar")
	require.NoError(t, err)
	require.NotEmpty(t, paths)
	for _, path := range paths {
		t.Run(strings.TrimSuffix(filepath.Base(path), ".txtar"), func(t *testing.T) {
			raw, err := os.ReadFile(path)
			require.NoError(t, err)
			archive := txtar.Parse(raw)
			var cfg ProfileConfig
			require.NoError(t, yaml.UnmarshalWithOptions(section(archive, "profile.yaml"), &cfg, yaml.Strict()))
			p, faults := Compile(cfg)
			require.Empty(t, faults)
			got, err := json.MarshalIndent(Decode(poct.Arrival{ID: "a", Raw: goldenMessage(raw)}, []*Profile{p}, dublin), "", "  ")
			require.NoError(t, err)
			golden(t, path, archive, "readings.json", append(got, '\n'))
		})
	}
}

func section(a *txtar.Archive, name string) []byte {
	for _, f := range a.Files {
		if f.Name == name {
			return f.Data
		}
	}
	return nil
}

// golden compares one section of a golden file, or writes it with -update.
func golden(t *testing.T, path string, a *txtar.Archive, name string, got []byte) {
	t.Helper()
	if !*update {
		assert.Equal(t, string(section(a, name)), string(got), "%s; -update writes it anew", path)
		return
	}
	for i := range a.Files {
		if a.Files[i].Name == name {
			a.Files[i].Data = got
			got = nil
		}
	}
	if got != nil {
		a.Files = append(a.Files, txtar.File{Name: name, Data: got})
	}
	require.NoError(t, os.WriteFile(path, txtar.Format(a), 0o644))
}
