package sourcetest

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"slices"
	"sync"

	"tidegate/ingest"
	"tidegate/poct"
)

// ErrDown is what an Inbox answers that was told to fail.
var ErrDown = errors.New("store down")

// Keeper is an inbox that tells what it has kept, in order: the memory, or a
// real store.
type Keeper interface {
	ingest.Inbox
	Stored() []poct.Arrival
}

// Inbox hands on to a Keeper, and can be told to fail before or after that, to
// wait, or to panic. It is safe for concurrent use.
type Inbox struct {
	Keeper
	// Tried gets a value for each call of Accept, before anything else.
	Tried chan struct{}

	mu      sync.Mutex
	fail    failing
	passes  int           // calls that are let through before fail counts
	gate    chan struct{} // closed: nobody waits
	changed chan struct{} // closed and made anew when something was kept
}

type failing int

const (
	never failing = iota
	before
	after
	panicking
)

// NewInbox is an inbox that keeps arrivals in memory.
func NewInbox() *Inbox { return Over(&memory{ids: map[string]string{}}) }

// Over is an inbox that keeps arrivals in k.
func Over(k Keeper) *Inbox {
	open := make(chan struct{})
	close(open)
	return &Inbox{Keeper: k, Tried: make(chan struct{}, 100_000), gate: open, changed: make(chan struct{})}
}

// Accept implements ingest.Inbox.
func (b *Inbox) Accept(ctx context.Context, a poct.Arrival) (poct.Accepted, error) {
	b.mu.Lock()
	gate := b.gate
	b.mu.Unlock()
	b.Tried <- struct{}{}
	select {
	case <-gate:
	case <-ctx.Done():
		return poct.Accepted{}, ctx.Err()
	}
	b.mu.Lock()
	fail := b.fail
	if b.passes > 0 {
		b.passes--
		fail = never
	}
	b.mu.Unlock()
	switch fail {
	case before:
		return poct.Accepted{}, ErrDown
	case panicking:
		panic("a fault of the test's, with a patient in it: " + Canaries[0])
	}
	got, err := b.Keeper.Accept(ctx, a)
	b.mu.Lock()
	close(b.changed)
	b.changed = make(chan struct{})
	b.mu.Unlock()
	if fail == after {
		return poct.Accepted{}, ErrDown
	}
	return got, err
}

// Block makes Accept wait until the returned function is called, or until its
// ctx ends.
func (b *Inbox) Block() (open func()) {
	gate := make(chan struct{})
	b.mu.Lock()
	b.gate = gate
	b.mu.Unlock()
	return sync.OnceFunc(func() { close(gate) })
}

// FailBefore answers an error and keeps nothing.
func (b *Inbox) FailBefore() { b.set(before, 0) }

// FailAfter keeps the arrival and answers an error: the outcome is unknown to
// whoever asked.
func (b *Inbox) FailAfter() { b.set(after, 0) }

// FailBehind lets n calls pass and fails before keeping from then on.
func (b *Inbox) FailBehind(n int) { b.set(before, n) }

// Panic makes Accept panic.
func (b *Inbox) Panic() { b.set(panicking, 0) }

// Recover takes everything again.
func (b *Inbox) Recover() { b.set(never, 0) }

func (b *Inbox) set(f failing, passes int) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.fail, b.passes = f, passes
}

// AwaitTry waits until Accept was called once more than it has been waited for.
func (b *Inbox) AwaitTry(ctx context.Context) error {
	select {
	case <-b.Tried:
		return nil
	case <-ctx.Done():
		return errors.New("the inlet handed nothing to its inbox")
	}
}

// AwaitStored waits until n arrivals are kept.
func (b *Inbox) AwaitStored(ctx context.Context, n int) error {
	for {
		b.mu.Lock()
		changed := b.changed
		b.mu.Unlock()
		have := len(b.Stored())
		if have >= n {
			return nil
		}
		select {
		case <-changed:
		case <-ctx.Done():
			return fmt.Errorf("%d arrivals are kept, not %d", have, n)
		}
	}
}

// count is how often these bytes were kept, with their true digest.
func (b *Inbox) count(raw []byte) int {
	n := 0
	for _, a := range b.Stored() {
		if string(a.Raw) == string(raw) && a.Digest == sha256.Sum256(raw) {
			n++
		}
	}
	return n
}

// memory keeps arrivals once for each source and digest.
type memory struct {
	mu      sync.Mutex
	stored  []poct.Arrival
	ids     map[string]string
	notices []poct.Notice
}

func (m *memory) Accept(_ context.Context, a poct.Arrival) (poct.Accepted, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	key := a.Source + "|" + string(a.Digest[:])
	id, known := m.ids[key]
	if !known {
		id = fmt.Sprintf("arrival-%d", len(m.stored)+1)
		m.ids[key] = id
		a.ID = id
		m.stored = append(m.stored, a)
	}
	return poct.Accepted{Arrival: id, Resent: known}, nil
}

func (m *memory) Notice(_ context.Context, n poct.Notice) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.notices = append(m.notices, n)
	return nil
}

func (m *memory) Stored() []poct.Arrival {
	m.mu.Lock()
	defer m.mu.Unlock()
	return slices.Clone(m.stored)
}

// Notices is what an inlet has noticed, for an inbox in memory.
func (b *Inbox) Notices() []poct.Notice {
	m, ok := b.Keeper.(*memory)
	if !ok {
		return nil
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	return slices.Clone(m.notices)
}
