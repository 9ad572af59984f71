package store_test

import (
	"testing"
	"time"

	"tidegate/store"
	"tidegate/store/storetest"
)

func open(t testing.TB, dir string, o store.Options) *store.Store {
	t.Helper()
	if o.Fatal == nil {
		o.Fatal = func(err error) { t.Errorf("fatal: %v", err) }
	}
	s, err := store.Open(dir, o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.Close() })
	return s
}

func TestStore(t *testing.T) {
	storetest.Run(t, func(t testing.TB, now func() time.Time) storetest.Store {
		return open(t, t.TempDir(), store.Options{Now: now})
	})
}
