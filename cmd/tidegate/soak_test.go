package main

import (
	"bytes"
	"context"
	"encoding/json"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"time"

	"github.com/rs/zerolog"
	"github.com/stretchr/testify/require"

	"tidegate/app"
	"tidegate/config"
	"tidegate/standin"
)

// TestSoak lets the fleet send on all protocols with all faults to a daemon in
// this process, and compares accounts: nothing is lost, nothing doubled,
// everything ends as the meters expect, and nothing is left behind. A run of CI
// sends some hundred messages; TIDEGATE_SOAK=30m goes on for half an hour.
func TestSoak(t *testing.T) {
	s := soak{t: t, dir: t.TempDir()}
	_, next := s.simulate("--write-setup", filepath.Join(s.dir, "set"), "--meters", "40")
	require.Contains(t, next, "--record")
	config := filepath.Join(s.dir, "set", "tidegate.yaml")
	amount := []string{"--results", "500", "--rate", "max"}
	if long := os.Getenv("TIDEGATE_SOAK"); long != "" {
		amount = []string{"--for", long, "--rate", "40/s"}
	}
	args := append([]string{"--config", config, "--faults", "all", "--json", "--meters", "40"}, amount...)

	before := held(t)
	s.start(config)
	// A first short run, so that what is made once is there.
	code, out := s.simulate("--config", config, "--results", "100", "--rate", "max", "--meters", "40", "--seed", "3")
	require.Zero(t, code, out)
	working := settled(t)
	code, out = s.simulate(args...)
	t.Log(out)
	var r simulateReport
	require.NoError(t, json.Unmarshal([]byte(out), &r))
	require.Empty(t, r.Wrong)
	require.Empty(t, r.Otherwise)
	require.True(t, r.AddsUp)
	require.Zero(t, code)
	require.NotNil(t, r.Became)
	require.Len(t, r.Faults, 10, "every fault, and what has none")
	for kind, line := range r.Kinds {
		require.Positive(t, line.Answered, kind)
	}
	require.Zero(t, s.record.system.Scan().Duplicates())
	s.back(working, "a daemon whose meters have hung up")
	s.stop()
	s.back(before, "a daemon that was stopped")

	v, err := app.Verify(t.Context(), s.cfg, nil)
	require.NoError(t, err)
	require.True(t, v.Verified)
	require.Empty(t, v.Faults)
}

type soak struct {
	t      *testing.T
	dir    string
	cfg    *config.Config
	record *fakeRecord
	stop   func()
}

// simulate runs the command as a person would.
func (s *soak) simulate(args ...string) (code int, out string) {
	s.t.Helper()
	var stdout, stderr bytes.Buffer
	code = run(append([]string{"simulate"}, args...), strings.NewReader(""), &stdout, &stderr)
	require.Less(s.t, code, 2, stderr.String())
	return code, stdout.String()
}

func (s *soak) start(path string) {
	s.t.Helper()
	var faults []config.Fault
	s.cfg, faults = config.Load(path)
	require.Empty(s.t, faults)
	reg, err := standin.NewFleetRegistry(time.Now(), registryFiles(s.cfg))
	require.NoError(s.t, err)
	s.record, err = (&simulateCmd{Record: true}).record(s.cfg, reg)
	require.NoError(s.t, err)
	a, err := app.New(s.cfg, app.Options{Log: zerolog.Nop(), Version: "test"})
	require.NoError(s.t, err)
	ctx, cancel := context.WithCancel(context.Background())
	ran := make(chan error, 1)
	go func() { ran <- a.Run(ctx) }()
	s.stop = func() {
		cancel()
		require.NoError(s.t, <-ran)
		require.NoError(s.t, a.Close())
		s.record.close()
	}
}

// holding is what a process can leak.
type holding struct{ goroutines, descriptors int }

func held(t *testing.T) holding {
	t.Helper()
	files, err := os.ReadDir("/proc/self/fd")
	if err != nil {
		t.Skip("descriptors can be counted on Linux alone")
	}
	return holding{runtime.NumGoroutine(), len(files)}
}

// settled is what is held once connections that were hung up have ended: when
// it has not fallen for a while.
func settled(t *testing.T) holding {
	t.Helper()
	tick := time.NewTicker(20 * time.Millisecond)
	defer tick.Stop()
	least := held(t)
	for same := 0; same < 25; same++ {
		<-tick.C
		if now := held(t); now.goroutines < least.goroutines || now.descriptors < least.descriptors {
			least, same = now, 0
		}
	}
	return least
}

// back waits until no more is held than before. Connections of the database
// and to the record system come and go within a few.
func (s *soak) back(before holding, when string) {
	s.t.Helper()
	const few = 12
	end := time.After(30 * time.Second)
	tick := time.NewTicker(20 * time.Millisecond)
	defer tick.Stop()
	for {
		now := held(s.t)
		if now.goroutines <= before.goroutines+few && now.descriptors <= before.descriptors+few {
			s.t.Logf("%s: %d goroutines, %d descriptors (%d, %d before)", when, now.goroutines, now.descriptors, before.goroutines, before.descriptors)
			return
		}
		select {
		case <-tick.C:
		case <-end:
			stacks := make([]byte, 1<<20)
			s.t.Fatalf("%s holds %+v, %+v before:\n%s", when, now, before, stacks[:runtime.Stack(stacks, true)])
		}
	}
}
