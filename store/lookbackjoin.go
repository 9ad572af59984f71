package store

import (
	"fmt"

	"tidegate/poct"
)

// join puts a released result on every look-back into whose span it falls: it
// came late, or was released in spite of the failure. Where a control failed
// after its test and no look-back was opened, since nothing else was in doubt,
// it opens one.
func (w *work) join(r *poct.Result, k kept) error {
	meter, lot, at := r.Reading.Meter, r.Reading.StripLot, micros(r.Reading.Tested())
	if meter == "" || at == 0 {
		return nil
	}
	if known, _, _ := w.book().StripLot(lot); known.Recalled {
		if err := w.joinRecall(lot, k, at); err != nil {
			return err
		}
	}
	var listed, failed bool
	if err := w.row(`SELECT EXISTS (SELECT 1 FROM lookbacks WHERE strip_lot = ?1 AND meter = ?2),
		EXISTS (SELECT 1 FROM results WHERE meter = ?2 AND kind = 'control' AND state = 'filed' AND qc = 0 AND tested >= ?3)`,
		lot, meter, at).Scan(&listed, &failed); err != nil {
		return fmt.Errorf("read look-backs: %w", err)
	}
	if failed {
		if err := w.joinLater(meter, lot, at); err != nil {
			return err
		}
	}
	if !listed {
		return nil
	}
	found, err := collect(w.tx, scanLookback, lookbackColumns+`WHERE b.strip_lot = ? AND b.meter = ? AND b.since <= ?`, lot, meter, at)
	if err != nil {
		return fmt.Errorf("read look-backs: %w", err)
	}
	uncleared, err := w.uncleared(meter, lot, at)
	if err != nil {
		return err
	}
	for _, b := range found {
		if b.ran < at && !uncleared[b.control] {
			continue
		}
		if err := w.joinOne(&b, k, at); err != nil {
			return err
		}
	}
	return nil
}

// joinRecall lists a result that goes out in spite of its lot's recall.
func (w *work) joinRecall(lot string, k kept, at int64) error {
	b, err := w.recallOf(lot)
	if err != nil {
		return err
	}
	return w.joinOne(&b, k, at)
}

// joinOne lists one result, unless it is listed already.
func (w *work) joinOne(b *lookback, k kept, at int64) error {
	var there bool
	if err := w.row(`SELECT EXISTS (SELECT 1 FROM lookback_items i JOIN lookbacks b ON b.seq = i.lookback WHERE i.result = ?1
		AND (b.seq = ?2 OR i.judged = '' AND b.kind = 'failed-control' AND ?3 = b.kind))`, k.seq, b.seq, string(b.kind)).Scan(&there); err != nil {
		return fmt.Errorf("read look-back: %w", err)
	}
	if there {
		return nil
	}
	return w.doubt(b, []doubtfulResult{{k.seq, k.id, k.version, at}})
}

// joinLater takes up the controls that failed after a test although their level
// had not passed between.
func (w *work) joinLater(meter, lot string, at int64) error {
	var failures []run
	passed := map[string]bool{}
	if err := eachRun(w, runsAfter, meter, at, 0, func(c run) bool {
		switch {
		case c.lot != lot:
		case c.passed:
			passed[c.level] = true
		case !passed[c.level]:
			failures = append(failures, c)
		}
		return len(passed) >= levels
	}); err != nil {
		return err
	}
	for _, c := range failures {
		if err := w.failed(meter, c); err != nil {
			return err
		}
	}
	return nil
}

// uncleared lists the failed controls before a test after which both levels had
// not passed when it was run.
func (t *tx) uncleared(meter, lot string, at int64) (map[int64]bool, error) {
	failures, since := map[int64]bool{}, map[string]bool{}
	err := eachRun(t, runsBefore, meter, at, 0, func(c run) bool {
		switch {
		case c.lot != lot:
		case c.passed:
			since[c.level] = true
		default:
			failures[c.seq] = true
		}
		return len(since) >= levels
	})
	return failures, err
}
