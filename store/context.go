package store

import (
	"fmt"
	"slices"

	"tidegate/poct"
)

// contextCodes are the problems that news of a patient, visit or order may
// change.
var contextCodes = []string{"patient-unknown", "patient-ambiguous", "second-identifier-conflict", "patient-not-present", "order-missing", "look-up-failed"}

// contextTold carries out what a message about patients, visits or orders
// changes, and has the holds of those it tells of judged again. What stands in
// a record already is not touched: a merge there is the record system's.
func (w *work) contextTold(o *poct.Outcome, k kept) error {
	if o.Verdict != poct.File || o.Result.Reading.Kind != poct.KindContext {
		return nil
	}
	flat, err := flatten(o.Registry)
	if err != nil {
		return err
	}
	if _, _, err := w.upsert(poct.Event{Actor: w.actor, Arrival: w.arrival.ID, Result: k.id, Version: k.version}, flat); err != nil {
		return err
	}
	for _, ref := range o.Touched {
		if err := w.askAbout(ref, k.seq); err != nil {
			return err
		}
	}
	return nil
}

// askAbout queues the open holds of a patient that news of them may change.
func (w *work) askAbout(ref poct.PatientRef, cause int64) error {
	type open struct {
		hold     int64
		problems string
	}
	found, err := collect(w.tx, func(rows rowSet) (h open, err error) {
		err = rows.Scan(&h.hold, &h.problems)
		return h, err
	}, `SELECT h.seq, h.problems FROM results r JOIN holds h ON h.result = r.seq AND h.open = 1 AND h.delivery = 0
		WHERE r.patient = ?1 AND r.patient <> '' AND r.authority IN (?2, '') AND r.state = 'held' AND r.kind IN ('patient', 'comparison')
		ORDER BY h.seq`, ref.ID, ref.Authority)
	if err != nil {
		return fmt.Errorf("read holds: %w", err)
	}
	for _, h := range found {
		problems, err := decode[[]poct.Problem](h.problems)
		if err != nil {
			return fmt.Errorf("read problems: %w", err)
		}
		if !slices.ContainsFunc(problems, func(p poct.Problem) bool { return slices.Contains(contextCodes, p.Code) }) {
			continue
		}
		if err := w.queue(h.hold, cause); err != nil {
			return err
		}
	}
	return nil
}
