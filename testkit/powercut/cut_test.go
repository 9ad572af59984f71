//go:build failpoints

package powercut

import (
	"context"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidegate/store"
)

// perShift cuts are made in one shift of a store; then a new one begins, so
// that the images stay small.
const perShift = 50

// cut is an image and what had been said when it was taken.
type cut struct {
	image   map[string][]byte
	anchor  []byte
	dropped int
	said    *told
}

// tally sums up what cuts found.
type tally struct{ cuts, lost, unsound, dropped, arrivals, decisions, receipts int }

// cuts makes n power cuts at moments chosen by seed and judges each.
func cuts(t *testing.T, n int, normal, lies bool, bad func(verdict)) (sum tally) {
	t.Helper()
	for shift := 0; sum.cuts < n; shift++ {
		name := fmt.Sprintf("%s-%d", t.Name(), shift)
		rnd := rand.New(rand.NewPCG(uint64(shift), 7))
		list, keys := oneShift(t, name, rnd, normal, lies)
		for i, c := range list {
			dir := t.TempDir()
			require.NoError(t, writeImage(dir, c.image))
			anchor := filepath.Join(t.TempDir(), "head")
			if c.anchor != nil {
				require.NoError(t, os.WriteFile(anchor, c.anchor, 0o600))
			}
			v := judge(dir, anchor, keys, c.said)
			sum.cuts++
			sum.dropped += c.dropped
			sum.arrivals += len(c.said.arrivals)
			sum.decisions += len(c.said.decided)
			sum.receipts += len(c.said.finished)
			if len(v.lost) > 0 {
				sum.lost++
			}
			if len(v.unsound) > 0 {
				sum.unsound++
			}
			if !v.clean() && bad != nil {
				bad(v)
				t.Logf("shift %d, cut %d", shift, i)
			}
			require.NoError(t, os.RemoveAll(dir))
		}
		if (shift+1)%10 == 0 {
			t.Logf("%d of %d cuts: %+v", sum.cuts, n, sum)
		}
	}
	return sum
}

// oneShift lets a store work on a disk and takes images of it.
func oneShift(t *testing.T, name string, rnd *rand.Rand, normal, lies bool) (list []cut, keys string) {
	t.Helper()
	d := newDisk()
	dir := t.TempDir()
	anchor := filepath.Join(t.TempDir(), "head")
	s, err := store.Open(dir, store.Options{Driver: driverOf(d, name, normal), AnchorFile: anchor, Fatal: func(err error) { t.Errorf("fatal: %v", err) }})
	require.NoError(t, err)
	w, err := newShift(s)
	require.NoError(t, err)
	ctx, stop := context.WithTimeout(context.Background(), time.Minute)
	defer stop()
	d.mu.Lock()
	d.lies = lies
	next := d.ops + 1 + rnd.IntN(12)
	d.step = func(op int) {
		if op < next || len(list) == perShift {
			return
		}
		next = op + 1 + rnd.IntN(12)
		c := cut{said: w.clone()}
		// The anchor is read before the image: it is never ahead of what it
		// would be at the cut, and the head it names was durable by then.
		c.anchor, _ = os.ReadFile(anchor)
		c.image, c.dropped = d.image(rnd)
		if list = append(list, c); len(list) == perShift {
			stop()
		}
	}
	d.mu.Unlock()
	require.NoError(t, w.work(ctx))
	require.NoError(t, s.Close())
	require.Len(t, list, perShift)
	return list, w.keys
}

func wanted() int {
	if os.Getenv("TIDEGATE_LONG") != "" {
		return 20_000
	}
	return 2_000
}

// TestPowerCut: whatever moment the power goes at, what was said to be done is
// there and everything fits together.
func TestPowerCut(t *testing.T) {
	sum := cuts(t, wanted(), false, false, func(v verdict) { t.Errorf("%s", v) })
	t.Logf("%+v", sum)
	require.Positive(t, sum.dropped, "a cut without unsynced sectors shows nothing")
	require.Positive(t, sum.arrivals*sum.decisions*sum.receipts, "every kind of work was under way")
}

// TestControlNormal must lose something: SQLite's documentation says of
// synchronous=NORMAL with a write-ahead log that a power loss may roll back
// what was committed (sqlite.org/pragma.html#pragma_synchronous). If nothing
// is lost here, TestPowerCut proves nothing.
func TestControlNormal(t *testing.T) {
	sum := cuts(t, wanted()/20, true, false, nil)
	t.Logf("%+v", sum)
	require.Positive(t, sum.lost, "a setting that loses commits lost none")
	require.Zero(t, sum.unsound, "it loses whole commits, from the end, and damages nothing")
}

// TestControlLyingDisk must find damage: a disk that says yes to a sync and
// does nothing.
func TestControlLyingDisk(t *testing.T) {
	sum := cuts(t, wanted()/20, false, true, nil)
	t.Logf("%+v", sum)
	require.Positive(t, sum.lost+sum.unsound, "a disk that lies was not noticed")
}
