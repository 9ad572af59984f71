package store

import (
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func TestSecondOwnerIsRefused(t *testing.T) {
	if dir := os.Getenv("STORE_SECOND_OWNER"); dir != "" {
		_, err := Open(dir, Options{})
		var owned *OwnedError
		if errors.As(err, &owned) {
			fmt.Printf("refused: held by %d since %s\n", owned.PID, owned.Since.Format("2006"))
		}
		return
	}
	dir := filepath.Join(t.TempDir(), "data")
	s := openIn(t, dir, Options{})
	_, err := Open(dir, Options{})
	var owned *OwnedError
	require.ErrorAs(t, err, &owned)
	assert.Equal(t, os.Getpid(), owned.PID)
	assert.ErrorContains(t, err, fmt.Sprint(os.Getpid()))

	// Another process, also after a file of the database was opened and closed
	// here, which would take process-wide locks away.
	f, err := os.Open(filepath.Join(dir, databaseFile))
	require.NoError(t, err)
	require.NoError(t, f.Close())
	cmd := exec.Command(os.Args[0], "-test.run", "^TestSecondOwnerIsRefused$")
	cmd.Env = append(os.Environ(), "STORE_SECOND_OWNER="+dir)
	out, err := cmd.Output()
	require.NoError(t, err)
	assert.True(t, strings.HasPrefix(string(out), fmt.Sprintf("refused: held by %d since 2026\n", os.Getpid())), "%s", out)

	require.NoError(t, s.Close())
	openIn(t, dir, Options{}) // a file left behind owns nothing
}

func TestModes(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "data")
	s := openIn(t, dir, Options{Ballast: 4096})
	_, err := s.Accept(ctx, arrival("one"))
	require.NoError(t, err)
	info, err := os.Stat(dir)
	require.NoError(t, err)
	assert.Equal(t, os.FileMode(0o700), info.Mode().Perm())
	entries, err := os.ReadDir(dir)
	require.NoError(t, err)
	assert.Len(t, entries, 5) // database, log, shared memory, owner, ballast
	for _, e := range entries {
		info, err := e.Info()
		require.NoError(t, err)
		assert.Equal(t, os.FileMode(0o600), info.Mode().Perm(), e.Name())
	}
}

func TestSettingsOfTheDatabase(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "folder with ? and # in it")
	s := openIn(t, dir, Options{})
	for pragma, want := range map[string]string{"journal_mode": "wal", "synchronous": "2", "foreign_keys": "1", "query_only": "1"} {
		var got string
		require.NoError(t, s.read.db.QueryRow("PRAGMA "+pragma).Scan(&got))
		assert.Equal(t, want, got, pragma)
	}
	_, err := s.read.db.Exec(`DELETE FROM counters`)
	assert.Error(t, err, "the read pool cannot write")
	assert.NoError(t, s.do(ctx, func(tx *tx) error {
		for pragma, want := range map[string]int64{"synchronous": 2, "foreign_keys": 1, "wal_autocheckpoint": 8000, "cache_size": -8000} {
			var got int64
			assert.NoError(t, tx.row("PRAGMA "+pragma).Scan(&got), pragma)
			assert.Equal(t, want, got, pragma)
		}
		return nil
	}))
}
