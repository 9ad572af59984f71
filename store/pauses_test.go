package store_test

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidegate/poct"
	"tidegate/store"
)

// A pause outlasts the process, and so does its end.
func TestPauseSurvivesARestart(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir, store.Options{})
	require.NoError(t, s.PauseOutlet(t.Context(), "record", "k.osei", "being moved"))
	require.NoError(t, s.PauseOutlet(t.Context(), "second", "k.osei", "being moved too"))
	require.NoError(t, s.ResumeOutlet(t.Context(), "second", "r.ito", "moved"))
	was, _ := s.Paused("record")
	require.NoError(t, s.Close())

	s = open(t, dir, store.Options{})
	pause, paused := s.Paused("record")
	assert.True(t, paused)
	assert.Equal(t, "k.osei", pause.By)
	assert.True(t, pause.At.Equal(was.At.Truncate(1000)), "to the microsecond")
	_, paused = s.Paused("second")
	assert.False(t, paused)
	assert.ErrorIs(t, s.PauseOutlet(t.Context(), "record", "r.ito", "again"), poct.ErrSoAlready)
	require.NoError(t, s.ResumeOutlet(t.Context(), "record", "r.ito", "moved"))
	require.NoError(t, s.Close())

	s = open(t, dir, store.Options{})
	_, paused = s.Paused("record")
	assert.False(t, paused)
}
