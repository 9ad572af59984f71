package store

import (
	"context"
	"database/sql"
	"embed"
	"errors"
	"fmt"
	"io/fs"
	"net/url"
	"os"
	"strings"
	"sync"
	"time"

	"modernc.org/sqlite"

	"tidegate/fault"
)

// Sizes of the database's caches: a checkpoint about every 8,000 pages of log
// (32 MB), 8 MB of pages per connection.
const (
	readers = 4
	pragmas = "journal_mode(WAL) synchronous(FULL) foreign_keys(ON) busy_timeout(5000) " +
		"cache_size(-8000) wal_autocheckpoint(8000) temp_store(MEMORY)"
)

// Result codes of SQLite that mean something to the store.
const (
	codeBusy       = 5
	codeFull       = 13
	codeConstraint = 19
)

// Driver names the database/sql driver that opens the database. It must take
// SQLite's "file:" names with _pragma parameters. The zero value is the
// built-in driver.
type Driver struct {
	Name  string // as registered with database/sql
	Query string // further parameters of the name, such as "vfs=faulty"; they come last
	// Code is the result code of SQLite within an error of the driver, basic
	// or extended, 0 if there is none.
	Code func(error) int
}

var settings sync.Once

// access is what a connection may do.
type access string

const (
	toWrite access = ""
	toRead  access = "_pragma=query_only(ON)"
	toLook  access = "mode=ro&_pragma=query_only(ON)" // nor copy the log into the database when it closes
)

func (d Driver) open(path string, may access) (*sql.DB, error) {
	name := d.Name
	if name == "" {
		name = "sqlite"
		settings.Do(func() {
			// Locks that another open and close of the file in this process
			// cannot take away, and syncs without the file's timestamps. Both
			// are as safe without; a program that opened a database before us
			// keeps its kind of lock.
			_, _ = sqlite.OFDLocking(true)
			_, _ = sqlite.Fdatasync(true)
		})
	}
	var query []string
	for _, p := range strings.Fields(pragmas) {
		query = append(query, "_pragma="+url.QueryEscape(p))
	}
	if may != toWrite {
		query = append(query, string(may))
	}
	if d.Query != "" {
		query = append(query, d.Query)
	}
	u := url.URL{Scheme: "file", Opaque: (&url.URL{Path: path}).EscapedPath(), RawQuery: strings.Join(query, "&")}
	return sql.Open(name, u.String())
}

// code is the basic result code in an error, 0 if the database gave none.
func (d Driver) code(err error) int {
	if d.Code != nil {
		return d.Code(err) & 0xff
	}
	var e *sqlite.Error
	if errors.As(err, &e) {
		return e.Code() & 0xff
	}
	return 0
}

//go:embed migration/*.sql
var migrations embed.FS

// migrate applies the migrations not yet applied, in the order of their names,
// each in a transaction of its own that also records its name.
func migrate(ctx context.Context, conn *sql.Conn, now time.Time) error {
	if _, err := conn.ExecContext(ctx, `CREATE TABLE IF NOT EXISTS migrations (name TEXT PRIMARY KEY, at INTEGER NOT NULL)`); err != nil {
		return fmt.Errorf("prepare migrations: %w", err)
	}
	names, err := fs.Glob(migrations, "migration/*.sql")
	if err != nil {
		return fmt.Errorf("list migrations: %w", err)
	}
	for _, name := range names {
		var applied int
		if err := conn.QueryRowContext(ctx, `SELECT count(*) FROM migrations WHERE name = ?`, name).Scan(&applied); err != nil {
			return fmt.Errorf("read migrations: %w", err)
		}
		if applied > 0 {
			continue
		}
		text, err := migrations.ReadFile(name)
		if err != nil {
			return fmt.Errorf("read migration %s: %w", name, err)
		}
		tx, err := conn.BeginTx(ctx, nil)
		if err != nil {
			return fmt.Errorf("begin migration %s: %w", name, err)
		}
		_, err = tx.ExecContext(ctx, string(text))
		if err == nil {
			_, err = tx.ExecContext(ctx, `INSERT INTO migrations VALUES (?, ?)`, name, micros(now))
		}
		if err != nil {
			return errors.Join(fmt.Errorf("migration %s: %w", name, err), tx.Rollback())
		}
		if err := tx.Commit(); err != nil {
			return fmt.Errorf("commit migration %s: %w", name, err)
		}
	}
	return nil
}

// querier reads, within a transaction or from the pool. Its statements are
// prepared once per text, so texts are constants.
type querier interface {
	row(query string, args ...any) rowOne
	rows(query string, args ...any) (rowSet, error)
}

// pool is the connections for reading.
type pool struct {
	db    *sql.DB
	mu    sync.RWMutex
	stmts map[string]*sql.Stmt
}

// pooled reads from the pool under one context.
type pooled struct {
	*pool
	ctx context.Context
}

func (p *pool) with(ctx context.Context) querier { return pooled{p, ctx} }

func (p *pool) stmt(query string) (*sql.Stmt, error) {
	p.mu.RLock()
	st := p.stmts[query]
	p.mu.RUnlock()
	if st != nil {
		return st, nil
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	if st := p.stmts[query]; st != nil {
		return st, nil
	}
	st, err := p.db.Prepare(query)
	if err == nil {
		p.stmts[query] = st
	}
	return st, err
}

func (p pooled) row(query string, args ...any) rowOne {
	st, err := p.stmt(query)
	if err != nil {
		return p.db.QueryRowContext(p.ctx, query, args...) // gives the same error
	}
	return st.QueryRowContext(p.ctx, args...)
}

func (p pooled) rows(query string, args ...any) (rowSet, error) {
	st, err := p.stmt(query)
	if err != nil {
		return nil, err
	}
	return st.QueryContext(p.ctx, args...)
}

// collect reads all rows of a query.
func collect[T any](q querier, scan func(rowSet) (T, error), query string, args ...any) ([]T, error) {
	rows, err := q.rows(query, args...)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var out []T
	for rows.Next() {
		v, err := scan(rows)
		if err != nil {
			return nil, err
		}
		out = append(out, v)
	}
	return out, rows.Err()
}

// createPrivate makes the database file with mode 0600 before the database
// does: its log and shared memory take over the mode.
func createPrivate(path string) error {
	f, err := os.OpenFile(path, os.O_CREATE|os.O_RDWR, 0o600)
	if err != nil {
		return fmt.Errorf("make database file: %w", err)
	}
	return f.Close()
}

// syncDir makes the entries of a folder durable.
func syncDir(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return fmt.Errorf("open folder to sync: %w", err)
	}
	if err := d.Sync(); err != nil {
		return errors.Join(fmt.Errorf("sync folder: %w", err), d.Close())
	}
	return d.Close()
}

func pass(point string) { fault.Point(point) }
