package store

import (
	"context"
	"database/sql"
	"database/sql/driver"
	"errors"
	"fmt"
	"sync"
	"testing"
	"time"

	"modernc.org/sqlite"
)

// failingDriver is the built-in driver with commits that can fail before or
// after they took effect.
type failingDriver struct {
	driver.Driver
	mu     sync.Mutex
	before error // COMMIT gives it without being carried out
	after  error // COMMIT gives it after it was
	full   error // INSERT gives it
}

var failing = &failingDriver{Driver: &sqlite.Driver{}}

func init() { sql.Register("failing", failing) }

// diskError is an error with one of SQLite's result codes.
type diskError int

func (e diskError) Error() string { return fmt.Sprintf("disk error %d", int(e)) }

func (d *failingDriver) set(before, after, full error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.before, d.after, d.full = before, after, full
}

func (d *failingDriver) Open(name string) (driver.Conn, error) {
	c, err := d.Driver.Open(name)
	if err != nil {
		return nil, err
	}
	return failingConn{c.(conn), d}, nil
}

type conn interface {
	driver.Conn
	driver.ConnPrepareContext
	driver.ConnBeginTx
	driver.ExecerContext
	driver.QueryerContext
}

type failingConn struct {
	conn
	d *failingDriver
}

type stmtContext interface {
	driver.Stmt
	driver.StmtExecContext
	driver.StmtQueryContext
}

func (c failingConn) PrepareContext(ctx context.Context, query string) (driver.Stmt, error) {
	st, err := c.conn.PrepareContext(ctx, query)
	if err != nil {
		return nil, err
	}
	return failingStmt{st.(stmtContext), c.d, query}, nil
}

type failingStmt struct {
	stmtContext
	d     *failingDriver
	query string
}

func (s failingStmt) ExecContext(ctx context.Context, args []driver.NamedValue) (driver.Result, error) {
	s.d.mu.Lock()
	before, after, full := s.d.before, s.d.after, s.d.full
	s.d.mu.Unlock()
	if full != nil && len(s.query) > 6 && s.query[:6] == "INSERT" {
		return nil, full
	}
	if s.query != "COMMIT" {
		return s.stmtContext.ExecContext(ctx, args)
	}
	if before != nil {
		return nil, before
	}
	r, err := s.stmtContext.ExecContext(ctx, args)
	if err == nil && after != nil {
		return nil, after
	}
	return r, err
}

func codeOf(err error) int {
	var e diskError
	if errors.As(err, &e) {
		return int(e)
	}
	var real *sqlite.Error
	if errors.As(err, &real) {
		return real.Code()
	}
	return 0
}

// openFailing opens a store whose commits can be made to fail; fatal receives
// what Options.Fatal is told.
func openFailing(t *testing.T, dir string) (s *Store, fatal chan error) {
	t.Helper()
	failing.set(nil, nil, nil)
	fatal = make(chan error, 10)
	s = openIn(t, dir, Options{Driver: Driver{Name: "failing", Code: codeOf}, Fatal: func(err error) { fatal <- err }})
	t.Cleanup(func() { failing.set(nil, nil, nil) })
	return s, fatal
}

func openIn(t testing.TB, dir string, o Options) *Store {
	t.Helper()
	if o.Now == nil {
		o.Now = func() time.Time { return time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC) }
	}
	s, err := Open(dir, o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.Close() })
	return s
}
