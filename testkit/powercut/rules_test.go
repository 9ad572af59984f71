//go:build failpoints

package powercut

import (
	"context"
	"errors"
	"fmt"
	"testing"

	"github.com/ncruces/go-sqlite3"
	"github.com/stretchr/testify/require"

	"tidegate/poct"
	"tidegate/store"
)

var arrival = poct.Arrival{Inlet: "bench", Raw: []byte("one test of an invented meter"), ControlID: "1"}

// holds tells whether an image has the arrival, by opening it as a machine
// would.
func holds(t *testing.T, image map[string][]byte, id string) bool {
	t.Helper()
	dir := t.TempDir()
	require.NoError(t, writeImage(dir, image))
	s, err := store.Open(dir, store.Options{})
	require.NoError(t, err)
	defer func() { require.NoError(t, s.Close()) }()
	_, _, err = s.Arrival(context.Background(), id)
	if !errors.Is(err, poct.ErrNotFound) {
		require.NoError(t, err)
	}
	return err == nil
}

// TestRuleA1CheckpointAtOpen: the process is killed between writing the log
// and syncing it. The next process sees the row, and answers a resend with
// yes; the power goes. Without a checkpoint at opening the row was never
// synced by anyone.
func TestRuleA1CheckpointAtOpen(t *testing.T) {
	d := newDisk()
	s, err := store.Open(t.TempDir(), store.Options{Driver: driverOf(d, t.Name()+"-1", false)})
	require.NoError(t, err)
	after, dir := (*disk)(nil), t.TempDir()
	d.mu.Lock()
	d.atSync = func() {
		if after == nil {
			after, err = d.killed(dir)
		}
	}
	d.mu.Unlock()
	_, accepted := s.Accept(context.Background(), arrival)
	require.NoError(t, accepted)
	require.NoError(t, s.Close())
	require.NoError(t, err)
	require.NotNil(t, after, "an arrival was accepted without any sync")

	var asked string
	{
		s, err := store.Open(dir, store.Options{Driver: driverOf(after, t.Name()+"-2", false)})
		require.NoError(t, err)
		got, err := s.Accept(context.Background(), arrival)
		require.NoError(t, err)
		require.True(t, got.Resent, "the row that was not synced is seen")
		asked = got.Arrival
		image := after.worst()
		require.True(t, holds(t, image, asked), "a resend was answered with yes, and the power cut lost it")
		require.NoError(t, s.Close())
	}
	require.Positive(t, after.syncs)
}

// TestRuleA1TheDangerIsReal is the same kill followed by a power cut at once:
// the row is gone. That is allowed, nobody was told yes; it shows that what
// saves the resend is the sync at opening.
func TestRuleA1TheDangerIsReal(t *testing.T) {
	d := newDisk()
	s, err := store.Open(t.TempDir(), store.Options{Driver: driverOf(d, t.Name(), false)})
	require.NoError(t, err)
	var image map[string][]byte
	d.mu.Lock()
	d.atSync = func() {
		if image == nil {
			d.mu.Unlock()
			image = d.worst()
			d.mu.Lock()
		}
	}
	d.mu.Unlock()
	got, err := s.Accept(context.Background(), arrival)
	require.NoError(t, err)
	require.NoError(t, s.Close())
	require.False(t, holds(t, image, got.Arrival))
}

// TestRuleA2FirstFailedSyncEnds: a sync fails and the kernel forgets the
// pages. A second try would succeed and mean nothing, so there must be none:
// no answer but errors, no further write, and the end of the process, once.
func TestRuleA2FirstFailedSyncEnds(t *testing.T) {
	d := newDisk()
	ended := make(chan error, 10)
	s, err := store.Open(t.TempDir(), store.Options{Driver: driverOf(d, t.Name(), false), Fatal: func(err error) { ended <- err }})
	require.NoError(t, err)
	before, err := s.Accept(context.Background(), poct.Arrival{Inlet: "bench", Raw: []byte("before"), ControlID: "0"})
	require.NoError(t, err)
	d.mu.Lock()
	d.broken = fmt.Errorf("the disk: %w", sqlite3.IOERR_FSYNC)
	d.mu.Unlock()
	_, err = s.Accept(context.Background(), arrival)
	require.ErrorIs(t, err, poct.ErrStoreDown)
	<-ended
	d.mu.Lock()
	ops := d.ops
	d.mu.Unlock()
	for range 3 {
		_, err = s.Accept(context.Background(), arrival)
		require.ErrorIs(t, err, poct.ErrStoreDown, "the resend must not find the row and be answered with yes")
		require.Error(t, s.Notice(context.Background(), poct.Notice{Inlet: "bench", What: "cut off"}))
	}
	d.mu.Lock()
	require.Equal(t, ops, d.ops, "it wrote on after a failed sync")
	d.mu.Unlock()
	require.Empty(t, ended, "the end is asked for once")
	image := d.worst()
	require.True(t, holds(t, image, before.Arrival), "what was acknowledged before is there")
	_ = s.Close() // its files are beyond use
}
