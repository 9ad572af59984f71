package app

import (
	"context"

	"tidegate/poct"
	"tidegate/review"
)

// outlets tells how the outlets do, and pauses them.
type outlets struct {
	*review.Outlets
	app *App
}

func (a *App) newOutlets() outlets {
	sites := map[string][]string{}
	for _, o := range a.cfg.Outlets {
		sites[o.ID] = o.Sites
	}
	return outlets{review.NewOutlets(a.store, sites), a}
}

// List gives the outlets in the order of the configuration.
func (o outlets) List(ctx context.Context) ([]poct.OutletState, error) {
	counts, err := o.app.store.Counts(ctx)
	if err != nil {
		return nil, err
	}
	out := make([]poct.OutletState, len(o.app.cfg.Outlets))
	for i, c := range o.app.cfg.Outlets {
		s := poct.OutletState{
			ID: c.ID, Kind: c.Kind, Sites: c.Sites, State: poct.OutletIdle,
			Backlog: counts.Backlog[c.ID], OldestDue: counts.OldestDue[c.ID],
		}
		if i < len(o.app.outlets) { // none where a command opened the folder without a daemon
			h := o.app.outlets[i].Health()
			s.State, s.Since, s.Why, s.NextTry, s.InFlight = poct.OutletOpen, h.Since, h.Reason, h.NextTry, h.InFlight
			if !h.Up {
				s.State = poct.OutletFailing
			}
		}
		if p, paused := o.app.store.Paused(c.ID); paused {
			s.State, s.Since, s.Why, s.Pause = poct.OutletPaused, p.At, "Paused by "+p.By+": "+p.Reason, &p
		}
		out[i] = s
	}
	return out, nil
}
