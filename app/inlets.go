package app

import (
	"context"
	"fmt"
	"slices"
	"sync"

	"tidegate/mapping"
	"tidegate/poct"
	"tidegate/registry"
	"tidegate/web"
)

// inlets shows to the pages how messages come in and are read.
type inlets struct {
	app    *App
	trying *sync.Mutex // one trial at a time: each copies the data folder
}

func (a *App) newInlets() inlets { return inlets{a, &sync.Mutex{}} }

// List gives the inlets in the order of the configuration.
func (i inlets) List(ctx context.Context) ([]web.InletState, error) {
	heard, err := i.app.store.InletsHeard(ctx)
	if err != nil {
		return nil, err
	}
	wires := map[string]web.Wire{}
	for _, w := range i.app.wiring() {
		wires[w.ID] = w
	}
	addresses := i.app.Listeners()
	out := make([]web.InletState, len(i.app.cfg.Inlets))
	for n, c := range i.app.cfg.Inlets {
		w := wires[c.ID]
		out[n] = web.InletState{ID: c.ID, Kind: c.Kind, Address: addresses[c.ID], Profiles: c.Profiles, Well: w.Well, Why: w.Why, Since: w.Since, Heard: heard[c.ID]}
	}
	return out, nil
}

func (i inlets) CameIn(ctx context.Context, inlet string, limit int) ([]poct.Came, error) {
	return i.app.store.CameIn(ctx, inlet, limit)
}

// newestRead is how many arrivals of each inlet a profile's page looks through
// for one that the profile has read.
const newestRead = 20

// Profile is how a profile reads the newest arrival that it has read.
func (i inlets) Profile(ctx context.Context, id string) (web.ProfileRead, error) {
	cfg := i.app.cfg
	at := slices.IndexFunc(cfg.Profiles, func(p mapping.ProfileConfig) bool { return p.ID == id })
	if at < 0 {
		return web.ProfileRead{}, fmt.Errorf("profile %s: %w", id, poct.ErrNotFound)
	}
	p := cfg.Profiles[at]
	out := web.ProfileRead{ID: id, Format: p.Format, Model: p.Model, Specimen: p.Specimen}
	zones := registry.Zones(i.app.store.Book())
	for _, in := range cfg.Inlets {
		if !slices.Contains(in.Profiles, id) {
			continue
		}
		out.Inlets = append(out.Inlets, in.ID)
		came, err := i.app.store.CameIn(ctx, in.ID, newestRead)
		if err != nil {
			return out, err
		}
		for _, c := range came {
			if !out.Arrival.Received.Before(c.Received) {
				break // another inlet's is newer
			}
			a, _, err := i.app.store.Arrival(ctx, c.ID)
			if err != nil {
				return out, err
			}
			profiles := i.app.judge.Inlets[in.ID].Profiles
			if !readBy(id, mapping.Decode(a, profiles, zones)) {
				continue
			}
			how := mapping.Explain(a, profiles, zones)
			out.Arrival, out.Fields, out.Ignored = a, readFields(how.Fields), unread(how.Ignored)
			break
		}
	}
	return out, nil
}

func readBy(id string, all []mapping.Decoded) bool {
	return slices.ContainsFunc(all, func(d mapping.Decoded) bool { return d.Reading.Profile == id })
}

func readFields(all []mapping.Explained) []web.ReadField {
	out := make([]web.ReadField, len(all))
	for n, e := range all {
		out[n] = web.ReadField(e)
	}
	return out
}

func unread(all []mapping.Ignored) []web.ReadField {
	out := make([]web.ReadField, len(all))
	for n, e := range all {
		out[n] = web.ReadField{Place: e.Place, From: e.From, To: e.To, Raw: e.Raw}
		if e.Times > 1 {
			out[n].Note = fmt.Sprintf("in %d records", e.Times)
		}
	}
	return out
}

// Try judges the messages of one file on a copy of the data folder.
func (i inlets) Try(ctx context.Context, inlet string, raw []byte) ([]web.Tried, error) {
	if !i.trying.TryLock() {
		return nil, web.ErrBusy
	}
	defer i.trying.Unlock()
	trial, err := NewTrial(ctx, i.app.cfg, inlet)
	if err != nil {
		return nil, err
	}
	defer trial.Close()
	var out []web.Tried
	for _, a := range trial.messages("pasted", mapping.Unframed(raw)) {
		t, err := trial.message(ctx, a)
		if err != nil {
			return nil, err
		}
		x := web.Tried{Arrival: a, Profile: t.Profile, Readings: t.Readings, Problems: t.Problems, Verdict: t.Verdict, Fields: readFields(t.Explained), Ignored: unread(t.Ignored)}
		for _, s := range t.Sends {
			x.Sends = append(x.Sends, web.TriedSend{Outlet: s.Outlet, Body: s.Body})
		}
		out = append(out, x)
	}
	return out, nil
}
