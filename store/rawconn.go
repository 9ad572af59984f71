package store

import (
	"context"
	"database/sql"
	"database/sql/driver"
	"errors"
	"fmt"
	"io"
	"reflect"
)

// rowSet is rows being read; *sql.Rows is one.
type rowSet interface {
	Next() bool
	Scan(into ...any) error
	Err() error
	Close() error
}

// rowOne is a row to be read, or the reason why there is none; *sql.Row is one.
type rowOne interface{ Scan(into ...any) error }

// rawConn is the writing connection, spoken to without the pool around it:
// the writer is one goroutine, and half of what a small statement costs would
// be the pool's care for many. Statements are prepared once per text.
type rawConn struct {
	conn  driver.ConnPrepareContext
	stmts map[string]rawStmt
	args  []driver.NamedValue // of the statement being run
}

type rawStmt struct {
	driver.Stmt
	exec  driver.StmtExecContext
	query driver.StmtQueryContext
}

var errDriver = errors.New("the database driver does not offer contexts")

func newRawConn(conn any) (*rawConn, error) {
	c, ok := conn.(driver.ConnPrepareContext)
	if !ok {
		return nil, errDriver
	}
	return &rawConn{conn: c, stmts: map[string]rawStmt{}}, nil
}

func (c *rawConn) close() error {
	var errs []error
	for _, st := range c.stmts {
		errs = append(errs, st.Close())
	}
	clear(c.stmts)
	return errors.Join(errs...)
}

func (c *rawConn) stmt(query string) (rawStmt, error) {
	if st, ok := c.stmts[query]; ok {
		return st, nil
	}
	prepared, err := c.conn.PrepareContext(context.Background(), query)
	if err != nil {
		return rawStmt{}, err
	}
	st := rawStmt{Stmt: prepared}
	var ok1, ok2 bool
	st.exec, ok1 = prepared.(driver.StmtExecContext)
	st.query, ok2 = prepared.(driver.StmtQueryContext)
	if !ok1 || !ok2 {
		return rawStmt{}, errors.Join(errDriver, prepared.Close())
	}
	c.stmts[query] = st
	return st, nil
}

// bind puts arguments into the form of a driver.
func (c *rawConn) bind(args []any) []driver.NamedValue {
	c.args = c.args[:0]
	for i, a := range args {
		switch v := a.(type) {
		case int:
			a = int64(v)
		case nil, int64, string, []byte, bool:
		default:
			panic(fmt.Sprintf("statement argument of type %T", a)) // a slip of ours: every test would show it
		}
		c.args = append(c.args, driver.NamedValue{Ordinal: i + 1, Value: a})
	}
	return c.args
}

func (c *rawConn) run(query string, args ...any) (int64, error) {
	st, err := c.stmt(query)
	if err != nil {
		return 0, err
	}
	r, err := st.exec.ExecContext(context.Background(), c.bind(args))
	if err != nil {
		return 0, err
	}
	return r.RowsAffected()
}

func (c *rawConn) rows(query string, args ...any) (rowSet, error) {
	st, err := c.stmt(query)
	if err != nil {
		return nil, err
	}
	r, err := st.query.QueryContext(context.Background(), c.bind(args))
	if err != nil {
		return nil, err
	}
	return &rawRows{rows: r, values: make([]driver.Value, len(r.Columns()))}, nil
}

func (c *rawConn) row(query string, args ...any) rowOne {
	rows, err := c.rows(query, args...)
	return rawRow{rows, err}
}

type rawRow struct {
	rows rowSet
	err  error
}

func (r rawRow) Scan(into ...any) error {
	if r.err != nil {
		return r.err
	}
	if !r.rows.Next() {
		return errors.Join(firstOf(r.rows.Err(), sql.ErrNoRows), r.rows.Close())
	}
	err := r.rows.Scan(into...)
	for r.rows.Next() { // to its end: what a statement changes, it changes whole
	}
	return errors.Join(err, r.rows.Err(), r.rows.Close())
}

func firstOf(errs ...error) error {
	for _, err := range errs {
		if err != nil {
			return err
		}
	}
	return nil
}

type rawRows struct {
	rows   driver.Rows
	values []driver.Value
	err    error
}

func (r *rawRows) Next() bool {
	if r.err == nil {
		r.err = r.rows.Next(r.values)
	}
	return r.err == nil
}

func (r *rawRows) Err() error {
	if errors.Is(r.err, io.EOF) {
		return nil
	}
	return r.err
}

func (r *rawRows) Close() error { return r.rows.Close() }

func (r *rawRows) Scan(into ...any) error {
	if len(into) != len(r.values) {
		return fmt.Errorf("%d columns into %d places", len(r.values), len(into))
	}
	for i, to := range into {
		if err := assign(to, r.values[i]); err != nil {
			return fmt.Errorf("column %d: %w", i, err)
		}
	}
	return nil
}

// assign stores a value of the database where a Go value is wanted.
func assign(to any, v driver.Value) error {
	switch to := to.(type) {
	case sql.Scanner:
		return to.Scan(v)
	case *int64:
		if n, ok := v.(int64); ok {
			*to = n
			return nil
		}
	case *int:
		if n, ok := v.(int64); ok {
			*to = int(n)
			return nil
		}
	case *bool:
		switch n := v.(type) {
		case int64:
			*to = n != 0
			return nil
		case bool:
			*to = n
			return nil
		}
	case *string:
		switch s := v.(type) {
		case string:
			*to = s
			return nil
		case []byte:
			*to = string(s)
			return nil
		}
	case *[]byte:
		return assignBytes(to, v, true)
	case *sql.RawBytes:
		return assignBytes((*[]byte)(to), v, false)
	default:
		if s, ok := v.(string); ok && reflect.TypeOf(to).Elem().Kind() == reflect.String {
			reflect.ValueOf(to).Elem().SetString(s)
			return nil
		}
	}
	return fmt.Errorf("a %T does not fit a %T", v, to)
}

// assignBytes takes bytes, as a copy if they are to be kept.
func assignBytes(to *[]byte, v driver.Value, keep bool) error {
	switch b := v.(type) {
	case nil:
		*to = nil
	case string:
		*to = []byte(b)
	case []byte:
		if keep {
			b = append([]byte{}, b...)
		}
		*to = b
	default:
		return fmt.Errorf("a %T does not fit bytes", v)
	}
	return nil
}
