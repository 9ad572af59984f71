package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidegate/poct"
)

var ctx = context.Background()

func arrival(text string) poct.Arrival { return poct.Arrival{Inlet: "in", Raw: []byte(text)} }

// Seen is not yet durable: what a killed process left in the log is moved into
// the database, synced, before anybody can be answered.
func TestRuleA1LogIsCheckpointedAtOpen(t *testing.T) {
	dir := t.TempDir()
	s := openIn(t, dir, Options{})
	_, err := s.Accept(ctx, arrival("one"))
	require.NoError(t, err)
	// What a kill leaves: the files as they are, with the log not empty.
	copied := t.TempDir()
	for _, name := range []string{databaseFile, databaseFile + "-wal"} {
		b, err := os.ReadFile(filepath.Join(dir, name))
		require.NoError(t, err)
		require.NotEmpty(t, b)
		require.NoError(t, os.WriteFile(filepath.Join(copied, name), b, 0o600))
	}
	again := openIn(t, copied, Options{})
	info, err := os.Stat(filepath.Join(copied, databaseFile+"-wal"))
	require.NoError(t, err)
	assert.Zero(t, info.Size(), "the log is empty when Open returns")
	got, err := again.Accept(ctx, arrival("one"))
	require.NoError(t, err)
	assert.True(t, got.Resent)
}

func TestRuleA1OpenFailsWhileAnotherProgramReads(t *testing.T) {
	dir := t.TempDir()
	s := openIn(t, dir, Options{})
	_, err := s.Accept(ctx, arrival("one"))
	require.NoError(t, err)
	other, err := sql.Open("sqlite", "file:"+filepath.Join(dir, databaseFile))
	require.NoError(t, err)
	defer other.Close()
	tx, err := other.Begin()
	require.NoError(t, err)
	var n int
	require.NoError(t, tx.QueryRow(`SELECT count(*) FROM arrivals`).Scan(&n))
	_, err = s.Accept(ctx, arrival("two"))
	require.NoError(t, err)
	require.NoError(t, s.Close())
	_, err = Open(dir, Options{Driver: Driver{Query: "_pragma=busy_timeout(20)"}})
	assert.ErrorContains(t, err, "another program reads the database")
	require.NoError(t, tx.Rollback())
	openIn(t, dir, Options{})
}

// After the first failed commit nobody gets a yes any more, and the process
// is told to end. The commit that failed may have taken effect.
func TestRuleA2FirstFailedCommitIsTheLast(t *testing.T) {
	for _, c := range []struct {
		name          string
		before, after error
		there         bool
	}{
		{"fails before it took effect", diskError(1034), nil, false}, // SQLITE_IOERR_FSYNC
		{"fails after it took effect", nil, diskError(1034), true},
		{"write fails", diskError(778), nil, false}, // SQLITE_IOERR_WRITE
	} {
		t.Run(c.name, func(t *testing.T) {
			dir := t.TempDir()
			s, fatal := openFailing(t, dir)
			first, err := s.Accept(ctx, arrival("good"))
			require.NoError(t, err)
			failing.set(c.before, c.after, nil)
			_, err = s.Accept(ctx, arrival("bad"))
			require.ErrorIs(t, err, poct.ErrStoreDown)
			assert.ErrorIs(t, <-fatal, firstOf(c.before, c.after))
			failing.set(nil, nil, nil)
			_, err = s.Accept(ctx, arrival("after"))
			require.ErrorIs(t, err, poct.ErrStoreDown, "never tried again")
			_, err = s.Accept(ctx, arrival("good"))
			require.ErrorIs(t, err, poct.ErrStoreDown, "not even a resend gets a yes")
			_, err = s.ClaimArrivals(ctx, "w", 10, time.Minute)
			require.Error(t, err)
			assert.Empty(t, fatal, "told once")
			require.NoError(t, s.Close())

			again := openIn(t, dir, Options{})
			got, err := again.Accept(ctx, arrival("good"))
			require.NoError(t, err)
			assert.Equal(t, poct.Accepted{Arrival: first.Arrival, Resent: true}, got)
			got, err = again.Accept(ctx, arrival("bad"))
			require.NoError(t, err)
			assert.Equal(t, c.there, got.Resent, "an unknown outcome is told apart by the digest")
			verifies(t, again)
		})
	}
}

// A resend that finds the first copy in the open transaction waits for its
// commit, and shares its fate.
func TestRuleA3DuplicateWaitsForItsBatch(t *testing.T) {
	s, _ := openFailing(t, t.TempDir())
	entered, leave := make(chan struct{}), make(chan struct{})
	var once sync.Once
	s.hook = func(point string) {
		if point == "store.inserted" {
			once.Do(func() { close(entered); <-leave })
		}
	}
	errs := make(chan error, 3)
	send := func(text string) {
		go func() {
			_, err := s.Accept(ctx, arrival(text))
			errs <- err
		}()
	}
	send("warm-up: its commit is stopped, so that the next two share one")
	<-entered
	send("one")
	send("one")
	for len(s.queue) < 2 {
		runtime.Gosched() // until both have queued
	}
	assert.Empty(t, errs, "nobody is answered before the commit")
	failing.set(diskError(1034), nil, nil)
	close(leave)
	for range 3 {
		assert.ErrorIs(t, <-errs, poct.ErrStoreDown)
	}
}

// A full disk refuses, and works again by itself.
func TestFullDiskIsNoEnd(t *testing.T) {
	for _, c := range []struct {
		name         string
		commit, stmt error
	}{
		{"while writing", nil, diskError(13)},
		{"while committing", diskError(13), nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			s, fatal := openFailing(t, t.TempDir())
			s.space.ballast, s.space.lowWater = 64<<10, 1
			s.space.refill()
			first, err := s.Accept(ctx, arrival("one"))
			require.NoError(t, err)
			failing.set(c.commit, nil, c.stmt)
			for range 3 {
				_, err = s.Accept(ctx, arrival("two"))
				require.ErrorIs(t, err, poct.ErrStoreDown)
			}
			_, err = os.Stat(filepath.Join(s.dir, ballastFile))
			assert.ErrorIs(t, err, os.ErrNotExist, "the ballast is given up")
			a, _, err := s.Arrival(ctx, first.Arrival)
			require.NoError(t, err, "reading works")
			assert.Equal(t, "one", string(a.Raw))
			failing.set(nil, nil, nil)
			got, err := s.Accept(ctx, arrival("two"))
			require.NoError(t, err)
			assert.False(t, got.Resent)
			assert.Empty(t, fatal)
			s.space.looked = time.Time{}
			assert.False(t, s.space.tight())
			info, err := os.Stat(filepath.Join(s.dir, ballastFile))
			require.NoError(t, err, "it is made again once there is room")
			assert.EqualValues(t, 64<<10, info.Size())
			verifies(t, s)
		})
	}
}

func TestLowWater(t *testing.T) {
	s := openIn(t, t.TempDir(), Options{LowWater: 1 << 62})
	_, err := s.Accept(ctx, arrival("one"))
	assert.ErrorIs(t, err, poct.ErrStoreDown)
	assert.ErrorIs(t, s.Notice(ctx, poct.Notice{Inlet: "in"}), poct.ErrStoreDown)
	require.NoError(t, s.Record(ctx, poct.EventStarted, poct.System, "work under way goes on"))
	s.space.mu.Lock()
	s.space.lowWater, s.space.looked = 1, time.Time{}
	s.space.mu.Unlock()
	_, err = s.Accept(ctx, arrival("one"))
	assert.NoError(t, err)
}

// One op's refusal undoes its own effects and no other's, also when it had
// changed something by then.
func TestRefusalUndoesOnlyItself(t *testing.T) {
	s := openIn(t, t.TempDir(), Options{})
	entered, leave := make(chan struct{}), make(chan struct{})
	var once sync.Once
	s.hook = func(point string) {
		if point == "store.inserted" {
			once.Do(func() { close(entered); <-leave })
		}
	}
	refused := errors.New("refused half-way")
	var wg sync.WaitGroup
	wg.Go(func() { assert.NoError(t, s.Record(ctx, poct.EventStarted, "", "")) })
	<-entered
	results := make([]error, 20)
	ran := make([]int, 20)
	for i := range results {
		wg.Go(func() {
			results[i] = s.do(ctx, func(t *tx) error {
				ran[i]++
				if _, err := t.exec(`INSERT INTO notices (inlet, peer, at, what, event) VALUES (?,'',0,'',?)`, fmt.Sprint(i), t.nextEvent()); err != nil {
					return err
				}
				if _, err := t.event(poct.Event{Kind: poct.EventInlet, Outlet: fmt.Sprint(i)}, nil); err != nil {
					return err
				}
				switch i % 5 {
				case 1:
					return refused
				case 2:
					panic("a slip")
				}
				return nil
			})
		})
	}
	for len(s.queue) < len(results) {
		runtime.Gosched() // until all have queued
	}
	close(leave)
	wg.Wait()
	events, err := s.Events(ctx, 0, 100)
	require.NoError(t, err)
	var kept []string
	for i, e := range events {
		assert.EqualValues(t, i, e.Index)
		kept = append(kept, e.Outlet)
	}
	assert.Len(t, kept, 1+12)
	for i, err := range results {
		switch i % 5 {
		case 1:
			assert.ErrorIs(t, err, refused)
			assert.NotContains(t, kept, fmt.Sprint(i))
		case 2:
			assert.ErrorContains(t, err, "a slip")
		default:
			assert.NoError(t, err)
			assert.Contains(t, kept, fmt.Sprint(i))
		}
		assert.LessOrEqual(t, ran[i], 2)
	}
	verifies(t, s)
}

func verifies(t *testing.T, s *Store) {
	t.Helper()
	v, err := s.Verify(ctx, "", nil)
	require.NoError(t, err)
	assert.True(t, v.Verified, "%+v", v.Faults)
}

func TestContextEndsWaitingOpsOnly(t *testing.T) {
	s := openIn(t, t.TempDir(), Options{})
	entered, leave := make(chan struct{}), make(chan struct{})
	var once sync.Once
	s.hook = func(point string) {
		if point == "store.inserted" {
			once.Do(func() { close(entered); <-leave })
		}
	}
	first, second := make(chan error, 1), make(chan error, 1)
	running, cancelRunning := context.WithCancel(ctx)
	queued, cancelQueued := context.WithCancel(ctx)
	go func() { _, err := s.Accept(running, arrival("one")); first <- err }()
	<-entered
	go func() { _, err := s.Accept(queued, arrival("two")); second <- err }()
	for len(s.queue) < 1 {
		runtime.Gosched()
	}
	cancelQueued()
	assert.ErrorIs(t, <-second, context.Canceled)
	cancelRunning()
	close(leave)
	assert.NoError(t, <-first, "one that has begun is waited for")
	a, err := s.Account(ctx)
	require.NoError(t, err)
	assert.EqualValues(t, 1, a.Arrivals)
}

func TestClosed(t *testing.T) {
	s := openIn(t, t.TempDir(), Options{})
	require.NoError(t, s.Close())
	require.NoError(t, s.Close(), "twice is safe")
	_, err := s.Accept(ctx, arrival("one"))
	assert.ErrorIs(t, err, poct.ErrStoreDown)
}
