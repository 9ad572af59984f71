//go:build failpoints

package fault

import (
	"fmt"
	"os"
	"sort"
	"strconv"
	"strings"
	"sync"
	"syscall"
)

// Enabled tells whether points can be given actions in this build.
const Enabled = true

var (
	mu      sync.Mutex
	passed  = map[string]int{}
	actions = map[string]func(){}
)

func init() {
	if err := fromEnvironment(os.Getenv("TIDEGATE_FAULT")); err != nil {
		fmt.Fprintln(os.Stderr, "TIDEGATE_FAULT:", err)
		os.Exit(2)
	}
}

// Point marks a place: it is counted, and its action is run if it has one.
func Point(name string) {
	mu.Lock()
	passed[name]++
	action := actions[name]
	mu.Unlock()
	if action != nil {
		action()
	}
}

// Set gives a point an action, run each time it is passed, by the goroutine
// that passes it; nil takes it away.
func Set(name string, action func()) {
	mu.Lock()
	defer mu.Unlock()
	if action == nil {
		delete(actions, name)
		return
	}
	actions[name] = action
}

// Hit lists the points passed so far, sorted.
func Hit() []string {
	mu.Lock()
	defer mu.Unlock()
	names := make([]string, 0, len(passed))
	for name := range passed {
		names = append(names, name)
	}
	sort.Strings(names)
	return names
}

// fromEnvironment reads "name=kill|exit|block[@N],...".
func fromEnvironment(text string) error {
	if text == "" {
		return nil
	}
	for _, part := range strings.Split(text, ",") {
		name, does, ok := strings.Cut(part, "=")
		does, times, counted := strings.Cut(does, "@")
		action := map[string]func(){"kill": kill, "exit": func() { os.Exit(3) }, "block": func() { select {} }}[does]
		if !ok || name == "" || action == nil {
			return fmt.Errorf("%q is not of the form name=kill|exit|block[@N]", part)
		}
		if counted {
			n, err := strconv.Atoi(times)
			if err != nil || n < 1 {
				return fmt.Errorf("%q: the number after @ counts from 1", part)
			}
			action = atTime(n, action)
		}
		Set(name, action)
	}
	return nil
}

// atTime is the action at the n-th time alone.
func atTime(n int, action func()) func() {
	var once sync.Mutex
	seen := 0
	return func() {
		once.Lock()
		seen++
		now := seen == n
		once.Unlock()
		if now {
			action()
		}
	}
}

// kill ends the process as a power switch would end it for the program: no
// deferred call, no flush.
func kill() {
	_ = syscall.Kill(os.Getpid(), syscall.SIGKILL)
	select {} // the signal is on its way
}
