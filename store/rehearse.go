package store

import (
	"context"
	"fmt"
	"time"

	"tidegate/poct"
)

// Then is an arrival as it was judged first, with what was known then.
type Then struct {
	Arrival  poct.Arrival
	At       time.Time // of the judgement
	Book     poct.Book // as of that moment
	Readings []FirstVerdict
}

// FirstVerdict is what one reading got when its arrival was judged first.
type FirstVerdict struct {
	Index    int
	Result   string // the result it led to, "" if none
	Verdict  poct.Verdict
	Rule     string
	Problems []poct.Problem
}

// judgedSince picks each arrival with the event that began its judgement.
const judgedSince = `FROM arrivals a JOIN events e ON e.arrival = a.id AND e.result = '' AND e.arrival <> '' AND e.kind = 'read'
	WHERE a.received >= ? AND e.idx = (SELECT min(idx) FROM events WHERE arrival = a.id AND result = '' AND arrival <> '' AND kind = 'read')`

// JudgedSince counts the arrivals that Rehearse goes through.
func (s *Store) JudgedSince(ctx context.Context, since time.Time) (n int, err error) {
	if err = s.read.with(ctx).row(`SELECT count(*) `+judgedSince, micros(since)).Scan(&n); err != nil {
		err = fmt.Errorf("count arrivals: %w", err)
	}
	return n, err
}

// Rehearse goes through the arrivals received since a time, in the order in
// which they were judged first, each with the registry and the results of that
// moment. Whose results they were is taken as known today: a result that was
// moved to another patient later counts as that patient's from its beginning.
// It reads only, in pieces, and ends with the first failure of each.
func (s *Store) Rehearse(ctx context.Context, since time.Time, each func(Then) error) error {
	q := s.read.with(ctx)
	var past *pastRegistry
	type judged struct{ seq, event, at int64 }
	after := int64(-1)
	for {
		batch, err := collect(q, func(rows rowSet) (j judged, err error) {
			err = rows.Scan(&j.seq, &j.event, &j.at)
			return j, err
		}, `SELECT a.seq, e.idx, e.at `+judgedSince+` AND e.idx > ? ORDER BY e.idx LIMIT 512`, micros(since), after)
		if err != nil {
			return fmt.Errorf("read arrivals to judge again: %w", err)
		}
		if len(batch) == 0 {
			return nil
		}
		for _, j := range batch {
			after = j.event
			if err := ctx.Err(); err != nil {
				return err
			}
			then := Then{At: fromMicros(j.at)}
			if then.Arrival, _, err = s.arrival(q, j.seq); err != nil {
				return err
			}
			if then.Readings, err = s.firstVerdicts(q, j.seq); err != nil {
				return err
			}
			if past == nil {
				past = &pastRegistry{q: q}
				if err := past.load(j.event); err != nil {
					return err
				}
			}
			reg, err := past.snapshot(j.event)
			if err != nil {
				return err
			}
			then.Book = &pastBook{book: book{q: q, reg: reg, versions: s.versions, contacts: &s.contacts}, registry: past,
				event: j.event, at: j.at, before: frontOf(then.At.Add(time.Minute))}
			if err := each(then); err != nil {
				return err
			}
		}
	}
}

// firstVerdicts are the verdicts on an arrival's readings. What has no version
// of its own ended as a duplicate.
func (s *Store) firstVerdicts(q querier, arrival int64) ([]FirstVerdict, error) {
	out, err := collect(q, func(rows rowSet) (v FirstVerdict, err error) {
		var problems, ending string
		err = rows.Scan(&v.Index, &v.Result, &ending, &v.Verdict, &v.Rule, &problems)
		if err != nil {
			return v, err
		}
		if v.Verdict == "" {
			if v.Verdict = poct.Duplicate; ending == string(poct.Ignored) {
				v.Verdict = poct.Ignore
			}
		}
		v.Problems, err = decode[[]poct.Problem](problems)
		return v, err
	}, `SELECT x.idx, r.id, x.ending, coalesce(v.verdict, ''), coalesce(v.rule, ''), coalesce(v.problems, '')
		FROM readings x JOIN results r ON r.seq = x.result
		LEFT JOIN versions v ON v.result = x.result AND v.version = (SELECT min(version) FROM versions WHERE result = x.result AND arrival = x.arrival)
			AND x.version <> 0
		WHERE x.arrival = ? ORDER BY x.idx`, arrival)
	if err != nil {
		return nil, fmt.Errorf("read first verdicts: %w", err)
	}
	return out, nil
}
