package clinic

import (
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"maps"
	"slices"

	"tidegate/ledger"
	"tidegate/poct"
	"tidegate/web"
)

// Believed is the clinic's registry, as if it had been brought in one morning.
type Believed struct{ *Clinic }

func (b Believed) believed(kind poct.RegistryKind, key string, row any) poct.Believed {
	text, err := json.Marshal(row)
	if err != nil {
		panic(err) // rows are plain
	}
	return poct.Believed{Kind: kind, Key: key, Row: text, Since: at(25, 7, 12, 0), By: "k.osei", Event: 1, Times: 1}
}

func (b Believed) all(kind poct.RegistryKind) (out []poct.Believed) {
	b.mu.Lock()
	defer b.mu.Unlock()
	switch kind {
	case poct.Sites:
		for _, id := range slices.Sorted(maps.Keys(b.sites)) {
			out = append(out, b.believed(kind, id, b.sites[id]))
		}
	case poct.Meters:
		for _, m := range b.meters {
			out = append(out, b.believed(kind, m.Serial, m))
		}
		if len(out) > 0 { // the first stood elsewhere before
			out[0].Times = 2
		}
	case poct.StripLots:
		for _, id := range slices.Sorted(maps.Keys(b.lots)) {
			out = append(out, b.believed(kind, id, b.lots[id]))
		}
	case poct.Patients:
		for _, p := range b.patients {
			out = append(out, b.believed(kind, p.ID, p))
		}
	}
	slices.SortFunc(out, func(a, b poct.Believed) int { return cmp.Compare(a.Key, b.Key) })
	return out
}

// Believed lists rows by key.
func (b Believed) Believed(_ context.Context, kind poct.RegistryKind, after string, limit int) (rows []poct.Believed, next string, err error) {
	for _, r := range b.all(kind) {
		if r.Key <= after {
			continue
		}
		if len(rows) == limit {
			return rows, rows[limit-1].Key, nil
		}
		rows = append(rows, r)
	}
	return rows, "", nil
}

// History of a row: a meter stood at the quay before.
func (b Believed) History(_ context.Context, kind poct.RegistryKind, key string, _ int) ([]poct.Believed, error) {
	for _, r := range b.all(kind) {
		if r.Key != key {
			continue
		}
		var m poct.Meter
		if kind != poct.Meters || json.Unmarshal(r.Row, &m) != nil {
			return []poct.Believed{r}, nil
		}
		m.Site = "quay"
		was := b.believed(kind, key, m)
		was.Since, was.By = at(24, 8, 0, 0), "r.ito"
		return []poct.Believed{r, was}, nil
	}
	return nil, fmt.Errorf("registry row: %w", poct.ErrNotFound)
}

// RegistryCounts counts what is listed.
func (b Believed) RegistryCounts(context.Context) (map[poct.RegistryKind]int, error) {
	out := map[poct.RegistryKind]int{}
	for _, kind := range []poct.RegistryKind{poct.Sites, poct.Meters, poct.StripLots, poct.Patients} {
		out[kind] = len(b.all(kind))
	}
	return out, nil
}

// Log is the clinic's ledger as the pages show it.
type Log struct{ *Clinic }

// State has a head under which all but two events stand.
func (l Log) State(ctx context.Context) (web.LedgerState, error) {
	size, err := l.Size(ctx)
	if err != nil || size == 0 {
		return web.LedgerState{}, err
	}
	root := "9a41c07e55d2b1f09a41c07e55d2b1f09a41c07e55d2b1f09a41c07e55d2e08b"
	return web.LedgerState{Size: size, Origin: "millrace.example/1", Key: "millrace.example/1+5c2f90aa", Signed: size - 2, Root: root,
		Anchor: &web.AnchorState{Size: size - 2, Root: root, Written: at(25, 9, 57, 59)}}, nil
}

// Looks lists what was written down, newest first; fields stand in the payload.
func (l Log) Looks(_ context.Context, actor, about string, before int64, limit int) ([]poct.Event, int64, error) {
	looks := l.Clinic.Looks()
	var out []poct.Event
	for i := len(looks) - 1; i >= 0; i-- {
		k := looks[i]
		if before > 0 && int64(i) >= before || actor != "" && k.Actor != actor || len(k.IDs) == 0 || about != "" && !slices.Contains(k.IDs, about) {
			continue
		}
		if len(out) == limit {
			return out, out[limit-1].Index, nil
		}
		payload, err := json.Marshal(ledger.Payload{Fields: k.Fields})
		if err != nil {
			return nil, 0, err
		}
		out = append(out, poct.Event{Index: int64(i), Time: l.Time, Kind: poct.EventLooked, Actor: k.Actor, Result: k.IDs[0], Payload: payload})
	}
	return out, 0, nil
}

// Verify finds everything in order.
func (l Log) Verify(ctx context.Context, progress func(done, of int64)) (ledger.Verification, error) {
	size, err := l.Size(ctx)
	progress(size, size)
	return ledger.Verification{Verified: true, Size: size, Events: size}, err
}
