//go:build failpoints

package fault

import (
	"os"
	"os/exec"
	"slices"
	"syscall"
	"testing"
)

func TestSetAndHit(t *testing.T) {
	ran := 0
	Set("a.b", func() { ran++ })
	Point("a.b")
	Set("a.b", nil)
	Point("a.b")
	if ran != 1 {
		t.Errorf("action ran %d times, want 1", ran)
	}
	if !slices.Contains(Hit(), "a.b") || slices.Contains(Hit(), "never") {
		t.Errorf("hit %v", Hit())
	}
}

func TestFromEnvironment(t *testing.T) {
	for _, c := range []struct {
		text string
		ok   bool
	}{
		{"", true},
		{"x.one=block", true},
		{"x.one=kill@3,x.two=exit", true},
		{"x.one", false},
		{"=kill", false},
		{"x.one=sleep", false},
		{"x.one=kill@0", false},
	} {
		if err := fromEnvironment(c.text); (err == nil) != c.ok {
			t.Errorf("%q: %v", c.text, err)
		}
	}
	mu.Lock()
	clear(actions)
	mu.Unlock()
}

// TestKillFromEnvironment runs itself as a child that must die at the second
// pass.
func TestKillFromEnvironment(t *testing.T) {
	if os.Getenv("FAULT_CHILD") != "" {
		Point("child.step")
		os.Stdout.WriteString("first\n")
		Point("child.step")
		os.Stdout.WriteString("second\n")
		os.Exit(0)
	}
	cmd := exec.Command(os.Args[0], "-test.run", "^TestKillFromEnvironment$")
	cmd.Env = append(os.Environ(), "FAULT_CHILD=1", "TIDEGATE_FAULT=child.step=kill@2")
	out, err := cmd.Output()
	state, ok := cmd.ProcessState.Sys().(syscall.WaitStatus)
	if err == nil || !ok || state.Signal() != syscall.SIGKILL || string(out) != "first\n" {
		t.Errorf("output %q, state %v", out, cmd.ProcessState)
	}
}
