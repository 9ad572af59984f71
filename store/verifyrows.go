package store

import (
	"bytes"
	"crypto/sha256"
	"database/sql"
	"encoding/hex"
	"errors"
	"fmt"
	"slices"
	"strconv"

	"tidegate/poct"
)

// witness is the event that a row names, as far as it is there.
type witness struct {
	index           int64
	kind            poct.EventKind // "" if there is no such event
	arrival, result string
	version         int64
	hold, actor     string
	payload         []byte
}

// witnessed are the columns of the event e that a row names.
const witnessed = `coalesce(e.kind, ''), coalesce(e.arrival, ''), coalesce(e.result, ''), coalesce(e.version, 0), coalesce(e.hold, ''),
	coalesce(e.actor, ''), e.payload`

func (w *witness) into() []any {
	return []any{(*string)(&w.kind), &w.arrival, &w.result, &w.version, &w.hold, &w.actor, &w.payload}
}

// is tells whether the event is of one of these kinds.
func (w *witness) is(kinds ...poct.EventKind) bool {
	return slices.Contains(kinds, w.kind)
}

// erased tells that the payload is gone: then it cannot be asked.
func (w *witness) erased() bool { return len(w.payload) == 0 }

// says tells whether the payload holds this text as a whole JSON string, or
// was erased. The payload itself stands under the leaf, so nobody can have
// written into it; decoding it would be most of the work.
func (w *witness) says(text string) bool {
	return w.erased() || bytes.Contains(w.payload, []byte(`"`+text+`"`))
}

// about tells whether the payload names this delivery, or was erased.
func (w *witness) about(delivery int64) bool {
	id, ok := deliveryIn(w.payload)
	return w.erased() || ok && id == delivery
}

// deliveryIn is the delivery that a payload names.
func deliveryIn(payload []byte) (id int64, ok bool) {
	_, rest, found := bytes.Cut(payload, []byte(`"more":{"delivery":`))
	end := bytes.IndexAny(rest, ",}")
	if !found || end < 0 {
		return 0, false
	}
	id, err := strconv.ParseInt(string(rest[:end]), 10, 64)
	return id, err == nil
}

// sumIn is the digest of the bytes that a payload vouches for.
func sumIn(payload []byte) (sum [sha256.Size]byte, ok bool) {
	rest, found := bytes.CutPrefix(payload, []byte(`{"sha256":"`))
	if !found || len(rest) < 2*len(sum) {
		return sum, false
	}
	_, err := hex.Decode(sum[:], rest[:2*len(sum)])
	return sum, err == nil
}

// each runs through the rows of a query.
func (v *verifier) each(query string, f func(rowSet) error) error {
	rows, err := v.q.rows(query)
	if err != nil {
		return err
	}
	defer rows.Close()
	for rows.Next() {
		if err := f(rows); err != nil {
			return err
		}
	}
	return rows.Err()
}

// number compares how many rows there are with how many events tell of one.
// Where they differ, table names the events whose row is gone.
func (v *verifier) number(what string, rows int64, table string, kinds ...poct.EventKind) error {
	var events int64
	for _, k := range kinds {
		events += v.kinds[k]
	}
	if rows == events {
		return nil
	}
	v.fault(-1, "the ledger tells of %d %s, the tables hold %d: rows were removed or slipped in", events, what, rows)
	if table == "" {
		return nil
	}
	there := map[int64]bool{}
	if err := v.each(`SELECT event FROM `+table, func(rows rowSet) error {
		var event int64
		err := rows.Scan(&event)
		there[event] = true
		return err
	}); err != nil {
		return err
	}
	return v.each(`SELECT idx, kind FROM events`, func(rows rowSet) error {
		var index int64
		var kind poct.EventKind
		if err := rows.Scan(&index, &kind); err != nil {
			return err
		}
		if slices.Contains(kinds, kind) && !there[index] {
			v.fault(index, "what this event (%s) tells of is not in the table %s", kind, table)
		}
		return nil
	})
}

// arrivals checks each arrival's bytes against its digest and its event.
func (v *verifier) arrivals() error {
	var n int64
	err := v.each(`SELECT a.seq, a.id, a.inlet, a.digest, a.packed, a.raw, a.event, `+witnessed+`
		FROM arrivals a LEFT JOIN events e ON e.idx = a.event ORDER BY a.seq`, func(rows rowSet) error {
		var seq int64
		var id, inlet string
		var digest, raw sql.RawBytes
		var packed bool
		var w witness
		if err := rows.Scan(append([]any{&seq, &id, &inlet, &digest, &packed, &raw, &w.index}, w.into()...)...); err != nil {
			return err
		}
		n++
		plain := []byte(raw)
		if packed {
			var err error
			if plain, err = v.packer.out.DecodeAll(raw, nil); err != nil {
				v.fault(w.index, "the bytes of arrival %s cannot be unpacked", id)
				return nil
			}
		}
		sum := sha256.Sum256(plain)
		if string(sum[:]) != string(digest) {
			v.fault(w.index, "the bytes of arrival %s are not those that came", id)
		}
		if seqOf(id) != seq || !w.is(poct.EventReceived) || w.arrival != id {
			v.fault(w.index, "arrival %s has no event that it was received", id)
			return nil
		}
		if !w.says(hex.EncodeToString(sum[:])) || isPlain(inlet) && !w.says(inlet) {
			v.fault(w.index, "arrival %s is not the one that was received", id)
		}
		return nil
	})
	if err != nil {
		return err
	}
	return v.number("arrivals", n, "arrivals", poct.EventReceived)
}

// statesAfter is which states of a result an event may have led to.
var statesAfter = map[poct.EventKind][]poct.State{
	poct.EventReleased:  {poct.Delivering},
	poct.EventDelivered: {poct.Delivered, poct.Discarded},
	poct.EventFiled:     {poct.Filed},
	poct.EventHeld:      {poct.Held},
	poct.EventRefused:   {poct.Held},
	poct.EventDuplicate: {poct.Duplicated},
	poct.EventIgnored:   {poct.Ignored},
	poct.EventDiscarded: {poct.Discarded, poct.Delivered, poct.Delivering, poct.Held},
	poct.EventRetried:   {poct.Delivering, poct.Held},
}

// results checks each version against its event, and each result's row and
// state against theirs.
func (v *verifier) results() error {
	var n int64
	err := v.each(`SELECT r.id, s.version, s.reading, s.context, s.problems, s.checks, s.event, s.seq = r.current,
			r.key, r.kind, r.site, r.meter, r.authority, r.patient, r.tested, r.content, r.qc, r.strip_lot, r.chain, `+witnessed+`
		FROM versions s JOIN results r ON r.seq = s.result LEFT JOIN events e ON e.idx = s.event`, func(rows rowSet) error {
		var id string
		var version int64
		var reading, context, problems, checks []byte
		var current bool
		var row resultRow
		var w witness
		if err := rows.Scan(append([]any{&id, &version, &reading, &context, &problems, &checks, &w.index, &current,
			&row.key, &row.kind, &row.site, &row.meter, &row.authority, &row.patient, &row.tested, &row.content, &row.qc,
			&row.stripLot, &row.chain}, w.into()...)...); err != nil {
			return err
		}
		n++
		row.id = id
		if !w.is(poct.EventReleased, poct.EventHeld, poct.EventFiled, poct.EventDuplicate, poct.EventIgnored) ||
			w.result != id || w.version != version {
			v.fault(w.index, "version %d of result %s has no event that it was decided", version, id)
			return nil
		}
		if !w.says(digestOf(reading, context, problems, checks)) {
			v.fault(w.index, "version %d of result %s is not the one that was decided", version, id)
		}
		if current && !w.says(row.digest()) {
			v.fault(w.index, "the row of result %s says something else than its version %d", id, version)
		}
		if current {
			v.repeats(reading, row, id, w.index)
		}
		return nil
	})
	if err != nil {
		return err
	}
	if n != v.versions {
		v.fault(-1, "the ledger tells of %d decided versions, the tables hold %d: rows were removed or slipped in", v.versions, n)
	}
	return v.each(`SELECT r.seq, r.id, r.state, r.version, r.event, coalesce((SELECT max(version) FROM versions s WHERE s.result = r.seq), 0),
			coalesce((SELECT version FROM versions s WHERE s.seq = r.current AND s.result = r.seq), 0), `+witnessed+`
		FROM results r LEFT JOIN events e ON e.idx = r.event`, func(rows rowSet) error {
		var seq int64
		var id string
		var state poct.State
		var version, newest, current int64
		var w witness
		if err := rows.Scan(append([]any{&seq, &id, &state, &version, &w.index, &newest, &current}, w.into()...)...); err != nil {
			return err
		}
		if seqOf(id) != seq || version != newest || version != current {
			v.fault(w.index, "result %s does not show its newest version", id)
		}
		if w.result != id || !slices.Contains(statesAfter[w.kind], state) {
			v.fault(w.index, "result %s stands as %s, and no event says so", id, state)
		}
		return nil
	})
}

// repeats checks the columns of a result's row that only repeat its reading.
func (v *verifier) repeats(text []byte, row resultRow, id string, event int64) {
	r, err := decode[poct.Reading](text)
	if err != nil || row.stripLot != r.StripLot || row.chain != chainOf(&r) {
		v.fault(event, "result %s is listed under another lot than its reading tells", id)
	}
}

// deliveries checks each delivery's state and bytes against its events.
func (v *verifier) deliveries() error {
	var n, done, cancelled int64
	if err := v.each(`SELECT d.id, d.outlet, d.state, d.intent, d.sha256, d.body, r.id, d.event, `+witnessed+`
		FROM deliveries d JOIN results r ON r.seq = d.result LEFT JOIN events e ON e.idx = d.event`, func(rows rowSet) error {
		var id, intent int64
		var outlet, result string
		var state poct.DeliveryState
		var sum, body sql.RawBytes
		var w witness
		if err := rows.Scan(append([]any{&id, &outlet, &state, &intent, &sum, &body, &result, &w.index}, w.into()...)...); err != nil {
			return err
		}
		n++
		if body != nil {
			plain, err := v.packer.out.DecodeAll(body, nil)
			if got := sha256.Sum256(plain); err != nil || string(got[:]) != string(sum) {
				v.fault(w.index, "the bytes of delivery %d are not those that were sent", id)
			}
		}
		fits := false
		switch state {
		case poct.DeliveryDone:
			done++
			fits = w.is(poct.EventDelivered)
		case poct.DeliveryCancelled:
			cancelled++
			fits = w.is(poct.EventCancelled)
		case poct.DeliveryHeld:
			fits = w.is(poct.EventRefused)
		case poct.DeliveryReady:
			fits = w.is(poct.EventReleased, poct.EventIntent, poct.EventRetry, poct.EventUnknown, poct.EventRetried, poct.EventCancelled)
		}
		queued := w.is(poct.EventReleased) || state == poct.DeliveryReady && w.is(poct.EventCancelled)
		if !fits || w.result != result || !queued && !w.about(id) {
			v.fault(w.index, "delivery %d of result %s stands as %s, and no event says so", id, result, state)
		}
		if sent, ok := v.sent[id]; ok && string(sent[:]) != string(sum) {
			v.fault(w.index, "the bytes of delivery %d are not those that its event names", id)
		}
		return nil
	}); err != nil {
		return err
	}
	if n != v.sends && v.report.Erased == 0 {
		v.fault(-1, "the ledger tells of %d deliveries, the tables hold %d: rows were removed or slipped in", v.sends, n)
	}
	return errors.Join(v.number("deliveries accepted", done, "deliveries", poct.EventDelivered),
		v.number("deliveries cancelled", cancelled, "deliveries", poct.EventCancelled))
}

// holds checks that each hold was opened, and closed, by its event.
func (v *verifier) holds() error {
	var n int64
	err := v.each(`SELECT h.id, h.open, h.settled <> '', h.version, r.id, h.event, `+witnessed+`
		FROM holds h JOIN results r ON r.seq = h.result LEFT JOIN events e ON e.idx = h.event`, func(rows rowSet) error {
		var id, result string
		var open, settled bool
		var version int64
		var w witness
		if err := rows.Scan(append([]any{&id, &open, &settled, &version, &result, &w.index}, w.into()...)...); err != nil {
			return err
		}
		n++
		fits := w.result == result && open != settled && (version == 1) == open
		switch {
		case open:
			fits = fits && w.hold == id && w.is(poct.EventHeld, poct.EventRefused)
		case w.hold == id:
			fits = fits && w.is(poct.EventDiscarded, poct.EventCorrected, poct.EventOverridden, poct.EventRetried, poct.EventRejudged)
		default:
			fits = fits && w.says(id) // a newer version took its place
		}
		if !fits {
			v.fault(w.index, "hold %s stands as %s, and no event says so", id, openOr(open))
		}
		return nil
	})
	if err != nil {
		return err
	}
	return v.number("holds", n, "", poct.EventHeld, poct.EventRefused)
}

func openOr(open bool) string {
	if open {
		return "open"
	}
	return "settled"
}

// smaller checks the small tables: notices, calls, look-backs, the registry's history.
func (v *verifier) smaller() error {
	var notices int64
	if err := v.each(`SELECT n.bytes, n.event, `+witnessed+` FROM notices n LEFT JOIN events e ON e.idx = n.event`, func(rows rowSet) error {
		var kept []byte
		var w witness
		if err := rows.Scan(append([]any{&kept, &w.index}, w.into()...)...); err != nil {
			return err
		}
		notices++
		sum := sha256.Sum256(kept)
		if !w.is(poct.EventInlet) || !w.says(hex.EncodeToString(sum[:])) {
			v.fault(w.index, "a notice of an inlet is not the one that was made")
		}
		return nil
	}); err != nil {
		return err
	}
	if err := v.number("notices", notices, "notices", poct.EventInlet); err != nil {
		return err
	}
	if err := errors.Join(v.calls(), v.lookbacks(), v.rejudgements(), v.outletPauses()); err != nil {
		return err
	}
	return v.registry()
}

// registry checks that every row is as its newest event left it.
func (v *verifier) registry() error {
	var events []witness
	if err := v.each(`SELECT h.event, `+witnessed+` FROM (SELECT DISTINCT event FROM registry_history) h
		LEFT JOIN events e ON e.idx = h.event`, func(rows rowSet) error {
		var w witness
		err := rows.Scan(append([]any{&w.index}, w.into()...)...)
		events = append(events, w)
		return err
	}); err != nil {
		return err
	}
	for _, w := range events {
		sum := sha256.New()
		if err := hashHistory(v.q, w.index, sum); err != nil {
			return err
		}
		if !w.is(poct.EventRegistry) || !w.says(hex.EncodeToString(sum.Sum(nil))) {
			v.fault(w.index, "the registry's history at this event is not what was written")
		}
	}
	if err := v.number("changes of the registry", int64(len(events)), "registry_history", poct.EventRegistry); err != nil {
		return err
	}
	return v.each(`SELECT coalesce(r.kind, h.kind), count(*) FROM registry r FULL JOIN
		(SELECT kind, key, row, max(event) FROM registry_history GROUP BY kind, key) h ON h.kind = r.kind AND h.key = r.key
		WHERE r.row IS NOT h.row GROUP BY 1`, func(rows rowSet) error {
		var kind string
		var n int64
		if err := rows.Scan(&kind, &n); err != nil {
			return err
		}
		v.fault(-1, "%d rows of the registry's %s are not as the history left them", n, kind)
		return nil
	})
}

// counters counts again and compares with the kept sums.
func (v *verifier) counters() error {
	want := map[string]int64{}
	var arrivals, judged int64
	if err := v.q.row(`SELECT count(*) FROM arrivals`).Scan(&arrivals); err != nil {
		return err
	}
	var seq int64
	var states []poct.State
	flush := func() {
		if len(states) > 0 {
			want[countArrivals+string(first(states))]++
			judged++
		}
		states = states[:0]
	}
	if err := v.each(readingColumns+`ORDER BY arrival, idx`, func(rows rowSet) error {
		r, err := scanReading(rows)
		if err != nil {
			return err
		}
		if r.arrival != seq {
			flush()
			seq = r.arrival
		}
		states = append(states, r.ending)
		want[countReadings+string(r.ending)]++
		return nil
	}); err != nil {
		return err
	}
	flush()
	want[countArrivals+string(poct.Waiting)] = arrivals - judged
	if err := v.number("arrivals read", judged, "", poct.EventRead); err != nil {
		return err
	}
	if err := v.sum(want, `SELECT 'resends', coalesce(sum(count), 0) FROM resends`,
		`SELECT 'inlet/' || inlet, count(*) FROM arrivals GROUP BY inlet`,
		`SELECT 'pending/' || outlet, count(*) FROM deliveries WHERE state = 'ready' GROUP BY outlet`); err != nil {
		return err
	}
	if err := v.number("resends", want[countResends], "", poct.EventResent); err != nil {
		return err
	}
	have := map[string]int64{}
	if err := v.sum(have, `SELECT name, n FROM counters WHERE name = 'resends' OR name GLOB 'arrivals/*' OR name GLOB 'readings/*'
		OR name GLOB 'inlet/*' OR name GLOB 'pending/*'`); err != nil {
		return err
	}
	for name := range have {
		if _, ok := want[name]; !ok {
			want[name] = 0
		}
	}
	for name, n := range want {
		if have[name] != n {
			v.fault(-1, "the kept sum %s is %d, counted again it is %d", name, have[name], n)
		}
	}
	return nil
}

// sum reads names and numbers.
func (v *verifier) sum(into map[string]int64, queries ...string) error {
	for _, query := range queries {
		if err := v.each(query, func(rows rowSet) error {
			var name string
			var n int64
			if err := rows.Scan(&name, &n); err != nil {
				return fmt.Errorf("read sums: %w", err)
			}
			into[name] = n
			return nil
		}); err != nil {
			return err
		}
	}
	return nil
}
