package store

import (
	"context"
	"fmt"

	"tidegate/poct"
)

// Believed lists rows of one kind by their identity with since when they are
// believed and by whom, at most limit (100 if it is 0), those after a key that
// an earlier call returned. next is "" at the end.
func (s *Store) Believed(ctx context.Context, kind poct.RegistryKind, after string, limit int) (rows []poct.Believed, next string, err error) {
	if limit <= 0 {
		limit = 100
	}
	rows, err = collect(s.read.with(ctx), scanBelieved, `SELECT r.kind, r.key, r.row, e.idx, e.at, e.actor,
			(SELECT count(*) FROM registry_history h WHERE h.kind = r.kind AND h.key = r.key)
		FROM registry r JOIN events e ON e.idx = (SELECT max(h.event) FROM registry_history h WHERE h.kind = r.kind AND h.key = r.key)
		WHERE r.kind = ? AND r.key > ? ORDER BY r.key LIMIT ?`, string(kind), after, limit+1)
	if err != nil {
		return nil, "", fmt.Errorf("list registry: %w", err)
	}
	if len(rows) > limit {
		rows = rows[:limit]
		next = rows[limit-1].Key
	}
	return rows, next, nil
}

// History lists what was believed of one row, newest first, at most limit. No
// row of this key is poct.ErrNotFound.
func (s *Store) History(ctx context.Context, kind poct.RegistryKind, key string, limit int) ([]poct.Believed, error) {
	rows, err := collect(s.read.with(ctx), scanBelieved, `SELECT h.kind, h.key, h.row, e.idx, e.at, e.actor, 1
		FROM registry_history h JOIN events e ON e.idx = h.event
		WHERE h.kind = ? AND h.key = ? ORDER BY h.event DESC LIMIT ?`, string(kind), key, limit)
	if err != nil {
		return nil, fmt.Errorf("read registry history: %w", err)
	}
	if len(rows) == 0 {
		return nil, fmt.Errorf("registry row of %s: %w", kind, poct.ErrNotFound)
	}
	return rows, nil
}

// RegistryCounts is the number of rows of each kind; kinds without one are left out.
func (s *Store) RegistryCounts(ctx context.Context) (map[poct.RegistryKind]int, error) {
	type count struct {
		kind poct.RegistryKind
		n    int
	}
	all, err := collect(s.read.with(ctx), func(rows rowSet) (c count, err error) {
		return c, rows.Scan(&c.kind, &c.n)
	}, `SELECT kind, count(*) FROM registry GROUP BY kind`)
	if err != nil {
		return nil, fmt.Errorf("count registry: %w", err)
	}
	out := map[poct.RegistryKind]int{}
	for _, c := range all {
		out[c.kind] = c.n
	}
	return out, nil
}

func scanBelieved(rows rowSet) (poct.Believed, error) {
	var b poct.Believed
	var at int64
	var row string
	err := rows.Scan(&b.Kind, &b.Key, &row, &b.Event, &at, &b.By, &b.Times)
	b.Row, b.Since = []byte(row), fromMicros(at)
	return b, err
}

// lookedBack bounds how far a list of one inlet's arrivals, or of one person's
// looks, searches at once: neither has an index of its own, since accepting
// and looking would pay for it each time.
const lookedBack = 20_000

// CameIn lists the newest arrivals of an inlet, newest first, at most limit;
// only the newest 20,000 arrivals of all inlets are searched.
func (s *Store) CameIn(ctx context.Context, inlet string, limit int) ([]poct.Came, error) {
	type row struct {
		seq int64
		poct.Came
	}
	q := s.read.with(ctx)
	found, err := collect(q, func(rows rowSet) (r row, err error) {
		var at int64
		err = rows.Scan(&r.seq, &r.ID, &at, &r.Format)
		r.Received = fromMicros(at)
		return r, err
	}, `SELECT seq, id, received, format FROM (SELECT seq, id, received, format, inlet FROM arrivals ORDER BY seq DESC LIMIT ?)
		WHERE inlet = ? ORDER BY seq DESC LIMIT ?`, lookedBack, inlet, limit)
	if err != nil {
		return nil, fmt.Errorf("list arrivals of inlet %s: %w", inlet, err)
	}
	out := make([]poct.Came, len(found))
	for i, r := range found {
		a, _, err := s.arrival(q, r.seq)
		if err != nil {
			return nil, err
		}
		if r.State, err = arrivalEnd(q, r.seq); err != nil {
			return nil, err
		}
		r.Bytes = len(a.Raw)
		out[i] = r.Came
	}
	return out, nil
}

// Looks lists looks at patients' data, newest first: those of one person, or
// of all ("" ), at one result or arrival, or at any (""), with an index below
// before (0: from the newest). It searches 20,000 events at once; next is where
// to go on, 0 when the first event was reached.
func (s *Store) Looks(ctx context.Context, actor, about string, before int64, limit int) (looks []poct.Event, next int64, err error) {
	if size := s.tree.Load().Size(); before <= 0 || before > size {
		before = size
	}
	low := max(0, before-lookedBack)
	looks, err = selectEvents(s.read.with(ctx), `WHERE idx >= ? AND idx < ? AND kind IN (?, ?) AND (? = '' OR actor = ?) AND (? = '' OR result = ? OR arrival = ? OR hold = ?)
		ORDER BY idx DESC LIMIT ?`, low, before, string(poct.EventLooked), string(poct.EventExported), actor, actor, about, about, about, about, limit)
	if err != nil {
		return nil, 0, err
	}
	if len(looks) == limit {
		low = looks[limit-1].Index
	}
	return looks, low, nil
}
