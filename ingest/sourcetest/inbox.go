package sourcetest

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"sync"

	"tidegate/poct"
)

// ErrDown is what a MemoryInbox that was told to fail answers.
var ErrDown = errors.New("store down")

// MemoryInbox keeps arrivals in memory, once for each source and digest, and
// can be told to fail before or after keeping one, or to wait.
type MemoryInbox struct {
	// Tried gets a value for each call of Accept, before anything is kept.
	Tried chan struct{}

	mu      sync.Mutex
	stored  []poct.Arrival
	ids     map[string]string
	notices []poct.Notice
	fail    failing
	gate    chan struct{} // closed: nobody waits
}

type failing int

const (
	never failing = iota
	before
	after
)

// NewInbox is an inbox that takes everything at once.
func NewInbox() *MemoryInbox {
	open := make(chan struct{})
	close(open)
	return &MemoryInbox{Tried: make(chan struct{}, 10_000), ids: map[string]string{}, gate: open}
}

// Accept implements ingest.Inbox.
func (b *MemoryInbox) Accept(_ context.Context, a poct.Arrival) (poct.Accepted, error) {
	b.mu.Lock()
	gate := b.gate
	b.mu.Unlock()
	select {
	case b.Tried <- struct{}{}:
	default: // nobody counts that far
	}
	<-gate
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.fail == before {
		return poct.Accepted{}, ErrDown
	}
	key := a.Source + "|" + string(a.Digest[:])
	id, known := b.ids[key]
	if !known {
		id = fmt.Sprintf("arrival-%d", len(b.stored)+1)
		b.ids[key] = id
		b.stored = append(b.stored, a)
	}
	if b.fail == after {
		return poct.Accepted{}, ErrDown
	}
	return poct.Accepted{Arrival: id, Resent: known}, nil
}

// Notice implements ingest.Inbox.
func (b *MemoryInbox) Notice(_ context.Context, n poct.Notice) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.notices = append(b.notices, n)
	return nil
}

// Block makes Accept wait until the returned function is called.
func (b *MemoryInbox) Block() (open func()) {
	gate := make(chan struct{})
	b.mu.Lock()
	b.gate = gate
	b.mu.Unlock()
	return sync.OnceFunc(func() { close(gate) })
}

// FailBefore answers an error and keeps nothing.
func (b *MemoryInbox) FailBefore() { b.set(before) }

// FailAfter keeps the arrival and answers an error: the outcome is unknown to
// whoever asked.
func (b *MemoryInbox) FailAfter() { b.set(after) }

// Recover takes everything again.
func (b *MemoryInbox) Recover() { b.set(never) }

func (b *MemoryInbox) set(f failing) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.fail = f
}

// Stored is what was kept, in order.
func (b *MemoryInbox) Stored() []poct.Arrival {
	b.mu.Lock()
	defer b.mu.Unlock()
	return append([]poct.Arrival(nil), b.stored...)
}

// Notices is what inlets noticed.
func (b *MemoryInbox) Notices() []poct.Notice {
	b.mu.Lock()
	defer b.mu.Unlock()
	return append([]poct.Notice(nil), b.notices...)
}

// has tells whether these bytes were kept, with their true digest.
func (b *MemoryInbox) has(raw []byte) int {
	n := 0
	for _, a := range b.Stored() {
		if string(a.Raw) == string(raw) && a.Digest == sha256.Sum256(raw) {
			n++
		}
	}
	return n
}
