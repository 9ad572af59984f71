package config_test

import (
	"errors"
	"flag"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"tidegate/config"
	"tidegate/ingest/folder"
	"tidegate/ingest/httpin"
	"tidegate/ingest/jetstream"
	"tidegate/ingest/mllp"
	"tidegate/registry"
)

var update = flag.Bool("update", false, "rewrite the expected faults in testdata")

// example copies deploy/example and makes its secrets, as its README says.
func example(t testing.TB) string {
	dir := t.TempDir()
	require.NoError(t, os.CopyFS(dir, os.DirFS("../deploy/example")))
	require.NoError(t, os.RemoveAll(filepath.Join(dir, "s")))
	script := filepath.Join(dir, "make-secrets.sh")
	require.NoError(t, os.Chmod(script, 0o700))
	out, err := exec.Command(script).CombinedOutput()
	require.NoError(t, err, string(out))
	return dir
}

func TestExample(t *testing.T) {
	dir := example(t)
	c, faults := config.Load(filepath.Join(dir, "tidegate.yaml"))
	require.Empty(t, faults)

	require.Equal(t, filepath.Join(dir, "data"), c.DataDir)
	require.Equal(t, filepath.Join(dir, "s/ledger.key"), c.Ledger.KeyFile)
	require.Equal(t, filepath.Join(dir, "anchors/head"), c.Ledger.AnchorFile)
	require.Equal(t, "15m0s", c.LookupPatience.String())
	require.Len(t, c.Web.Tokens, 4)
	require.Equal(t, "118", c.Web.Tokens[0].As().Operator)
	require.Len(t, c.Web.Tokens[0].Secret.Reveal(), 64)
	require.NotNil(t, c.Rules())

	require.IsType(t, &mllp.Config{}, c.Inlets[0].Config)
	require.Equal(t, filepath.Join(dir, "drop"), c.Inlets[1].Config.(*folder.Config).Path)
	require.Equal(t, "results.>", c.Inlets[2].Config.(*jetstream.Config).Subject)
	require.Equal(t, filepath.Join(dir, "s/push"), c.Inlets[3].Config.(*httpin.Config).TokenFile)
	for _, in := range c.Inlets {
		require.Equal(t, []string{"results"}, in.Accepts)
		for _, id := range in.Profiles {
			require.NotNil(t, c.Profile(id))
		}
	}
	require.Nil(t, c.Profile("other"))
	require.Equal(t, filepath.Join(dir, "s/record"), c.Outlets[0].FHIR.Auth.TokenFile)
	require.Equal(t, map[string]any{"limit": "5.0"}, c.Checks["critical"])

	var reed []string
	for _, n := range c.NotAsked() {
		require.NotEmpty(t, n.Why, "%v", n)
		if n.Where == "profile reed-csv" {
			reed = append(reed, n.Check)
		}
	}
	require.Contains(t, reed, "8", "the second identifier: Reed 2 sends no birth date")
	require.Contains(t, reed, "39", "INR against seconds: Reed 2 sends no seconds")
}

// Every row of the example's tables is one that the registry takes.
func TestExampleTables(t *testing.T) {
	c, faults := config.Load(filepath.Join(example(t), "tidegate.yaml"))
	require.Empty(t, faults)
	for _, table := range c.Registry.Import {
		f, err := os.Open(table.Path)
		require.NoError(t, err)
		_, refused, err := registry.ReadCSV(table.Kind, f)
		require.NoError(t, errors.Join(err, f.Close()))
		require.Empty(t, refused, "%s", table.Path)
	}
}

// Each file of testdata/broken holds a configuration and, after a line
// "# faults", every fault that it has, as file:line:col: key: what; instead
// without the file.
func TestBrokenConfigurations(t *testing.T) {
	dir := example(t)
	files, err := filepath.Glob("testdata/broken/*.yaml")
	require.NoError(t, err)
	require.Greater(t, len(files), 8)
	for _, file := range files {
		t.Run(filepath.Base(file), func(t *testing.T) {
			data, err := os.ReadFile(file)
			require.NoError(t, err)
			input, want, ok := strings.Cut(string(data), "# faults\n")
			require.True(t, ok, "no line \"# faults\"")

			path := filepath.Join(dir, filepath.Base(file))
			require.NoError(t, os.WriteFile(path, []byte(input), 0o600))
			c, faults := config.Load(path)
			require.Nil(t, c)
			require.NotEmpty(t, faults)
			var got strings.Builder
			for _, f := range faults {
				require.NotEmpty(t, f.What)
				require.NotEmpty(t, f.Instead, "%v says what to write instead", f)
				got.WriteString("# " + strings.TrimPrefix(f.String(), path+":") + "\n")
			}
			if *update {
				require.NoError(t, os.WriteFile(file, []byte(input+"# faults\n"+got.String()), 0o644))
				return
			}
			require.Equal(t, want, got.String())
		})
	}
}

// A file with the byte order mark and line ends of Windows is the same file.
func TestCarriageReturns(t *testing.T) {
	dir := example(t)
	path := filepath.Join(dir, "tidegate.yaml")
	data, err := os.ReadFile(path)
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(path, []byte("\ufeff"+strings.ReplaceAll(string(data), "\n", "\r\n")+"more: 1\r\n"), 0o600))
	_, faults := config.Load(path)
	require.Len(t, faults, 1)
	require.Equal(t, strings.Count(string(data), "\n")+1, faults[0].Line)
}

func TestMissingFile(t *testing.T) {
	path := filepath.Join(t.TempDir(), "tidegate.yaml")
	_, faults := config.Load(path)
	require.Equal(t, []config.Fault{{File: path, Line: 1, Col: 1,
		What: "the file does not exist", Instead: "write the path of the configuration file"}}, faults)
}

// A document that grows ninefold at each of nine levels, and others that are
// made to be costly, are refused before anything is expanded.
func TestBombs(t *testing.T) {
	grow := "a: &a [x,x,x,x,x,x,x,x,x]\n"
	for c := 'b'; c <= 'j'; c++ {
		grow += string(c) + ": &" + string(c) + " [" + strings.Repeat("*"+string(c-1)+",", 8) + "*" + string(c-1) + "]\n"
	}
	for _, tt := range []struct{ name, text, want string }{
		{"aliases", grow, "anchors and aliases are not taken here"},
		{"brackets", "version: " + strings.Repeat("[", 5000), "more than 64 brackets are open here"},
		{"many lines of brackets", "version: " + strings.Repeat("[\n", 5000), "more than 64 brackets are open here"},
		{"one line", "version: " + strings.Repeat("- ", 50_000), "the line has more than 8192 bytes"},
		{"large", strings.Repeat("# comment\n", 200_000), "the file has more than 1048576 bytes"},
		{"zero bytes", "version: 1\x00\n", "the file is not plain UTF-8 text"},
		{"not UTF-8", "version: \xff\n", "the file is not plain UTF-8 text"},
		{"lone carriage return", "version: 1\rdata_dir: x\n", "the file is not plain UTF-8 text"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			path := filepath.Join(t.TempDir(), "tidegate.yaml")
			require.NoError(t, os.WriteFile(path, []byte(tt.text), 0o600))
			c, faults := config.Load(path)
			require.Nil(t, c)
			require.Equal(t, tt.want, faults[0].What)
		})
	}
}

func FuzzLoad(f *testing.F) {
	dir := example(f)
	whole, err := os.ReadFile(filepath.Join(dir, "tidegate.yaml"))
	require.NoError(f, err)
	f.Add(whole)
	files, err := filepath.Glob("testdata/broken/*.yaml")
	require.NoError(f, err)
	for _, file := range files {
		data, err := os.ReadFile(file)
		require.NoError(f, err)
		f.Add(data)
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		c, faults := config.LoadBytes("tidegate.yaml", data, dir)
		require.Equal(t, c == nil, len(faults) > 0, "either a configuration or faults")
		for _, fault := range faults {
			require.Positive(t, fault.Line)
			require.Positive(t, fault.Col)
			require.LessOrEqual(t, fault.Line, strings.Count(string(data), "\n")+2)
		}
	})
}
