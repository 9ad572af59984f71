package store

import (
	"context"
	"encoding/json"
	"fmt"
	"hash"
	"maps"
	"slices"
	"strings"
	"time"

	"tidegate/poct"
)

// Parts of a registry key stand apart by a character that no identifier has,
// so that all rows that begin with a part are found together.
const (
	apart    = "\x1f"
	apartEnd = "\x20"
)

// snapshot is the registry without patients, visits, orders and findings, as of one
// commit. It is never changed: who upserts makes a new one.
type snapshot struct {
	sites       map[string]poct.Site
	meters      map[string]poct.Meter
	operators   map[string]poct.Operator
	stripLots   map[string]poct.StripLot
	controlLots map[string][]poct.ControlLot
	lotNumbers  []string // of strips, sorted
	shipments   map[siteLot][]poct.Shipment
	acceptances map[siteLot][]poct.Acceptance
	readBacks   map[siteLot][]poct.ReadBack
	actions     map[string][]poct.CorrectiveAction // by meter
	noVisits    bool                               // none is registered: not worth asking for
	noOrders    bool
	noFindings  bool
}

// siteLot is a strip lot at a site.
type siteLot struct{ lot, site string }

// rowOf is a registry row as stored.
type rowOf struct {
	Kind poct.RegistryKind `json:"kind"`
	Key  string            `json:"key"`
	Row  json.RawMessage   `json:"row"`
}

// flatten lists rows with their keys, in a fixed order.
func flatten(rows poct.RegistryRows) ([]rowOf, error) {
	var out []rowOf
	var failed error
	add := func(kind poct.RegistryKind, v any, key string) {
		b, err := json.Marshal(v)
		if err != nil {
			failed = fmt.Errorf("write row of %s: %w", kind, err)
		}
		out = append(out, rowOf{kind, key, b})
	}
	for _, r := range rows.Sites {
		add(poct.Sites, r, r.ID)
	}
	for _, r := range rows.Meters {
		add(poct.Meters, r, r.Serial)
	}
	for _, r := range rows.Operators {
		add(poct.Operators, r, r.ID)
	}
	for _, r := range rows.StripLots {
		add(poct.StripLots, r, r.Lot)
	}
	for _, r := range rows.ControlLots {
		add(poct.ControlLots, r, r.Lot+apart+r.Level+apart+r.StripLot)
	}
	for _, r := range rows.Patients {
		add(poct.Patients, r, r.ID+apart+r.Authority)
	}
	for _, r := range rows.Visits {
		add(poct.Visits, r, r.Patient+apart+r.Authority+apart+r.ID)
	}
	for _, r := range rows.Orders {
		add(poct.Orders, r, r.Patient+apart+r.Authority+apart+r.ID)
	}
	for _, r := range rows.Shipments {
		add(poct.Shipments, r, r.ID)
	}
	for _, r := range rows.Acceptances {
		add(poct.Acceptances, r, r.StripLot+apart+r.Site+apart+r.At.UTC().Format(time.RFC3339Nano))
	}
	for _, r := range rows.ReadBacks {
		add(poct.ReadBacks, r, r.StripLot+apart+r.Site+apart+r.At.UTC().Format(time.RFC3339Nano))
	}
	for _, r := range rows.Actions {
		add(poct.Actions, r, r.Meter+apart+r.At.UTC().Format(time.RFC3339Nano))
	}
	for _, r := range rows.Findings {
		add(poct.FindingRows, r, r.Patient+apart+r.Authority+apart+r.Finding+apart+r.At)
	}
	return out, failed
}

// hashHistory hashes the rows that one event changed.
func hashHistory(q querier, event int64, h hash.Hash) error {
	rows, err := collect(q, scanRow, `SELECT kind, key, row FROM registry_history WHERE event = ? ORDER BY kind, key`, event)
	if err != nil {
		return fmt.Errorf("read registry history: %w", err)
	}
	for _, r := range rows {
		fmt.Fprintf(h, "%s\n%s\n%s\n", r.Kind, r.Key, r.Row)
	}
	return nil
}

func scanRow(rows rowSet) (rowOf, error) {
	var r rowOf
	var text string
	err := rows.Scan(&r.Kind, &r.Key, &text)
	r.Row = json.RawMessage(text)
	return r, err
}

// bySnapshot lists the kinds that a snapshot holds.
const bySnapshot = `('sites', 'meters', 'operators', 'strip_lots', 'control_lots', 'shipments', 'acceptances', 'read_backs', 'corrective_actions')`

// loadRegistry reads everything but patients, visits, orders and findings.
func loadRegistry(q querier) (*snapshot, error) {
	rows, err := collect(q, scanRow, `SELECT kind, key, row FROM registry WHERE kind IN `+bySnapshot+` ORDER BY kind, key`)
	if err != nil {
		return nil, fmt.Errorf("read registry: %w", err)
	}
	s, err := newSnapshot(rows)
	if err != nil {
		return nil, err
	}
	if err := q.row(`SELECT NOT EXISTS (SELECT 1 FROM registry WHERE kind = 'visits'), NOT EXISTS (SELECT 1 FROM registry WHERE kind = 'orders'),
		NOT EXISTS (SELECT 1 FROM registry WHERE kind = 'findings')`).Scan(&s.noVisits, &s.noOrders, &s.noFindings); err != nil {
		return nil, fmt.Errorf("read registry: %w", err)
	}
	return s, nil
}

// newSnapshot puts rows, in the order of kind and key, into their places.
func newSnapshot(rows []rowOf) (*snapshot, error) {
	s := &snapshot{
		sites: map[string]poct.Site{}, meters: map[string]poct.Meter{}, operators: map[string]poct.Operator{},
		stripLots: map[string]poct.StripLot{}, controlLots: map[string][]poct.ControlLot{},
		shipments: map[siteLot][]poct.Shipment{}, acceptances: map[siteLot][]poct.Acceptance{},
		readBacks: map[siteLot][]poct.ReadBack{}, actions: map[string][]poct.CorrectiveAction{},
	}
	for _, r := range rows {
		if err := s.add(r); err != nil {
			return nil, fmt.Errorf("read registry row of %s: %w", r.Kind, err)
		}
	}
	s.lotNumbers = slices.Sorted(maps.Keys(s.stripLots))
	for _, list := range s.shipments {
		slices.SortStableFunc(list, func(a, b poct.Shipment) int { return strings.Compare(a.Arrived, b.Arrived) })
	}
	for _, list := range s.readBacks {
		slices.SortStableFunc(list, func(a, b poct.ReadBack) int { return a.At.Compare(b.At) })
	}
	for _, list := range s.actions {
		slices.SortStableFunc(list, func(a, b poct.CorrectiveAction) int { return a.At.Compare(b.At) })
	}
	for _, list := range s.acceptances {
		slices.SortStableFunc(list, func(a, b poct.Acceptance) int { return a.At.Compare(b.At) })
	}
	return s, nil
}

func (s *snapshot) add(r rowOf) error {
	switch r.Kind {
	case poct.Sites:
		v, err := decode[poct.Site](r.Row)
		s.sites[v.ID] = v
		return err
	case poct.Meters:
		v, err := decode[poct.Meter](r.Row)
		s.meters[v.Serial] = v
		return err
	case poct.Operators:
		v, err := decode[poct.Operator](r.Row)
		s.operators[v.ID] = v
		return err
	case poct.StripLots:
		v, err := decode[poct.StripLot](r.Row)
		s.stripLots[v.Lot] = v
		return err
	case poct.ControlLots:
		v, err := decode[poct.ControlLot](r.Row)
		s.controlLots[v.Lot] = append(s.controlLots[v.Lot], v)
		return err
	case poct.Shipments:
		v, err := decode[poct.Shipment](r.Row)
		at := siteLot{v.StripLot, v.Site}
		s.shipments[at] = append(s.shipments[at], v)
		return err
	case poct.ReadBacks:
		v, err := decode[poct.ReadBack](r.Row)
		at := siteLot{v.StripLot, v.Site}
		s.readBacks[at] = append(s.readBacks[at], v)
		return err
	case poct.Actions:
		v, err := decode[poct.CorrectiveAction](r.Row)
		s.actions[v.Meter] = append(s.actions[v.Meter], v)
		return err
	case poct.Acceptances:
		v, err := decode[poct.Acceptance](r.Row)
		at := siteLot{v.StripLot, v.Site}
		s.acceptances[at] = append(s.acceptances[at], v)
		return err
	}
	return nil
}

func decode[T any, B ~[]byte | ~string](text B) (T, error) {
	var v T
	if len(text) == 0 {
		return v, nil
	}
	err := json.Unmarshal([]byte(text), &v)
	return v, err
}

// Registry lists rows of one kind by their identity, at most limit (100 if it
// is 0), those after a cursor that an earlier call returned. The rows are the
// field of that kind; next is "" at the end.
func (s *Store) Registry(ctx context.Context, kind poct.RegistryKind, after string, limit int) (rows poct.RegistryRows, next string, err error) {
	if limit <= 0 {
		limit = 100
	}
	flat, err := collect(s.read.with(ctx), scanRow,
		`SELECT kind, key, row FROM registry WHERE kind = ? AND key > ? ORDER BY key LIMIT ?`, string(kind), after, limit+1)
	if err != nil {
		return rows, "", fmt.Errorf("list registry: %w", err)
	}
	if len(flat) > limit {
		flat = flat[:limit]
		next = flat[limit-1].Key
	}
	for _, r := range flat {
		if err := r.into(&rows); err != nil {
			return rows, "", fmt.Errorf("read registry row of %s: %w", kind, err)
		}
	}
	return rows, next, nil
}

func (r rowOf) into(rows *poct.RegistryRows) (err error) {
	switch r.Kind {
	case poct.Sites:
		rows.Sites, err = grow(rows.Sites, r.Row)
	case poct.Meters:
		rows.Meters, err = grow(rows.Meters, r.Row)
	case poct.Operators:
		rows.Operators, err = grow(rows.Operators, r.Row)
	case poct.StripLots:
		rows.StripLots, err = grow(rows.StripLots, r.Row)
	case poct.ControlLots:
		rows.ControlLots, err = grow(rows.ControlLots, r.Row)
	case poct.Patients:
		rows.Patients, err = grow(rows.Patients, r.Row)
	case poct.Visits:
		rows.Visits, err = grow(rows.Visits, r.Row)
	case poct.Orders:
		rows.Orders, err = grow(rows.Orders, r.Row)
	case poct.Shipments:
		rows.Shipments, err = grow(rows.Shipments, r.Row)
	case poct.Acceptances:
		rows.Acceptances, err = grow(rows.Acceptances, r.Row)
	case poct.ReadBacks:
		rows.ReadBacks, err = grow(rows.ReadBacks, r.Row)
	case poct.Actions:
		rows.Actions, err = grow(rows.Actions, r.Row)
	case poct.FindingRows:
		rows.Findings, err = grow(rows.Findings, r.Row)
	}
	return err
}

func grow[T any](list []T, row []byte) ([]T, error) {
	v, err := decode[T](row)
	return append(list, v), err
}
