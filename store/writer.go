package store

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"sync/atomic"
	"time"

	"tidegate/ledger"
	"tidegate/poct"
)

const (
	maxBatch = 512                  // ops in one transaction
	maxWork  = 5 * time.Millisecond // after which a transaction takes no further op
)

// What callers get from a store that was closed, or opened to read only.
var (
	errClosed   = errors.New("store is closed")
	errReadOnly = errors.New("store was opened to read only")
)

// op is one caller's piece of a writing transaction.
type op struct {
	// run does the work. It returns a refusal (its own effects are then undone
	// and the others' stay) or a failure of the database.
	run   func(*tx) error
	state atomic.Int32 // opQueued until the writer or the caller takes it
	done  chan error
}

const (
	opQueued int32 = iota
	opTaken
	opAbandoned
)

// do queues an op and waits for the commit that holds it. A caller whose
// context ends takes back an op that has not begun; one that has begun is
// waited for, so that its answer is never lost.
func (s *Store) do(ctx context.Context, run func(*tx) error) error {
	if err := s.dead.Load(); err != nil {
		return *err
	}
	if s.queue == nil {
		return errReadOnly
	}
	o := &op{run: run, done: make(chan error, 1)}
	s.senders.RLock()
	if s.closing.Load() {
		s.senders.RUnlock()
		return errClosed
	}
	select {
	case s.queue <- o:
		s.senders.RUnlock()
	case <-ctx.Done():
		s.senders.RUnlock()
		return ctx.Err()
	}
	select {
	case err := <-o.done:
		return err
	case <-ctx.Done():
		if o.state.CompareAndSwap(opQueued, opAbandoned) {
			return ctx.Err()
		}
		return <-o.done
	}
}

// write is the writer goroutine: it commits what has queued up, as long as
// the queue is open.
func (s *Store) write() {
	defer close(s.stopped)
	// The connection is held until the end; nobody else uses it. That it fits
	// was checked when it was opened.
	_ = s.conn.Raw(func(conn any) error {
		s.raw, _ = newRawConn(conn)
		s.commitAll()
		return s.raw.close()
	})
}

func (s *Store) commitAll() {
	batch := make([]*op, 0, maxBatch)
	for first := range s.queue {
		if err := s.dead.Load(); err != nil {
			first.done <- *err
			continue
		}
		batch = s.transact(first, batch[:0])
	}
}

// errHalfDone says that an op was refused after it had changed something.
var errHalfDone = errors.New("refused half-way")

// transact runs one transaction: the first op and whatever else has queued up
// meanwhile, without waiting for more. Everybody is answered after the commit
// and not before, those who were refused too: what refused them may be in the
// same transaction.
func (s *Store) transact(first *op, batch []*op) []*op {
	began := time.Now()
	var answers []error
	t, err := s.begin(false)
	for o := first; o != nil; o = s.next(began, len(batch)) {
		if !o.state.CompareAndSwap(opQueued, opTaken) {
			continue
		}
		batch = append(batch, o)
		if err != nil {
			break
		}
		var refused error
		refused, err = t.apart(o.run)
		answers = append(answers, refused)
		if err != nil {
			break
		}
	}
	if errors.Is(err, errHalfDone) {
		t.undo()
		t, answers, err = s.carefully(batch)
	}
	switch {
	case err != nil:
		t.undo()
	case len(batch) == 0: // all were taken back
		err = t.exec0(`ROLLBACK`)
	default:
		err = t.commit()
	}
	if err != nil {
		s.fail(err, batch)
		return batch
	}
	for _, f := range t.after {
		f()
	}
	s.point("store.answered")
	for i, o := range batch {
		o.done <- answers[i]
	}
	return batch
}

// carefully runs a batch once more, each op within a savepoint. Savepoints cost
// a third of a transaction, and hardly ever is one needed: what refuses an op
// shows before it changes anything.
func (s *Store) carefully(batch []*op) (*tx, []error, error) {
	t, err := s.begin(true)
	answers := make([]error, len(batch))
	for i := 0; i < len(batch) && err == nil; i++ {
		answers[i], err = t.apart(batch[i].run)
	}
	return t, answers, err
}

func (s *Store) begin(careful bool) (*tx, error) {
	t := &tx{Store: s, at: s.now(), careful: careful}
	return t, t.exec0(`BEGIN IMMEDIATE`)
}

// next is the next op that waits now, nil if there is none or the transaction
// has had enough.
func (s *Store) next(began time.Time, n int) *op {
	if n >= maxBatch || time.Since(began) > maxWork {
		return nil
	}
	select {
	case o := <-s.queue: // nil when closed and drained
		return o
	default:
		return nil
	}
}

// fail answers a batch whose transaction did not commit. A full disk and a
// database locked by another program leave nothing written, so work goes on;
// anything else leaves what is on the disk unknown, and this process must not
// try again on the same file: pages that failed to sync count as clean.
func (s *Store) fail(err error, batch []*op) {
	answer := fmt.Errorf("commit: %w", err)
	code := s.opt.Driver.code(err)
	if code == codeFull {
		s.space.giveUp()
	}
	fatal := code != codeFull && code != codeBusy
	if fatal {
		s.dead.Store(&answer)
	}
	for _, o := range batch {
		o.done <- answer
	}
	if fatal {
		s.opt.Fatal(answer)
	}
}

// tx is a writing transaction under way. What it leaves in memory is applied
// when it has committed.
type tx struct {
	*Store
	at     time.Time
	events []poct.Event
	grew   *ledger.Tree // with the events that were written already; nil while none were
	deltas []delta
	refs   []remoteRef
	// contacts with meters, in order, only those that are newer than the ones
	// before.
	contacts []poct.Contact
	after    []func()  // run when committed
	reg      *snapshot // the registry as changed here, nil if it was not
	// deciding is the arrival under decision: not yet counted under its end.
	deciding int64
	careful  bool // with savepoints
	changes  int  // statements that changed something
}

// apart runs a piece of work so that its refusal undoes only itself. It
// returns the refusal, or the failure that ends the whole transaction.
func (t *tx) apart(run func(*tx) error) (refused, failed error) {
	before := *t // where its memory stands
	if t.careful {
		if err := t.exec0(`SAVEPOINT apart`); err != nil {
			return nil, err
		}
	}
	err := t.guard(run)
	if err == nil {
		if t.careful {
			failed = t.exec0(`RELEASE apart`)
		}
		return nil, failed
	}
	if code := t.opt.Driver.code(err); code != 0 && code != codeConstraint || errors.Is(err, errHalfDone) {
		return nil, err
	}
	changed := t.changes != before.changes
	*t = before
	if t.careful {
		if failed = t.exec0(`ROLLBACK TO apart`); failed == nil {
			failed = t.exec0(`RELEASE apart`)
		}
	} else if changed {
		return nil, errHalfDone
	}
	return err, failed
}

// guard turns a panic of the caller's code inside the transaction into a
// refusal of that caller's op.
func (t *tx) guard(run func(*tx) error) (err error) {
	defer func() {
		if p := recover(); p != nil {
			err = fmt.Errorf("panic in the transaction: %v", p)
		}
	}()
	return run(t)
}

// commit writes what was gathered in memory and commits.
func (t *tx) commit() error {
	grown, tree, err := t.flush()
	if err != nil {
		t.undo()
		return err
	}
	t.point("store.inserted")
	if err := t.exec0(`COMMIT`); err != nil {
		t.undo()
		return err
	}
	t.point("store.written")
	t.tree.Store(tree)
	t.tally.add(t.deltas)
	t.Store.contacts.add(t.contacts)
	if t.reg != nil {
		t.registry.Store(t.reg)
	}
	if grown {
		signal(t.grown)
	}
	return nil
}

// undo rolls back as far as the database has not done so by itself.
func (t *tx) undo() {
	_ = t.exec0(`ROLLBACK`)
}

// exec runs a statement and returns how many rows it changed.
func (t *tx) exec(query string, args ...any) (int64, error) {
	n, err := t.raw.run(query, args...)
	if n > 0 {
		t.changes++
	}
	return n, err
}

// exec0 runs a statement that changes no row.
func (t *tx) exec0(query string) error {
	_, err := t.raw.run(query)
	return err
}

func (t *tx) row(query string, args ...any) rowOne {
	t.changing(query)
	return t.raw.row(query, args...)
}

func (t *tx) rows(query string, args ...any) (rowSet, error) {
	t.changing(query)
	return t.raw.rows(query, args...)
}

// changing counts a statement that changes what it returns.
func (t *tx) changing(query string) {
	if !strings.HasPrefix(query, "SELECT") {
		t.changes++
	}
}

// signal wakes whoever listens, without waiting.
func signal(c chan struct{}) {
	select {
	case c <- struct{}{}:
	default:
	}
}
