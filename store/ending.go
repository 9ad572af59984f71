package store

import (
	"database/sql"
	"fmt"

	"tidegate/poct"
)

// reading ends a reading of the arrival at a version. When a reviewer settles
// a hold its readings exist and have followed already; what the bytes turned
// out to hold besides is new.
func (w *work) reading(o *poct.Outcome, result int64, version int, state poct.State) error {
	idx := o.Result.Reading.Index
	if w.settling != nil {
		old, err := collect(w.tx, scanReading, readingColumns+`WHERE arrival = ? ORDER BY idx`, w.seq)
		if err != nil {
			return fmt.Errorf("read readings: %w", err)
		}
		var before []poct.State
		for _, r := range old {
			if r.idx == idx {
				return nil
			}
			before = append(before, r.ending)
		}
		w.count(countArrivals+string(first(before)), -1)
		w.count(countArrivals+string(first(append(before, state))), 1)
	}
	_, err := w.exec(`INSERT INTO readings (arrival, idx, result, version, ending, control) VALUES (?,?,?,?,?,?)`,
		w.seq, idx, result, version, string(state), w.arrival.ControlID)
	if err != nil {
		return fmt.Errorf("write reading: %w", err)
	}
	w.count(countReadings+string(state), 1)
	return nil
}

// turn says which readings of a result get another ending.
type turn struct {
	result    int64
	version   int // 0: of any version
	from      poct.State
	toResult  int64
	toVersion int
	to        poct.State
}

// turn gives readings another ending and keeps the sums of readings and
// arrivals in step.
func (t *tx) turn(c turn) error {
	type turned struct {
		arrival  int64
		idx      int
		siblings int
	}
	changed, err := collect(t, func(rows *sql.Rows) (turned, error) {
		var r turned
		err := rows.Scan(&r.arrival, &r.idx, &r.siblings)
		return r, err
	}, `UPDATE readings SET result = ?1, version = ?2, ending = ?3 WHERE result = ?4 AND (?5 = 0 OR version = ?5) AND ending = ?6
		RETURNING arrival, idx, (SELECT count(*) FROM readings s WHERE s.arrival = readings.arrival)`,
		c.toResult, c.toVersion, string(c.to), c.result, c.version, string(c.from))
	if err != nil {
		return fmt.Errorf("turn readings: %w", err)
	}
	if c.from == c.to {
		return nil
	}
	turnedIn := map[int64]map[int]bool{}
	for _, r := range changed {
		t.count(countReadings+string(c.from), -1)
		t.count(countReadings+string(c.to), 1)
		switch {
		case r.arrival == t.deciding:
		case r.siblings == 1:
			t.count(countArrivals+string(c.from), -1)
			t.count(countArrivals+string(c.to), 1)
		default:
			if turnedIn[r.arrival] == nil {
				turnedIn[r.arrival] = map[int]bool{}
			}
			turnedIn[r.arrival][r.idx] = true
		}
	}
	for arrival, idxs := range turnedIn {
		now, err := collect(t, scanReading, readingColumns+`WHERE arrival = ? ORDER BY idx`, arrival)
		if err != nil {
			return fmt.Errorf("read readings: %w", err)
		}
		var before, after []poct.State
		for _, r := range now {
			after = append(after, r.ending)
			if idxs[r.idx] {
				r.ending = c.from
			}
			before = append(before, r.ending)
		}
		t.count(countArrivals+string(first(before)), -1)
		t.count(countArrivals+string(first(after)), 1)
	}
	return nil
}
