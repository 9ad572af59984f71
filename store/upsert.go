package store

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"tidegate/ledger"
	"tidegate/poct"
)

// Upsert adds rows and changes those with the same identity, in one commit
// with an event that names the actor. Each row that differs from what was
// there is kept in the history; equal ones are left alone. A table that the
// program reads by itself at its start leaves alone what a message has told
// since; a person's table does not, and counts as told now. A set may be
// large: the caller cuts it where arrivals must not wait.
func (s *Store) Upsert(ctx context.Context, actor string, rows poct.RegistryRows) (added, changed int, err error) {
	flat, err := flatten(rows)
	if err != nil {
		return 0, 0, err
	}
	err = s.do(ctx, func(t *tx) error {
		added, changed, err = t.upsert(poct.Event{Actor: actor}, flat)
		return err
	})
	return added, changed, err
}

// upsert writes rows with one event; none where nothing changes.
func (t *tx) upsert(e poct.Event, flat []rowOf) (added, changed int, err error) {
	digest := sha256.New()
	event := t.nextEvent()
	kinds := map[string]int{}
	var recalled []string
	for _, r := range flat {
		var was string
		err := t.row(`SELECT row FROM registry WHERE kind = ? AND key = ?`, string(r.Kind), r.Key).Scan(&was)
		if err != nil && !isNone(err) {
			return 0, 0, fmt.Errorf("read registry: %w", err)
		}
		fresh := err != nil
		if r, err = told(r, was, e, t.at); err != nil {
			return 0, 0, err
		}
		switch {
		case fresh:
			added++
		case was == string(r.Row):
			continue
		default:
			changed++
		}
		if _, err := t.exec(`INSERT INTO registry (kind, key, row) VALUES (?,?,?)
			ON CONFLICT (kind, key) DO UPDATE SET row = excluded.row`, string(r.Kind), r.Key, string(r.Row)); err != nil {
			return 0, 0, fmt.Errorf("write registry: %w", err)
		}
		if _, err := t.exec(`INSERT INTO registry_history (event, kind, key, row) VALUES (?,?,?,?)
			ON CONFLICT (event, kind, key) DO UPDATE SET row = excluded.row`, event, string(r.Kind), r.Key, string(r.Row)); err != nil {
			return 0, 0, fmt.Errorf("write registry history: %w", err)
		}
		kinds[string(r.Kind)]++
		if r.Kind == poct.StripLots {
			now, err := recallIn(r, was)
			if err != nil {
				return 0, 0, err
			}
			recalled = append(recalled, now...)
		}
	}
	if added+changed == 0 {
		return 0, 0, nil
	}
	if err := hashHistory(t, event, digest); err != nil {
		return 0, 0, err
	}
	if err := t.reload(kinds); err != nil {
		return 0, 0, err
	}
	e.Kind = poct.EventRegistry
	if _, err := t.event(e, &ledger.Payload{
		SHA256: hex.EncodeToString(digest.Sum(nil)), Fields: slices.Sorted(maps.Keys(kinds)),
		More: more(map[string]int{"added": added, "changed": changed})}); err != nil {
		return 0, 0, err
	}
	for _, lot := range recalled {
		if err := t.recalled(lot); err != nil {
			return 0, 0, err
		}
	}
	return added, changed, nil
}

// told settles a table's row against one that a message told: the program's own
// reading of a table changes nothing of it, a person's table counts as told now.
func told(r rowOf, was string, e poct.Event, at time.Time) (rowOf, error) {
	type asOf struct {
		AsOf   poct.AsOf `json:"as_of"`
		Merged poct.AsOf `json:"merged"`
	}
	if was == "" || was == string(r.Row) || r.Kind != poct.Patients && r.Kind != poct.Visits && r.Kind != poct.Orders {
		return r, nil
	}
	old, err := decode[asOf](was)
	if err != nil {
		return r, err
	}
	is, err := decode[asOf](r.Row)
	if err != nil || old == (asOf{}) || is != (asOf{}) {
		return r, err
	}
	if e.Actor == poct.System {
		r.Row = json.RawMessage(was)
		return r, nil
	}
	now := poct.AsOf{At: at.UTC().Truncate(time.Microsecond)}
	switch r.Kind {
	case poct.Patients:
		return retold(r, was, func(v *poct.Patient, asOf poct.AsOf) { v.AsOf, v.Merged = asOf, asOf }, now)
	case poct.Visits:
		return retold(r, was, func(v *poct.Visit, asOf poct.AsOf) { v.AsOf = asOf }, now)
	}
	return retold(r, was, func(v *poct.Order, asOf poct.AsOf) { v.AsOf = asOf }, now)
}

// retold dates a person's row now, unless it says what the old one does.
func retold[T any](r rowOf, was string, date func(*T, poct.AsOf), now poct.AsOf) (rowOf, error) {
	old, err := decode[T](was)
	if err != nil {
		return r, err
	}
	date(&old, poct.AsOf{})
	same, err := json.Marshal(old)
	if err != nil {
		return r, err
	}
	if string(same) == string(r.Row) {
		r.Row = json.RawMessage(was)
		return r, nil
	}
	v, err := decode[T](r.Row)
	if err != nil {
		return r, err
	}
	date(&v, now)
	r.Row, err = json.Marshal(v)
	return r, err
}

// reload reads the snapshot anew where a kind changed that it holds; of the
// others it only knows whether there are any.
func (t *tx) reload(kinds map[string]int) error {
	reg := t.reg
	if reg == nil {
		reg = t.registry.Load()
	}
	for kind := range kinds {
		if strings.Contains(bySnapshot, "'"+kind+"'") {
			var err error
			t.reg, err = loadRegistry(t)
			return err
		}
	}
	now := *reg
	now.noVisits = now.noVisits && kinds[string(poct.Visits)] == 0
	now.noOrders = now.noOrders && kinds[string(poct.Orders)] == 0
	now.noFindings = now.noFindings && kinds[string(poct.FindingRows)] == 0
	t.reg = &now
	return nil
}
