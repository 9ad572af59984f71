package store_test

import (
	"errors"
	"testing"
	"time"

	"github.com/ncruces/go-sqlite3"
	_ "github.com/ncruces/go-sqlite3/driver"

	"tidegate/store"
	"tidegate/store/storetest"
)

// otherDriver shares no code with the built-in one. Its replaceable file system
// is what power cuts are tested with.
var otherDriver = store.Driver{Name: "sqlite3", Code: func(err error) int {
	var e *sqlite3.Error
	if !errors.As(err, &e) {
		return 0
	}
	return int(e.ExtendedCode())
}}

// TestStoreOnAnotherDriver runs the suite on it.
func TestStoreOnAnotherDriver(t *testing.T) {
	storetest.Run(t, func(t testing.TB, now func() time.Time) storetest.Store {
		return open(t, t.TempDir(), store.Options{Now: now, Driver: otherDriver})
	})
}
