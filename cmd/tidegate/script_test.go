package main

import (
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/rogpeppe/go-internal/testscript"
)

// TestMain lets the scripts run this very program as a command.
func TestMain(m *testing.M) {
	testscript.Main(m, map[string]func(){
		"tidegate": func() { os.Exit(run(os.Args[1:], os.Stdin, os.Stdout, os.Stderr)) },
	})
}

// TestScripts runs each file of testdata/script: what a person types, and what
// the program says and exits with. $EXAMPLE is a copy of deploy/example with
// its secrets made; {now-5m} in a message stands for a time five minutes ago.
func TestScripts(t *testing.T) {
	testscript.Run(t, testscript.Params{
		Dir: "testdata/script",
		Setup: func(env *testscript.Env) error {
			example := filepath.Join(env.WorkDir, "example")
			if err := copyTree("../../deploy/example", example); err != nil {
				return err
			}
			env.Setenv("EXAMPLE", filepath.Join(example, "tidegate.yaml"))
			make := exec.Command("./make-secrets.sh")
			make.Dir = example
			if out, err := make.CombinedOutput(); err != nil {
				env.T().Log(string(out))
				return err
			}
			return stampFiles(env.WorkDir)
		},
	})
}

func copyTree(from, to string) error {
	return filepath.WalkDir(from, func(path string, d os.DirEntry, err error) error {
		if err != nil {
			return err
		}
		rel, err := filepath.Rel(from, path)
		if err != nil {
			return err
		}
		if d.IsDir() {
			if d.Name() == "s" || d.Name() == "data" {
				return filepath.SkipDir // of whoever works in the checkout
			}
			return os.MkdirAll(filepath.Join(to, rel), 0o700)
		}
		info, err := d.Info()
		if err != nil {
			return err
		}
		in, err := os.Open(path)
		if err != nil {
			return err
		}
		defer in.Close()
		out, err := os.OpenFile(filepath.Join(to, rel), os.O_CREATE|os.O_WRONLY, info.Mode().Perm())
		if err != nil {
			return err
		}
		if _, err := io.Copy(out, in); err != nil {
			return err
		}
		return out.Close()
	})
}

// stampFiles puts times into messages and turns their lines into segments.
func stampFiles(dir string) error {
	files, err := filepath.Glob(filepath.Join(dir, "*.hl7"))
	if err != nil {
		return err
	}
	now := time.Now()
	for _, f := range files {
		b, err := os.ReadFile(f)
		if err != nil {
			return err
		}
		text := string(b)
		for _, ago := range []string{"0m", "5m", "10m", "50m", "60m"} {
			d, err := time.ParseDuration(ago)
			if err != nil {
				return err
			}
			text = strings.ReplaceAll(text, "{now-"+ago+"}", now.Add(-d).Format("20060102150405-0700"))
		}
		if err := os.WriteFile(f, []byte(strings.ReplaceAll(text, "\n", "\r")), 0o600); err != nil {
			return err
		}
	}
	return nil
}
