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

// ReceivedSince counts the arrivals received since a time.
func (s *Store) ReceivedSince(ctx context.Context, since time.Time) (n int, err error) {
	if err = s.read.with(ctx).row(`SELECT count(*) FROM arrivals WHERE seq >= ?`, frontOf(since)).Scan(&n); err != nil {
		err = fmt.Errorf("count arrivals: %w", err)
	}
	return n, err
}

// Rehearse goes through the arrivals received since a time, in the order in
// which they were judged first, each with the registry and the results of that
// moment; what still waits is left out. Whose results they were is taken as
// known today: a result that was moved to another patient later counts as that
// patient's from its beginning. It only reads, and ends with each's first
// failure.
func (s *Store) Rehearse(ctx context.Context, since time.Time, each func(Then) error) error {
	q := s.read.with(ctx)
	var after int64
	err := q.row(`SELECT event FROM arrivals WHERE seq >= ? ORDER BY seq LIMIT 1`, frontOf(since)).Scan(&after)
	if isNone(err) {
		return nil
	}
	if err != nil {
		return fmt.Errorf("read arrivals to judge again: %w", err)
	}
	past := &pastRegistry{q: q}
	if err := past.load(after); err != nil {
		return err
	}
	type judged struct {
		event, at int64
		arrival   string
	}
	seen := map[int64]bool{} // an arrival that was read again later was judged first before
	for {
		batch, err := collect(q, func(rows rowSet) (j judged, err error) {
			err = rows.Scan(&j.event, &j.at, &j.arrival)
			return j, err
		}, `SELECT idx, at, arrival FROM events WHERE idx > ? AND kind = 'read' ORDER BY idx LIMIT 512`, after)
		if err != nil {
			return fmt.Errorf("read arrivals to judge again: %w", err)
		}
		if len(batch) == 0 {
			return nil
		}
		for _, j := range batch {
			after = j.event
			seq := seqOf(j.arrival)
			if err := ctx.Err(); err != nil {
				return err
			}
			if seq < frontOf(since) || seen[seq] {
				continue
			}
			seen[seq] = true
			then, err := s.then(past, seq, j.event, j.at)
			if err != nil {
				return err
			}
			if err := each(then); err != nil {
				return err
			}
		}
	}
}

// then puts together what was known of an arrival at the event that began its
// judgement.
func (s *Store) then(past *pastRegistry, arrival, event, at int64) (t Then, err error) {
	t.At = fromMicros(at)
	if t.Arrival, _, err = s.arrival(past.q, arrival); err != nil {
		return t, err
	}
	if t.Readings, err = s.firstVerdicts(past.q, arrival); err != nil {
		return t, err
	}
	reg, err := past.snapshot(event)
	if err != nil {
		return t, err
	}
	before, err := past.written(event)
	if err != nil {
		return t, err
	}
	t.Book = &pastBook{book: book{q: past.q, reg: reg, versions: s.versions, contacts: &s.contacts}, registry: past,
		event: event, at: at, before: before}
	return t, nil
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
