package store

import (
	"fmt"

	"tidegate/poct"
)

// reading ends a reading of the arrival at a version. When a reviewer settles
// a hold its readings exist and have followed already; what the bytes turned
// out to hold besides is new.
func (w *work) reading(o *poct.Outcome, result int64, version int, state poct.State) error {
	if w.amends {
		return nil
	}
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
		w.count(arrivalsIn(first(before)), -1)
		w.count(arrivalsIn(first(append(before, state))), 1)
	}
	_, err := w.exec(`INSERT INTO readings (arrival, idx, result, version, ending, control) VALUES (?,?,?,?,?,?)`,
		w.seq, idx, result, version, string(state), w.arrival.ControlID)
	if err != nil {
		return fmt.Errorf("write reading: %w", err)
	}
	w.count(readingsIn(state), 1)
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
	type one struct {
		reading
		siblings int
	}
	all, err := collect(t, func(rows rowSet) (one, error) {
		var r one
		err := rows.Scan(&r.arrival, &r.idx, &r.version, &r.ending, &r.siblings)
		return r, err
	}, `SELECT r.arrival, r.idx, r.version, r.ending, (SELECT count(*) FROM readings s WHERE s.arrival = r.arrival)
		FROM readings r WHERE r.result = ?`, c.result)
	if err != nil {
		return fmt.Errorf("read readings: %w", err)
	}
	for _, r := range all {
		if r.ending != c.from || c.version != 0 && r.version != c.version {
			continue
		}
		before, after := c.from, c.to
		if r.siblings > 1 {
			if before, err = arrivalEnd(t, r.arrival); err != nil {
				return err
			}
		}
		if _, err := t.exec(`UPDATE readings SET result = ?, version = ?, ending = ? WHERE arrival = ? AND idx = ?`,
			c.toResult, c.toVersion, string(c.to), r.arrival, r.idx); err != nil {
			return fmt.Errorf("turn reading: %w", err)
		}
		t.count(readingsIn(c.from), -1)
		t.count(readingsIn(c.to), 1)
		if r.arrival == t.deciding {
			continue
		}
		if r.siblings > 1 {
			if after, err = arrivalEnd(t, r.arrival); err != nil {
				return err
			}
		}
		t.count(arrivalsIn(before), -1)
		t.count(arrivalsIn(after), 1)
	}
	return nil
}
