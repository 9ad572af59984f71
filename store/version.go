package store

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strconv"

	"tidegate/ledger"
	"tidegate/poct"
)

// body is the texts of a version.
type body struct{ reading, context, problems, checks []byte }

func (b *body) digest() string {
	return digestOf(b.reading, b.context, b.problems, b.checks)
}

// digestOf hashes texts one after the other, each with its end.
func digestOf(texts ...[]byte) string {
	h := sha256.New()
	for _, text := range texts {
		h.Write(text)
		h.Write([]byte{0})
	}
	var sum [sha256.Size]byte
	return hex.EncodeToString(h.Sum(sum[:0]))
}

func bodyOf(o *poct.Outcome) (body, error) {
	var b body
	var errs [4]error
	b.reading, errs[0] = json.Marshal(o.Result.Reading)
	bare := o.Result
	bare.Reading = poct.Reading{}
	b.context, errs[1] = json.Marshal(bare)
	b.problems, errs[2] = marshalList(o.Problems)
	b.checks, errs[3] = marshalList(o.Checks)
	if err := errors.Join(errs[:]...); err != nil {
		return b, fmt.Errorf("write version: %w", err)
	}
	return b, nil
}

func marshalList[T any](list []T) ([]byte, error) {
	if len(list) == 0 {
		return []byte("[]"), nil
	}
	return json.Marshal(list)
}

// version writes a new result, or the next version of one: its row, its hold
// or deliveries, the reading's ending, and the event.
func (w *work) version(o *poct.Outcome, k kept) (poct.State, error) {
	r := &o.Result
	fresh := k.seq == 0
	seq := w.nextSeq()
	if fresh {
		k = kept{seq: seq, id: w.newID(seq), key: r.Key}
		if o.Verdict == poct.Ignore {
			k.key = "" // what is ignored must not stand in the way of a later message about the same test
		}
	} else if k.key == "" {
		k.key = r.Key
	}
	// The identity of a result at the record system rests on its key.
	if o.Verdict == poct.Release && k.key == "" {
		return "", fmt.Errorf("result %s cannot be released: it has no test key of its own", k.id)
	}
	k.version++
	k.issued = max(micros(w.at), k.issued+1000)
	var plan plan
	if o.Verdict == poct.Release {
		var err error
		if plan, err = w.plan(o, k, fresh); err != nil {
			return "", err
		}
		k.filing, k.issued = plan.filing, plan.issued
	}
	state := stateOf(o.Verdict, len(plan.steps) > 0)
	r.ID, r.Version, r.Filing, r.Issued = k.id, k.version, k.filing, fromMicros(k.issued)
	if k.key != "" {
		r.Key = k.key
	}
	b, err := bodyOf(o)
	if err != nil {
		return "", err
	}
	event := w.nextEvent()
	row := rowOfResult(o, k)
	if err := w.writeResult(row, k, seq, state, event, fresh); err != nil {
		return "", err
	}
	if _, err := w.exec(`INSERT INTO versions
		(seq, result, version, arrival, verdict, rule, reading, context, problems, checks, actor, reason, at, event)
		VALUES (?,?,?,?,?,?,?,?,?,?,?,?,?,?)`,
		seq, k.seq, k.version, w.seq, string(o.Verdict), o.Rule, string(b.reading), string(b.context), string(b.problems), string(b.checks),
		w.actor, w.reason, micros(w.at), event); err != nil {
		return "", fmt.Errorf("write version: %w", err)
	}
	kept := *r
	w.versions.put(seq, &kept)
	for _, p := range o.Problems {
		w.count(countProblem+p.Code, 1)
	}

	var closed []string
	if !fresh {
		if closed, err = w.overtake(k, state, plan); err != nil {
			return "", err
		}
	}
	e := poct.Event{Kind: eventOf(o.Verdict, state), Arrival: w.arrival.ID, Result: k.id, Version: k.version}
	if o.Verdict == poct.HoldIt {
		if e.Hold, err = w.hold(o, k, seq, 0, o.Problems); err != nil {
			return "", err
		}
	}
	if _, err := w.event(e, &ledger.Payload{
		SHA256: b.digest(), Profile: r.Reading.Profile, Rule: o.Rule, Action: o.Action,
		More: more(decidedMore{Row: row.digest(), ReplacedHolds: closed, sendsMore: sendsOf(plan.steps)}),
	}); err != nil {
		return "", err
	}
	if o.Verdict == poct.Release {
		if err := w.carryOut(plan, o, k, seq, event); err != nil {
			return "", err
		}
	}
	if o.Critical {
		if err := w.critical(o, k, e.Hold, event); err != nil {
			return "", err
		}
	}
	if err := w.lookBack(o, k, state); err != nil {
		return "", err
	}
	if err := w.contextTold(o, k); err != nil {
		return "", err
	}
	return state, w.reading(o, k.seq, k.version, state)
}

// decidedMore is what the event of a decision carries.
type decidedMore struct {
	Row           string   `json:"row"`                      // digest of the result's row
	ReplacedHolds []string `json:"replaced_holds,omitempty"` // that the new version took the place of
	sendsMore
}

func stateOf(v poct.Verdict, sends bool) poct.State {
	switch v {
	case poct.Release:
		if sends {
			return poct.Delivering
		}
		return poct.Filed // nothing is left to send: withdrawn before it was sent
	case poct.HoldIt:
		return poct.Held
	case poct.Duplicate:
		return poct.Duplicated
	case poct.Ignore:
		return poct.Ignored
	}
	return poct.Filed
}

func eventOf(v poct.Verdict, state poct.State) poct.EventKind {
	switch {
	case v == poct.Release && state == poct.Delivering:
		return poct.EventReleased
	case v == poct.HoldIt:
		return poct.EventHeld
	case v == poct.Duplicate:
		return poct.EventDuplicate
	case v == poct.Ignore:
		return poct.EventIgnored
	}
	return poct.EventFiled
}

// resultRow is what is searched and shown in lists, all of it from the newest
// version.
type resultRow struct {
	id, key, kind, site, meter, authority, patient string
	tested                                         int64
	content                                        string
	qc                                             bool
	stripLot, chain                                string // not in the digest: the reading says them
}

func rowOfResult(o *poct.Outcome, k kept) resultRow {
	r := &o.Result
	patient := patientOf(r)
	return resultRow{
		id: k.id, key: k.key, kind: string(r.Reading.Kind), site: r.Site, meter: r.Reading.Meter,
		authority: patient.Authority, patient: patient.ID,
		tested: micros(r.Reading.Tested()), content: poct.Content(r.Reading), qc: o.QCPassed,
		stripLot: r.Reading.StripLot, chain: chainOf(&r.Reading),
	}
}

// chainOf is the lot and level that a control run belongs to; "" if the
// reading is none, or not final.
func chainOf(r *poct.Reading) string {
	if r.Kind != poct.KindControl {
		return ""
	}
	switch r.Status {
	case poct.StatusPreliminary, poct.StatusWithdrawn, poct.StatusCancelled:
		return ""
	}
	return r.ControlLot + apart + r.ControlLevel
}

func (r resultRow) digest() string {
	b := make([]byte, 0, 256)
	for _, text := range []string{r.id, r.key, r.kind, r.site, r.meter, r.authority, r.patient, r.content} {
		b = append(append(b, text...), 0)
	}
	b = strconv.AppendInt(b, r.tested, 10)
	return digestOf(strconv.AppendBool(b, r.qc))
}

func (w *work) writeResult(r resultRow, k kept, seq int64, state poct.State, event int64, fresh bool) error {
	query := `UPDATE results SET id = ?2, key = ?3, state = ?4, version = ?5, current = ?6, filing = ?7, issued = ?8, kind = ?9,
		site = ?10, meter = ?11, authority = ?12, patient = ?13, tested = ?14, content = ?15, qc = ?16, event = ?17,
		strip_lot = ?18, chain = ?19 WHERE seq = ?1`
	if fresh {
		query = `INSERT INTO results (seq, id, key, state, version, current, filing, issued, kind, site, meter, authority, patient,
			tested, content, qc, event, strip_lot, chain)
			VALUES (?1,?2,?3,?4,?5,?6,?7,?8,?9,?10,?11,?12,?13,?14,?15,?16,?17,?18,?19)`
	}
	_, err := w.exec(query, k.seq, r.id, r.key, string(state), k.version, seq, k.filing, k.issued, r.kind,
		r.site, r.meter, r.authority, r.patient, r.tested, r.content, r.qc, event, r.stripLot, r.chain)
	if err != nil {
		return fmt.Errorf("write result: %w", err)
	}
	return nil
}

// hold opens a hold on a version, or on a refused delivery of it. The
// transaction's next event must be the one that says so.
func (t *tx) hold(o *poct.Outcome, k kept, content, delivery int64, problems []poct.Problem) (string, error) {
	seq := t.nextSeq()
	id := t.newID(seq)
	text, err := marshalList(problems)
	if err != nil {
		return "", fmt.Errorf("write problems: %w", err)
	}
	_, err = t.exec(`INSERT INTO holds (seq, id, version, open, arrival, result, content, delivery, opened, cause, critical, site, problems, settled, event)
		VALUES (?, ?, 1, 1, (SELECT arrival FROM versions WHERE seq = ?), ?, ?, ?, ?, ?, ?, ?, ?, '', ?)`,
		seq, id, content, k.seq, content, delivery, micros(t.at), o.Cause, o.Critical, o.Result.Site, string(text), t.nextEvent())
	if err != nil {
		return "", fmt.Errorf("open hold: %w", err)
	}
	return id, nil
}

// critical opens the call about a critical result, and lets others be told of
// it. A new value opens it again.
func (w *work) critical(o *poct.Outcome, k kept, hold string, event int64) error {
	value := valueOf(&o.Result)
	opened, err := w.exec(`INSERT INTO criticals (result, value, opened, told, told_at, comment, event) VALUES (?,?,?,'',0,'',?)
		ON CONFLICT (result) DO UPDATE SET value = excluded.value, opened = excluded.opened, told = '', told_at = 0, comment = '',
		event = excluded.event WHERE criticals.value <> excluded.value`, k.seq, value, micros(w.at), event)
	if err != nil {
		return fmt.Errorf("open call: %w", err)
	}
	if opened == 0 {
		return nil
	}
	c := poct.Critical{Result: k.id, Hold: hold, Site: o.Result.Site, Opened: fromMicros(micros(w.at))}
	return w.notify(c.Notification(poct.NotifyCritical, 0))
}

// overtake closes the open holds of a result that a newer version takes the
// place of: those on older versions, and those on deliveries that the plan
// cancels. The readings that they held follow to the new version. A refused
// delivery that stays in the queue stays held.
func (w *work) overtake(k kept, state poct.State, p plan) ([]string, error) {
	type open struct {
		id       string
		delivery int64
		version  int
	}
	holds, err := collect(w.tx, func(rows rowSet) (open, error) {
		var h open
		err := rows.Scan(&h.id, &h.delivery, &h.version)
		return h, err
	}, `SELECT h.id, h.delivery, coalesce(d.version, v.version) FROM holds h JOIN versions v ON v.seq = h.content
		LEFT JOIN deliveries d ON d.id = h.delivery WHERE h.result = ? AND h.open = 1`, k.seq)
	if err != nil {
		return nil, fmt.Errorf("read holds: %w", err)
	}
	st := poct.Settlement{Act: poct.ActReplaced, Actor: poct.System, At: w.at,
		Reason: fmt.Sprintf("Version %d of this result took its place.", k.version)}
	var closed []string
	follow := map[int]bool{}
	if w.settling != nil && w.settling.Result == k.id {
		follow[w.settling.about] = true
	}
	for _, h := range holds {
		if h.delivery != 0 && !slices.ContainsFunc(p.cancel, func(d queued) bool { return d.id == h.delivery }) {
			continue
		}
		if err := w.closeHold(seqOf(h.id), st); err != nil {
			return nil, err
		}
		closed = append(closed, h.id)
		follow[h.version] = true
	}
	for version := range follow {
		if err := w.turn(turn{result: k.seq, version: version, from: poct.Held, toResult: k.seq, toVersion: k.version, to: state}); err != nil {
			return nil, err
		}
	}
	return closed, nil
}

func scanText(rows rowSet) (string, error) {
	var text string
	err := rows.Scan(&text)
	return text, err
}

// closeHold closes a hold. The transaction's next event must be the one that
// says so.
func (t *tx) closeHold(seq int64, st poct.Settlement) error {
	text, err := json.Marshal(st)
	if err == nil {
		_, err = t.exec(`UPDATE holds SET open = 0, version = version + 1, settled = ?, event = ? WHERE seq = ?`,
			string(text), t.nextEvent(), seq)
	}
	if err == nil {
		_, err = t.exec(`DELETE FROM rejudgements WHERE hold = ?`, seq)
	}
	if err != nil {
		return fmt.Errorf("close hold: %w", err)
	}
	return nil
}
