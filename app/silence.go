package app

import (
	"context"
	"fmt"
	"time"

	"tidegate/config"
	"tidegate/poct"
)

// Kinds of silence.
const (
	SilentInlet = "inlet"
	SilentMeter = "meter"
)

// Silence is an inlet or a meter that was not heard from within its usual time.
type Silence struct {
	Kind  string        `json:"kind"`
	ID    string        `json:"id"`             // the inlet's id, the meter's serial
	Site  string        `json:"site,omitempty"` // of a meter
	Since time.Time     `json:"since"`          // when it was last heard; if never, when this daemon began to listen
	Never bool          `json:"never,omitempty"`
	Usual time.Duration `json:"usual"`
}

// settling is how long after a start nothing counts as silent: those who found
// nobody here come again within it.
const settling = 10 * time.Minute

// hearing is what is known of who was heard when.
type hearing struct {
	started time.Time
	inlets  map[string]time.Time // last message by inlet
	meters  map[string]time.Time // last reading or conversation by serial
}

// silences gives one answer to who is silent, for the pages, the metrics and
// those who are told: the watched inlets in the order of the configuration, then
// the meters in use by serial. usual is the time of the meters, 0 if they are
// not watched. The readiness of a meter goes by the same time and is stricter:
// one that was never heard is not ready from the first moment.
func silences(now time.Time, h hearing, inlets []config.Inlet, meters []poct.Meter, usual time.Duration) []Silence {
	var out []Silence
	if now.Sub(h.started) < settling {
		return nil
	}
	last := func(at time.Time) (since time.Time, never bool) {
		if at.IsZero() {
			return h.started, true
		}
		return at, false
	}
	for _, in := range inlets {
		since, never := last(h.inlets[in.ID])
		if in.Silent(since, now) {
			out = append(out, Silence{Kind: SilentInlet, ID: in.ID, Since: since, Never: never, Usual: in.Usual})
		}
	}
	for _, m := range meters {
		since, never := last(h.meters[m.Serial])
		if watched(m, usual) && now.Sub(since) > usual {
			out = append(out, Silence{Kind: SilentMeter, ID: m.Serial, Site: m.Site, Since: since, Never: never, Usual: usual})
		}
	}
	return out
}

// watched tells whether anybody wonders about a meter that is not heard.
func watched(m poct.Meter, usual time.Duration) bool { return usual > 0 && m.State == "in-use" }

// Silences tells who is silent now.
func (a *App) Silences(ctx context.Context) ([]Silence, error) {
	meters, err := reader{a.store}.Meters(ctx)
	if err != nil {
		return nil, err
	}
	return a.silencesOf(ctx, meters)
}

func (a *App) silencesOf(ctx context.Context, meters []poct.Meter) ([]Silence, error) {
	heard, err := a.store.InletsHeard(ctx)
	if err != nil {
		return nil, fmt.Errorf("read when inlets were heard: %w", err)
	}
	counts, err := a.store.Counts(ctx)
	if err != nil {
		return nil, fmt.Errorf("read when meters were heard: %w", err)
	}
	contacts, err := a.store.Contacts(ctx)
	if err != nil {
		return nil, fmt.Errorf("read contacts: %w", err)
	}
	h := hearing{started: a.started, inlets: heard, meters: counts.Meters}
	for _, c := range contacts {
		if c.At.After(h.meters[c.Meter]) {
			h.meters[c.Meter] = c.At
		}
	}
	return silences(a.opt.Now(), h, a.cfg.Inlets, meters, a.cfg.MetersUsual), nil
}
