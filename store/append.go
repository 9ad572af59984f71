package store

import (
	"database/sql"
	"encoding/json"
	"fmt"
	"strconv"
	"strings"

	"tidegate/ledger"
	"tidegate/poct"
)

// event adds a step to the ledger. Its index is settled here, in the order of
// the one writer; row and leaf follow when the transaction commits. The
// payload may be nil.
func (t *tx) event(e poct.Event, p *ledger.Payload) (int64, error) {
	e.Index = t.nextEvent()
	e.Time = t.at
	if e.Actor == "" {
		e.Actor = poct.System
	}
	if p != nil {
		var err error
		if e.Payload, err = payloadText(p); err != nil {
			return 0, fmt.Errorf("write payload of %s: %w", e.Kind, err)
		}
		e.Salt = make([]byte, ledger.SaltSize)
		t.salts.read(e.Salt)
	}
	t.events = append(t.events, e)
	return e.Index, nil
}

// payloadText is a payload as JSON. The members that nearly every event has
// are put together here: five events make a result's life, and the encoder
// would cost more than the rest of an event.
func payloadText(p *ledger.Payload) ([]byte, error) {
	rest := *p
	rest.SHA256, rest.Bytes, rest.Inlet, rest.Profile, rest.Readings = "", 0, "", "", 0
	rest.Action, rest.Status, rest.Class, rest.More = "", 0, "", nil
	plain := rest.Rule == "" && rest.Reason == "" && rest.Problems == nil && rest.Fields == nil && rest.Remote == nil
	for _, text := range []string{p.SHA256, p.Inlet, p.Profile, string(p.Action), p.Class} {
		plain = plain && isPlain(text)
	}
	if !plain {
		return json.Marshal(p)
	}
	b := make([]byte, 1, 160+len(p.More))
	b[0] = '{'
	b = appendText(b, "sha256", p.SHA256)
	b = appendNumber(b, "bytes", p.Bytes)
	b = appendText(b, "inlet", p.Inlet)
	b = appendText(b, "profile", p.Profile)
	b = appendNumber(b, "readings", p.Readings)
	b = appendText(b, "action", string(p.Action))
	b = appendNumber(b, "status", p.Status)
	b = appendText(b, "class", p.Class)
	if len(p.More) > 0 {
		b = append(append(appendName(b, "more"), p.More...), ',')
	}
	if len(b) == 1 {
		return []byte("{}"), nil
	}
	b[len(b)-1] = '}'
	return b, nil
}

// isPlain tells whether a text is the same in JSON.
func isPlain(text string) bool {
	for i := range len(text) {
		if c := text[i]; c < ' ' || c >= 0x7f || c == '"' || c == '\\' || c == '<' || c == '>' || c == '&' {
			return false
		}
	}
	return true
}

func appendName(b []byte, name string) []byte {
	return append(append(append(b, '"'), name...), '"', ':')
}

func appendText(b []byte, name, text string) []byte {
	if text == "" {
		return b
	}
	return append(append(append(appendName(b, name), '"'), text...), '"', ',')
}

func appendNumber(b []byte, name string, n int) []byte {
	if n == 0 {
		return b
	}
	return append(strconv.AppendInt(appendName(b, name), int64(n), 10), ',')
}

// more is what only we read of a payload.
func more(v any) json.RawMessage {
	b, err := json.Marshal(v)
	if err != nil {
		panic(err) // our own plain structs: cannot happen
	}
	return b
}

// remoteRef is an id at a record system that stands for a result.
type remoteRef struct {
	ref    string
	result int64
}

// spillAt is how many events a transaction keeps in memory.
const spillAt = 4096

// spill writes the events gathered so far, once they are many.
func (t *tx) spill() error {
	if len(t.events) < spillAt {
		return nil
	}
	tree, err := t.writeEvents()
	if err == nil {
		t.grew, t.events = tree, nil
	}
	return err
}

// base is the ledger that the events in memory follow.
func (t *tx) base() *ledger.Tree {
	if t.grew != nil {
		return t.grew
	}
	return t.tree.Load()
}

// writeEvents writes the events in memory with their leaves and returns the
// ledger as it is with them.
func (t *tx) writeEvents() (*ledger.Tree, error) {
	tree := t.base()
	if len(t.events) == 0 {
		return tree, nil
	}
	tree = tree.Clone()
	for _, e := range t.events {
		for _, tile := range tree.Append(ledger.LeafHash(e)) {
			if _, err := t.exec(`INSERT INTO tiles (level, n, data) VALUES (?, ?, ?)`, tile.Level, tile.N, tile.Data); err != nil {
				return nil, err
			}
		}
	}
	err := insertMany(t, `INSERT INTO events (idx, at, kind, actor, arrival, result, version, hold, outlet, payload, salt) VALUES `,
		``, 11, t.events, func(args []any, e poct.Event) []any {
			return append(args, e.Index, micros(e.Time), string(e.Kind), e.Actor, e.Arrival, e.Result, e.Version, e.Hold, e.Outlet,
				e.Payload, e.Salt)
		})
	return tree, err
}

// flush writes what the transaction gathered: events with their leaves, sums,
// and remote ids. It returns the ledger as it will be.
func (t *tx) flush() (grown bool, tree *ledger.Tree, err error) {
	tree, err = t.writeEvents()
	if err == nil {
		err = insertMany(t, `INSERT INTO remote_ids (ref, result) VALUES `, ` ON CONFLICT DO NOTHING`, 2, t.refs,
			func(args []any, r remoteRef) []any { return append(args, r.ref, r.result) })
	}
	if err == nil {
		err = insertMany(t, `INSERT INTO counters (name, n, at) VALUES `,
			` ON CONFLICT (name) DO UPDATE SET n = excluded.n, at = excluded.at`, 3, t.tally.after(t.deltas),
			func(args []any, c named) []any { return append(args, c.name, c.n, c.at) })
	}
	if err == nil {
		err = t.writeContacts()
	}
	return t.grew != nil || len(t.events) > 0, tree, err
}

// insertMany inserts rows a few at a time: one statement for many rows costs
// much less than one for each.
func insertMany[T any](t *tx, head, tail string, columns int, rows []T, bind func([]any, T) []any) error {
	args := make([]any, 0, columns*min(len(rows), 16))
	for len(rows) > 0 {
		n := 1
		for _, size := range []int{16, 4} {
			if len(rows) >= size {
				n = size
				break
			}
		}
		args = args[:0]
		for _, row := range rows[:n] {
			args = bind(args, row)
		}
		if _, err := t.exec(insertText(head, tail, columns, n), args...); err != nil {
			return err
		}
		rows = rows[n:]
	}
	return nil
}

func insertText(head, tail string, columns, rows int) string {
	row := "(?" + strings.Repeat(",?", columns-1) + ")"
	return head + row + strings.Repeat(","+row, rows-1) + tail
}

const eventColumns = `SELECT idx, at, kind, actor, arrival, result, version, hold, outlet, payload, salt, digest FROM events `

// selectEvents reads events with whatever of their payloads is left.
func selectEvents(q querier, where string, args ...any) ([]poct.Event, error) {
	events, err := collect(q, scanEvent, eventColumns+where, args...)
	if err != nil {
		return nil, fmt.Errorf("read events: %w", err)
	}
	return events, nil
}

func scanEvent(rows rowSet) (poct.Event, error) {
	var e poct.Event
	var at int64
	var digest sql.NullString
	err := rows.Scan(&e.Index, &at, &e.Kind, &e.Actor, &e.Arrival, &e.Result, &e.Version, &e.Hold, &e.Outlet, &e.Payload, &e.Salt, &digest)
	e.Time, e.Digest = fromMicros(at), digest.String
	if err == nil && e.Digest == "" {
		e.Digest = ledger.Digest(e)
	}
	return e, err
}
