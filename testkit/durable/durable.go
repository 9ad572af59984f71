// Package durable gives tests a real store to put arrivals in, and makes sure
// at the end that what was accepted is what a later process finds.
package durable

import (
	"context"
	"fmt"
	"slices"
	"sync"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidegate/poct"
	"tidegate/store"
)

// Keeper is an inbox over a store in a folder of its own.
type Keeper struct {
	*store.Store
	t   testing.TB
	dir string

	mu       sync.Mutex
	accepted map[string][32]byte // digest by arrival, of what was answered
}

// Open makes a store that the end of the test closes, opens again and checks:
// every arrival that was answered is there with its bytes, and the ledger
// verifies.
func Open(t testing.TB) *Keeper {
	t.Helper()
	k := &Keeper{t: t, dir: t.TempDir(), accepted: map[string][32]byte{}}
	k.open()
	t.Cleanup(k.check)
	return k
}

func (k *Keeper) open() {
	k.t.Helper()
	s, err := store.Open(k.dir, store.Options{Fatal: func(err error) { k.t.Errorf("the store gave up: %v", err) }})
	require.NoError(k.t, err)
	k.Store = s
}

// Accept stores an arrival.
func (k *Keeper) Accept(ctx context.Context, a poct.Arrival) (poct.Accepted, error) {
	got, err := k.Store.Accept(ctx, a)
	if err == nil {
		k.mu.Lock()
		k.accepted[got.Arrival] = a.Digest
		k.mu.Unlock()
	}
	return got, err
}

// Stored lists the arrivals, in the order of the ledger.
func (k *Keeper) Stored() []poct.Arrival {
	var all []poct.Arrival
	const page = 500
	for from := int64(0); ; from += page {
		events, err := k.Events(context.Background(), from, page)
		if !assert.NoError(k.t, err) {
			return nil
		}
		for _, e := range events {
			if e.Kind != poct.EventReceived {
				continue
			}
			a, _, err := k.Arrival(context.Background(), e.Arrival)
			if !assert.NoError(k.t, err) {
				return nil
			}
			all = append(all, a)
		}
		if len(events) < page {
			return all
		}
	}
}

func (k *Keeper) check() {
	before := k.Stored()
	require.NoError(k.t, k.Close())
	k.open()
	defer func() { require.NoError(k.t, k.Close()) }()
	after := k.Stored()
	assert.Equal(k.t, before, after, "a store opened again holds something else")
	for id, digest := range k.accepted {
		n := slices.IndexFunc(after, func(a poct.Arrival) bool { return a.ID == id })
		if assert.GreaterOrEqual(k.t, n, 0, fmt.Sprintf("arrival %s was answered and is not there", id)) {
			assert.Equal(k.t, digest, after[n].Digest)
		}
	}
	account, err := k.Account(context.Background())
	require.NoError(k.t, err)
	assert.EqualValues(k.t, len(after), account.Arrivals)
	assert.Zero(k.t, account.Lost)
	report, err := k.Verify(context.Background(), "", nil)
	require.NoError(k.t, err)
	assert.True(k.t, report.Verified, "the ledger does not verify: %v", report.Faults)
}
