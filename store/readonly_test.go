package store_test

import (
	"context"
	"database/sql"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidegate/poct"
	"tidegate/store"
	"tidegate/store/storetest"
)

// files are the names and bytes of a folder, but for the shared memory of the
// database, which is no part of it.
func files(t *testing.T, dir string) map[string]string {
	t.Helper()
	entries, err := os.ReadDir(dir)
	require.NoError(t, err)
	out := map[string]string{}
	for _, e := range entries {
		b, err := os.ReadFile(filepath.Join(dir, e.Name()))
		require.NoError(t, err)
		out[e.Name()] = string(b)
	}
	delete(out, "tidegate.db-shm")
	return out
}

// A reader sees what is committed, writes nothing and owns nothing: beside the
// daemon, and in what a killed one left behind, with its log not yet in the
// database.
func TestReadOnly(t *testing.T) {
	for name, driver := range map[string]store.Driver{"built-in": {}, "another": otherDriver} {
		t.Run(name, func(t *testing.T) {
			ctx := context.Background()
			dir := t.TempDir()
			var owner *store.Store
			w := storetest.NewWorld(t, func(t testing.TB, now func() time.Time) storetest.Store {
				owner = open(t, dir, store.Options{Now: now, Driver: driver, Ballast: 1 << 20})
				return owner
			})
			id := w.Take(storetest.Released("Q1", "1", "2.5"))[0]
			left := t.TempDir()
			for name, bytes := range files(t, dir) {
				if name == "tidegate.db" || name == "tidegate.db-wal" {
					require.NoError(t, os.WriteFile(filepath.Join(left, name), []byte(bytes), 0o600))
				}
			}
			for _, in := range []string{dir, left} {
				before := files(t, in)
				r, err := store.OpenReadOnly(in, store.Options{Driver: driver, Ballast: 1 << 20})
				require.NoError(t, err)
				tr, err := r.Trace(ctx, id)
				require.NoError(t, err)
				assert.Equal(t, poct.Delivering, tr.State)
				a, err := r.Account(ctx)
				require.NoError(t, err)
				assert.EqualValues(t, 1, a.Arrivals)
				_, err = r.Accept(ctx, poct.Arrival{Inlet: "in", Raw: []byte("x")})
				assert.ErrorIs(t, err, poct.ErrStoreDown)
				assert.Error(t, r.Notify(ctx, poct.Notification{Kind: poct.NotifyOutlet}))
				assert.Error(t, r.Record(ctx, poct.EventStarted, poct.System, ""))
				v, err := r.Verify(ctx, "", nil)
				require.NoError(t, err)
				assert.True(t, v.Verified, "%v", v.Faults)
				require.NoError(t, r.Close())
				assert.Equal(t, before, files(t, in))
			}

			r, err := store.OpenReadOnly(dir, store.Options{Driver: driver})
			require.NoError(t, err)
			defer r.Close()
			later := w.Take(storetest.Released("Q1", "2", "2.6"))[0]
			_, err = r.Trace(ctx, later)
			assert.NoError(t, err, "from the newest commit")
			w.Verifies()
		})
	}
}

func TestReadOnlyWhereThereIsNone(t *testing.T) {
	dir := t.TempDir()
	_, err := store.OpenReadOnly(dir, store.Options{})
	assert.ErrorIs(t, err, os.ErrNotExist)
	assert.Empty(t, files(t, dir))
}

// A folder that another version wrote is told as one, by reader and verifier.
func TestReadOnlyOfAnotherVersion(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir, store.Options{})
	require.NoError(t, s.Close())
	db, err := sql.Open("sqlite", filepath.Join(dir, "tidegate.db"))
	require.NoError(t, err)
	_, err = db.Exec(`DELETE FROM migrations WHERE name LIKE '%0002%'`)
	require.NoError(t, err)
	require.NoError(t, db.Close())
	_, err = store.OpenReadOnly(dir, store.Options{})
	assert.ErrorContains(t, err, "another version")
	_, err = store.VerifyFolder(context.Background(), dir, store.Options{}, "", nil)
	assert.ErrorContains(t, err, "another version")
}
