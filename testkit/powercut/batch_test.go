//go:build failpoints

package powercut

import (
	"context"
	"fmt"
	"testing"

	"github.com/ncruces/go-sqlite3"
	"github.com/stretchr/testify/require"

	"tidegate/fault"
	"tidegate/poct"
	"tidegate/store"
)

// TestRuleA3DuplicateWaitsForItsBatch: the same message comes over two
// connections while a commit is under way, and the commit that would hold it
// fails. Neither may be told yes: the second one's row is the first one's.
func TestRuleA3DuplicateWaitsForItsBatch(t *testing.T) {
	d := newDisk()
	s, err := store.Open(t.TempDir(), store.Options{Driver: driverOf(d, t.Name(), false), Fatal: func(error) {}})
	require.NoError(t, err)
	t.Cleanup(func() { _ = s.Close() })
	reached, go1 := make(chan struct{}), make(chan struct{})
	passed := 0
	fault.Set("store.inserted", func() {
		if passed++; passed == 1 {
			close(reached)
			<-go1
			return
		}
		d.mu.Lock()
		d.broken = fmt.Errorf("the disk: %w", sqlite3.IOERR_FSYNC)
		d.mu.Unlock()
	})
	t.Cleanup(func() { fault.Set("store.inserted", nil) })

	first := make(chan error, 1)
	go func() {
		_, err := s.Accept(context.Background(), poct.Arrival{Inlet: "bench", Raw: []byte("first"), ControlID: "0"})
		first <- err
	}()
	<-reached // the writer stands in the middle of its commit
	answers := make(chan error, 2)
	for range 2 {
		go func() {
			_, err := s.Accept(context.Background(), arrival)
			answers <- err
		}()
	}
	close(go1)
	require.NoError(t, <-first)
	for range 2 {
		require.ErrorIs(t, <-answers, poct.ErrStoreDown)
	}
	require.Equal(t, 2, passed, "after the failed commit nothing was tried")
}
