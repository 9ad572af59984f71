package store

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"

	"tidegate/ledger"
	"tidegate/poct"
)

// Query is what somebody searches for.
type Query struct {
	// Text is any of: the id of a result, an arrival or a hold, a sender's
	// message number, METER:SEQUENCE, a meter's serial, an id at a record
	// system such as "Observation/12".
	Text string
	// Patient is a patient's number, with Authority or under any.
	Patient   string
	Authority string
	// BirthDate, YYYY-MM-DD, leaves out who is registered with another one.
	BirthDate string
	Limit     int // 0 is 100
}

// Find lists what a query means, as ids for Trace: results, newest first, or
// an arrival that is no result yet. None is an empty list.
func (s *Store) Find(ctx context.Context, query Query) ([]string, error) {
	if query.Limit <= 0 {
		query.Limit = 100
	}
	q := s.read.with(ctx)
	if query.Patient != "" {
		return s.findPatient(q, query)
	}
	text := strings.TrimSpace(query.Text)
	if text == "" {
		return nil, nil
	}
	for _, way := range []func(querier, string, int) ([]string, error){findID, findControl, findSequence, findRemote, findMeter} {
		ids, err := way(q, text, query.Limit)
		if err != nil {
			return nil, fmt.Errorf("find: %w", err)
		}
		if len(ids) > 0 {
			return ids, nil
		}
	}
	return nil, nil
}

// findID takes an id of ours; it tells by itself which row it would be.
func findID(q querier, text string, _ int) ([]string, error) {
	seq := seqOf(text)
	if seq == 0 {
		return nil, nil
	}
	ids, err := collect(q, scanText, `SELECT id FROM results WHERE seq = ?1 AND id = ?2
		UNION ALL SELECT r.id FROM holds h JOIN results r ON r.seq = h.result WHERE h.seq = ?1 AND h.id = ?2`, seq, text)
	if err != nil || len(ids) > 0 {
		return ids, err
	}
	ids, err = collect(q, scanText, `SELECT DISTINCT r.id FROM arrivals a JOIN readings g ON g.arrival = a.seq JOIN results r ON r.seq = g.result
		WHERE a.seq = ? AND a.id = ? ORDER BY r.seq DESC`, seq, text)
	if err != nil || len(ids) > 0 {
		return ids, err
	}
	return collect(q, scanText, `SELECT id FROM arrivals WHERE seq = ? AND id = ?`, seq, text)
}

func findControl(q querier, text string, limit int) ([]string, error) {
	return collect(q, scanText, `SELECT DISTINCT r.id FROM readings g JOIN results r ON r.seq = g.result
		WHERE g.control = ? AND g.control <> '' ORDER BY r.seq DESC LIMIT ?`, text, limit)
}

// findSequence takes METER:SEQUENCE; both may hold colons themselves.
func findSequence(q querier, text string, limit int) ([]string, error) {
	for i, c := range text {
		if c != ':' {
			continue
		}
		from := text[:i] + "|" + text[i+1:] + "|"
		ids, err := collect(q, scanText, `SELECT id FROM results WHERE key >= ? AND key < ? AND key <> '' ORDER BY seq DESC LIMIT ?`,
			from, from[:len(from)-1]+"}", limit)
		if err != nil || len(ids) > 0 {
			return ids, err
		}
	}
	return nil, nil
}

// standsForOne are the types whose resources belong to one result alone.
var standsForOne = [...]string{"Observation/", "DiagnosticReport/", "Specimen/", "Provenance/"}

// findRemote takes a record system's own id as people copy it: Observation/12,
// the id alone, or the whole address with or without a version behind it.
func findRemote(q querier, text string, limit int) ([]string, error) {
	text, _, _ = strings.Cut(text, "/_history/")
	id := strings.TrimPrefix(text, "urn:uuid:")
	refs := [1 + len(standsForOne)]any{text}
	if parts := strings.Split(text, "/"); len(parts) > 2 {
		refs[0] = strings.Join(parts[len(parts)-2:], "/")
	}
	for i, t := range standsForOne {
		refs[1+i] = t + id
	}
	return collect(q, scanText, `SELECT DISTINCT r.id FROM remote_ids i JOIN results r ON r.seq = i.result
		WHERE i.ref IN (?, ?, ?, ?, ?) ORDER BY r.seq DESC LIMIT ?`, append(refs[:], limit)...)
}

func findMeter(q querier, text string, limit int) ([]string, error) {
	return collect(q, scanText, `SELECT id FROM results WHERE meter = ? AND meter <> '' ORDER BY seq DESC LIMIT ?`, text, limit)
}

// findPatient lists a patient's results, newest test first.
func (s *Store) findPatient(q querier, query Query) ([]string, error) {
	if query.BirthDate != "" {
		b := &book{q: q, reg: s.registry.Load(), versions: s.versions}
		known, err := b.Patients(query.Authority, query.Patient)
		if err != nil {
			return nil, err
		}
		if len(known) > 0 && !slices.ContainsFunc(known, func(p poct.Patient) bool { return p.BirthDate == query.BirthDate }) {
			return nil, nil
		}
	}
	ids, err := collect(q, scanText, `SELECT id FROM results WHERE patient = ?1 AND patient <> '' AND (?2 = '' OR authority = ?2)
		ORDER BY tested DESC, seq DESC LIMIT ?3`, query.Patient, query.Authority, query.Limit)
	if err != nil {
		return nil, fmt.Errorf("find: %w", err)
	}
	return ids, nil
}

// Trace tells everything kept about one result, or about an arrival that is
// none yet. The id is any that Find takes, and means the newest result it
// finds. poct.ErrNotFound if it means nothing.
func (s *Store) Trace(ctx context.Context, id string) (poct.Trace, error) {
	found, err := s.Find(ctx, Query{Text: id, Limit: 1})
	if err != nil {
		return poct.Trace{}, err
	}
	if len(found) == 0 {
		return poct.Trace{}, fmt.Errorf("trace: %w", poct.ErrNotFound)
	}
	q := s.read.with(ctx)
	seq := seqOf(found[0])
	t := poct.Trace{ID: found[0]}
	err = q.row(`SELECT key, state, site FROM results WHERE seq = ? AND id = ?`, seq, t.ID).Scan(&t.Key, &t.State, &t.Site)
	if isNone(err) {
		return s.traceArrival(q, t)
	}
	if err != nil {
		return t, fmt.Errorf("trace: %w", err)
	}
	if t.Arrivals, err = collect(q, scanText, `SELECT a.id FROM arrivals a WHERE a.seq IN
		(SELECT arrival FROM readings WHERE result = ?1 UNION SELECT arrival FROM versions WHERE result = ?1) ORDER BY a.seq`, seq); err != nil {
		return t, fmt.Errorf("trace arrivals: %w", err)
	}
	if t.Versions, err = s.versionsOf(q, seq, t.ID); err != nil {
		return t, err
	}
	if t.Holds, err = s.holds(q, `WHERE h.result = ? ORDER BY h.seq`, seq); err != nil {
		return t, err
	}
	return t, s.traceEvents(q, &t, t.ID)
}

func (s *Store) traceArrival(q querier, t poct.Trace) (poct.Trace, error) {
	t.Arrivals, t.State = []string{t.ID}, poct.Waiting
	return t, s.traceEvents(q, &t, "")
}

// traceEvents adds the events of a result and of its arrivals, in ledger
// order, and the receipts that stand in them.
func (s *Store) traceEvents(q querier, t *poct.Trace, result string) error {
	if result != "" {
		events, err := selectEvents(q, `WHERE result = ? AND result <> ''`, result)
		if err != nil {
			return err
		}
		t.Events = events
	}
	for _, a := range t.Arrivals {
		events, err := selectEvents(q, `WHERE idx = (SELECT event FROM arrivals WHERE seq = ?)`, seqOf(a))
		if err != nil {
			return err
		}
		more, err := selectEvents(q, `WHERE arrival = ? AND result = '' AND arrival <> '' AND kind <> 'received'`, a)
		if err != nil {
			return err
		}
		t.Events = append(append(t.Events, events...), more...)
	}
	slices.SortFunc(t.Events, func(a, b poct.Event) int { return int(a.Index - b.Index) })
	for _, e := range t.Events {
		if r, ok := receiptOf(e); ok {
			t.Receipts = append(t.Receipts, r)
		}
	}
	return nil
}

// receiptOf is the receipt that an event carries.
func receiptOf(e poct.Event) (poct.Receipt, bool) {
	switch e.Kind {
	case poct.EventDelivered, poct.EventRetry, poct.EventUnknown, poct.EventRefused:
	default:
		return poct.Receipt{}, false
	}
	m, err := decode[receiptMore](ledger.ReadPayload(e).More)
	if err != nil || m.Receipt == nil {
		return poct.Receipt{}, false
	}
	return *m.Receipt, true
}

func (s *Store) versionsOf(q querier, result int64, id string) ([]poct.VersionRecord, error) {
	out, err := collect(q, func(rows rowSet) (poct.VersionRecord, error) {
		var v poct.VersionRecord
		var reading, context, problems, checks string
		var at int64
		if err := rows.Scan(&v.Version, &v.Arrival, &v.Verdict, &v.Rule, &reading, &context, &problems, &checks, &v.Actor, &v.Reason, &at); err != nil {
			return v, err
		}
		v.At = fromMicros(at)
		r, err := joinResult(reading, context)
		if err != nil {
			return v, err
		}
		v.Result = *r
		return v, errors.Join(json.Unmarshal([]byte(problems), &v.Problems), json.Unmarshal([]byte(checks), &v.Checks))
	}, `SELECT v.version, a.id, v.verdict, v.rule, v.reading, v.context, v.problems, v.checks, v.actor, v.reason, v.at
		FROM versions v JOIN arrivals a ON a.seq = v.arrival WHERE v.result = ? ORDER BY v.version`, result)
	if err != nil {
		return nil, fmt.Errorf("trace versions of %s: %w", id, err)
	}
	sent, err := collect(q, s.scanSent, `SELECT version, id, outlet, action, state, next, body FROM deliveries WHERE result = ? ORDER BY id`, result)
	if err != nil {
		return nil, fmt.Errorf("trace deliveries of %s: %w", id, err)
	}
	for _, b := range sent {
		for i := range out {
			if out[i].Version == b.version {
				out[i].Sent = append(out[i].Sent, b.SentBody)
			}
		}
	}
	return out, nil
}

type sentBody struct {
	poct.SentBody
	version int
}

func (s *Store) scanSent(rows rowSet) (sentBody, error) {
	var b sentBody
	var next int64
	var packed sql.RawBytes
	err := rows.Scan(&b.version, &b.Delivery, &b.Outlet, &b.Action, &b.State, &next, &packed)
	if err == nil && packed != nil {
		b.Body, err = s.packer.out.DecodeAll(packed, nil)
	}
	if b.State == poct.DeliveryReady {
		b.NextTry = fromMicros(next)
	}
	return b, err
}

// Look records that a person was shown fields of results, arrivals or holds:
// an event for each. Ids of nothing are refused.
func (s *Store) Look(ctx context.Context, actor string, ids, fields []string) error {
	return s.do(ctx, func(t *tx) error {
		for _, id := range ids {
			e := poct.Event{Kind: poct.EventLooked, Actor: actor}
			if err := t.about(&e, id); err != nil {
				return err
			}
			if _, err := t.event(e, &ledger.Payload{Fields: fields}); err != nil {
				return err
			}
		}
		return nil
	})
}

// about puts a result's, hold's or arrival's id where it belongs in an event.
func (t *tx) about(e *poct.Event, id string) error {
	seq := seqOf(id)
	for _, way := range []struct {
		query string
		into  *string
	}{
		{`SELECT id, id FROM results WHERE seq = ?`, &e.Result},
		{`SELECT id, id FROM arrivals WHERE seq = ?`, &e.Arrival},
		{`SELECT h.id, r.id FROM holds h JOIN results r ON r.seq = h.result WHERE h.seq = ?`, &e.Result},
	} {
		var found, of string
		err := t.row(way.query, seq).Scan(&found, &of)
		if err != nil && !isNone(err) {
			return fmt.Errorf("look: %w", err)
		}
		if err == nil && found == id {
			*way.into = of
			if of != id {
				e.Hold = id
			}
			return nil
		}
	}
	return fmt.Errorf("look at %s: %w", id, poct.ErrNotFound)
}

// Record adds steps of the program itself to the ledger, such as an export.
func (s *Store) Record(ctx context.Context, kind poct.EventKind, actor, text string) error {
	return s.do(ctx, func(t *tx) error {
		_, err := t.event(poct.Event{Kind: kind, Actor: actor}, &ledger.Payload{Reason: text})
		return err
	})
}

// Started records that a daemon of this version runs now.
func (s *Store) Started(ctx context.Context, version string) error {
	return s.Record(ctx, poct.EventStarted, poct.System, version)
}

// Stopped records that it has ended in good order.
func (s *Store) Stopped(ctx context.Context, version string) error {
	return s.Record(ctx, poct.EventStopped, poct.System, version)
}

// Exported records that a person took away a pack about these results or
// arrivals.
func (s *Store) Exported(ctx context.Context, actor string, ids []string) error {
	return s.do(ctx, func(t *tx) error {
		for _, id := range ids {
			e := poct.Event{Kind: poct.EventExported, Actor: actor}
			if err := t.about(&e, id); err != nil {
				return err
			}
			if _, err := t.event(e, nil); err != nil {
				return err
			}
		}
		return nil
	})
}
