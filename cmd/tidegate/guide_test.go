package main

import (
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/rogpeppe/go-internal/testscript"
	"github.com/stretchr/testify/require"
)

// TestFirstProfileGuide runs docs/first-profile.md as it stands: its named
// blocks are files, its console blocks are commands, and every line shown below
// a command has to be printed by it.
func TestFirstProfileGuide(t *testing.T) {
	doc, err := os.ReadFile("../../docs/first-profile.md")
	require.NoError(t, err)
	script, commands := scriptOf(string(doc))
	require.GreaterOrEqual(t, commands, 3)
	dir := t.TempDir()
	require.NoError(t, os.WriteFile(filepath.Join(dir, "guide.txtar"), []byte(script), 0o600))
	testscript.Run(t, testscript.Params{
		Dir:   dir,
		Setup: func(env *testscript.Env) error { return stampFiles(env.WorkDir) },
	})
}

var block = regexp.MustCompile("(?ms)^```(\\w+)(?: (\\S+))?\n(.*?)^```$")

// scriptOf turns a guide into a script. The dry run of the guide holds its
// samples, as it says, and so exits 1; every other command succeeds.
func scriptOf(doc string) (script string, commands int) {
	var run, files strings.Builder
	for _, m := range block.FindAllStringSubmatch(doc, -1) {
		if m[1] != "console" {
			fmt.Fprintf(&files, "-- %s --\n%s", m[2], m[3])
			continue
		}
		for _, line := range strings.Split(strings.TrimSpace(m[3]), "\n") {
			command, isCommand := strings.CutPrefix(line, "$ ")
			switch {
			case isCommand:
				commands++
				if strings.HasPrefix(command, "tidegate try") {
					run.WriteString("! ")
				}
				fmt.Fprintf(&run, "exec %s\n", command)
			case line != "...":
				fmt.Fprintf(&run, "stdout '%s'\n", strings.ReplaceAll(regexp.QuoteMeta(strings.TrimSpace(line)), "'", "''"))
			}
		}
	}
	return run.String() + files.String(), commands
}
