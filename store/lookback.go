package store

import (
	"fmt"
	"math"
	"strings"

	"tidegate/ledger"
	"tidegate/poct"
)

// lookback is a list of results in doubt as it stands. Its list is open while
// an item waits to be judged; where its span ends follows from the controls.
type lookback struct {
	seq         int64 // 0: not opened yet
	id          string
	kind        poct.LookBackKind
	site, meter string
	lot         string
	control     int64 // the result that failed
	controlID   string
	ran, since  int64
	late        bool
	why         string
	opened      int64
	event       int64
}

const lookbackColumns = `SELECT b.seq, b.id, b.kind, b.site, b.meter, b.strip_lot, b.control, coalesce(c.id, ''), b.ran, b.since, b.late, b.why,
	b.opened, b.event FROM lookbacks b LEFT JOIN results c ON c.seq = b.control `

func scanLookback(rows rowSet) (lookback, error) {
	var b lookback
	err := rows.Scan(&b.seq, &b.id, &b.kind, &b.site, &b.meter, &b.lot, &b.control, &b.controlID, &b.ran, &b.since, &b.late, &b.why, &b.opened, &b.event)
	return b, err
}

func (b *lookback) digest() string {
	return digestOf([]byte(b.id), []byte(b.kind), []byte(b.site), []byte(b.meter), []byte(b.lot), []byte(b.controlID),
		fmt.Appendf(nil, "%d %d %v", b.ran, b.since, b.late), []byte(b.why))
}

// lookbackMore names the look-back that an event is about.
type lookbackMore struct {
	LookBack string      `json:"look_back"`
	Judged   poct.Judged `json:"judged,omitempty"`
}

// levels is how many levels of control must pass after a failure before a meter
// is good again: 42 CFR 493.1269(b) asks for two.
const levels = 2

// run is a filed, final control of a meter.
type run struct {
	seq, tested int64
	id, site    string
	lot, level  string
	passed      bool
}

func scanRun(rows rowSet) (run, error) {
	var c run
	var chain string
	err := rows.Scan(&c.seq, &c.id, &c.site, &c.tested, &c.lot, &chain, &c.passed)
	_, level, _ := strings.Cut(chain, apart)
	c.level = strings.ToLower(strings.TrimSpace(level))
	return c, err
}

const (
	runColumns = `SELECT seq, id, site, tested, strip_lot, chain, qc FROM results
		WHERE meter = ?1 AND kind = 'control' AND state = 'filed' AND chain <> '' `
	runsBefore = runColumns + `AND (tested, seq) < (?2, ?3) ORDER BY tested DESC, seq DESC`
	runsAfter  = runColumns + `AND (tested, seq) > (?2, ?3) ORDER BY tested, seq`
)

// eachRun goes through controls of a meter, on or back from a place in their
// order, until f has seen enough.
func eachRun(q querier, query, meter string, tested, seq int64, f func(run) (enough bool)) error {
	rows, err := q.rows(query, meter, tested, seq)
	if err != nil {
		return fmt.Errorf("read controls: %w", err)
	}
	defer rows.Close()
	for rows.Next() {
		c, err := scanRun(rows)
		if err != nil {
			return fmt.Errorf("read controls: %w", err)
		}
		if f(c) {
			return nil
		}
	}
	return rows.Err()
}

// lastPass is when the level of a control passed last before it on its meter
// and lot, 0 if it never did.
func (t *tx) lastPass(meter string, c run) (at int64, err error) {
	err = eachRun(t, runsBefore, meter, c.tested, c.seq, func(b run) bool {
		if b.passed && b.lot == c.lot && b.level == c.level {
			at = b.tested
		}
		return at != 0
	})
	return at, err
}

// passedAgain is when both levels had passed after a failure, 0 if they have
// not yet.
func passedAgain(q querier, meter, lot string, ran, control int64) (at int64, err error) {
	seen := map[string]bool{}
	err = eachRun(q, runsAfter, meter, ran, control, func(c run) bool {
		if c.passed && c.lot == lot {
			seen[c.level] = true
		}
		if len(seen) == levels {
			at = c.tested
		}
		return at != 0
	})
	return at, err
}

// lookBack follows up a version: a control that is filed, or a result that goes
// out.
func (w *work) lookBack(o *poct.Outcome, k kept, state poct.State) error {
	switch kind := o.Result.Reading.Kind; {
	case kind == poct.KindControl && state == poct.Filed:
		return w.controlFiled(o, k)
	case kind == poct.KindPatient && state == poct.Delivering && o.Action != poct.Withdraw:
		return w.join(&o.Result, k)
	}
	return nil
}

// controlFiled follows up a control that is filed now: what it may change of
// the holds of its meter is judged again, and a failure opens a look-back.
func (w *work) controlFiled(o *poct.Outcome, k kept) error {
	r := &o.Result.Reading
	tested := micros(r.Tested())
	if r.Meter == "" || tested == 0 {
		return nil
	}
	if err := w.askAgain(r.Meter, tested, k.seq); err != nil {
		return err
	}
	chain := chainOf(r)
	if chain == "" || o.QCPassed {
		return nil
	}
	_, level, _ := strings.Cut(chain, apart)
	return w.failed(r.Meter, run{seq: k.seq, id: k.id, site: o.Result.Site, tested: tested, lot: r.StripLot,
		level: strings.ToLower(strings.TrimSpace(level))})
}

// failed lists what was tested since the last pass of a failed control's level,
// up to when both levels had passed again, and opens the look-back unless
// nothing is found. A control has one; asked again, it takes up what is new.
func (t *tx) failed(meter string, c run) error {
	found, err := collect(t, scanLookback, lookbackColumns+`WHERE b.strip_lot = ? AND b.meter = ? AND b.control = ?`, c.lot, meter, c.seq)
	if err != nil {
		return fmt.Errorf("read look-back: %w", err)
	}
	var b lookback
	if len(found) > 0 {
		b = found[0]
	} else {
		b = lookback{kind: poct.LookBackFailed, site: c.site, meter: meter, lot: c.lot, control: c.seq, controlID: c.id, ran: c.tested,
			why: fmt.Sprintf("Control level %s failed on meter %s.", c.level, meter)}
		if b.since, err = t.lastPass(meter, c); err != nil {
			return err
		}
	}
	until, err := passedAgain(t, meter, c.lot, b.ran, c.seq)
	if err != nil {
		return err
	}
	return t.doubtSpan(&b, b.since, until)
}

// recallIn is the strip lot that a row recalls which was not recalled before.
func recallIn(r rowOf, was string) ([]string, error) {
	now, err := decode[poct.StripLot](r.Row)
	if err != nil || !now.Recalled {
		return nil, err
	}
	before, err := decode[poct.StripLot](was)
	if err != nil || before.Recalled {
		return nil, err
	}
	return []string{now.Lot}, nil
}

// recalled lists every result of a strip lot. A lot has one such list; recalled
// once more, it takes up what is new.
func (t *tx) recalled(lot string) error {
	b, err := t.recallOf(lot)
	if err != nil {
		return err
	}
	return t.doubtSpan(&b, 0, 0)
}

// recallOf is the look-back on a recalled lot, not opened if there is none yet.
func (t *tx) recallOf(lot string) (lookback, error) {
	found, err := collect(t, scanLookback, lookbackColumns+`WHERE b.strip_lot = ? AND b.meter = '' AND b.control = 0`, lot)
	if err != nil {
		return lookback{}, fmt.Errorf("read look-back: %w", err)
	}
	if len(found) > 0 {
		return found[0], nil
	}
	return lookback{kind: poct.LookBackRecalled, lot: lot, why: "Strip lot " + lot + " was recalled."}, nil
}

// inRecord tells that some outlet has a result r, or will: a version was or is
// to be delivered there, and no withdrawal came after it.
const (
	inRecord = `EXISTS (SELECT 1 FROM deliveries d WHERE d.result = r.seq AND ` + isThere + `)`
	isThere  = `d.action <> 'withdraw' AND d.state <> 'cancelled' AND NOT EXISTS (SELECT 1 FROM deliveries x
		WHERE x.result = d.result AND x.outlet = d.outlet AND x.id > d.id AND x.action = 'withdraw' AND x.state IN ('ready', 'delivered'))`
)

// doubtful is a page of the patient results that a look-back ?1 of kind ?2 does
// not list yet, in the order of their tests. One that waits for its judgement
// on another failed control's list is not listed twice.
const (
	doubtful = `SELECT r.seq, r.id, r.version, r.tested FROM results r WHERE r.kind = 'patient' AND r.meter <> ''
		AND (r.tested, r.seq) > (?3, ?4) AND r.tested <= ?5 AND ` + inRecord + `
		AND NOT EXISTS (SELECT 1 FROM lookback_items i JOIN lookbacks b ON b.seq = i.lookback WHERE i.result = r.seq
			AND (b.seq = ?1 OR i.judged = '' AND b.kind = 'failed-control' AND ?2 = b.kind)) `
	doubtfulPage  = ` ORDER BY r.tested, r.seq LIMIT 512`
	doubtfulLot   = doubtful + `AND r.strip_lot = ?6 AND r.strip_lot <> '' AND (?7 = '' OR r.meter = ?7)` + doubtfulPage
	doubtfulMeter = doubtful + `AND r.strip_lot = ?6 AND r.meter = ?7` + doubtfulPage // of profiles that know no lot
)

type doubtfulResult struct {
	seq     int64
	id      string
	version int
	tested  int64
}

func scanDoubtful(rows rowSet) (doubtfulResult, error) {
	var d doubtfulResult
	err := rows.Scan(&d.seq, &d.id, &d.version, &d.tested)
	return d, err
}

// doubtSpan lists what was tested from since until until (0: no end), page by
// page, so that a lot of a hundred thousand results needs no more memory than
// one of ten.
func (t *tx) doubtSpan(b *lookback, since, until int64) error {
	end := until
	if end == 0 {
		end = math.MaxInt64
	}
	query := doubtfulLot
	if b.lot == "" {
		query = doubtfulMeter
	}
	page := func(from, after int64) ([]doubtfulResult, error) {
		found, err := collect(t, scanDoubtful, query, b.seq, string(b.kind), from, after, end, b.lot, b.meter)
		if err != nil {
			return nil, fmt.Errorf("read results in doubt: %w", err)
		}
		return found, nil
	}
	if b.seq == 0 && b.kind == poct.LookBackFailed {
		later, err := page(b.ran+1, 0)
		if err != nil {
			return err
		}
		b.late = len(later) > 0
	}
	for from, after := since, int64(0); ; {
		found, err := page(from, after)
		if err != nil || len(found) == 0 {
			return err
		}
		if err := t.doubt(b, found); err != nil {
			return err
		}
		if err := t.spill(); err != nil {
			return err
		}
		from, after = found[len(found)-1].tested, found[len(found)-1].seq
	}
}

// doubt puts results on a look-back, which it opens if need be. Each gets an
// event of its own, so that its trace shows it.
func (t *tx) doubt(b *lookback, found []doubtfulResult) error {
	if b.seq == 0 {
		if err := t.openLookback(b); err != nil {
			return err
		}
	}
	first := t.nextEvent()
	for _, d := range found {
		if _, err := t.event(poct.Event{Kind: poct.EventDoubted, Result: d.id, Version: d.version},
			&ledger.Payload{Reason: b.why, More: more(lookbackMore{LookBack: b.id})}); err != nil {
			return err
		}
	}
	i := int64(-1)
	err := insertMany(t, `INSERT INTO lookback_items (lookback, result, judged, actor, reason, at, event) VALUES `, ``, 7, found,
		func(args []any, d doubtfulResult) []any {
			i++
			return append(args, b.seq, d.seq, "", "", "", int64(0), first+i)
		})
	if err != nil {
		return fmt.Errorf("list results in doubt: %w", err)
	}
	return nil
}

func (t *tx) openLookback(b *lookback) error {
	b.seq = t.nextSeq()
	b.id, b.opened, b.event = t.newID(b.seq), micros(t.at), t.nextEvent()
	if _, err := t.exec(`INSERT INTO lookbacks (seq, id, kind, site, meter, strip_lot, control, ran, since, late, why, opened, event)
		VALUES (?,?,?,?,?,?,?,?,?,?,?,?,?)`, b.seq, b.id, string(b.kind), b.site, b.meter, b.lot, b.control, b.ran, b.since, b.late, b.why,
		b.opened, b.event); err != nil {
		return fmt.Errorf("open look-back: %w", err)
	}
	if _, err := t.event(poct.Event{Kind: poct.EventLookBack, Result: b.controlID},
		&ledger.Payload{SHA256: b.digest(), Reason: b.why, More: more(lookbackMore{LookBack: b.id})}); err != nil {
		return err
	}
	n := poct.Notification{Kind: poct.NotifyLookBack, Site: b.site, Code: "qc-failed", About: b.id}
	if b.kind == poct.LookBackRecalled {
		n.Kind, n.Code = poct.NotifyLotRecall, "lot-recalled"
	}
	return t.notify(n)
}
