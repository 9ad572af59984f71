package app

import (
	"context"
	"time"

	"github.com/rs/zerolog"

	"tidegate/config"
	"tidegate/outbound"
	"tidegate/poct"
	"tidegate/review"
	"tidegate/store"
)

// How often each thing is looked at.
const (
	watchOften = 5 * time.Second
	watchSlow  = time.Minute
)

// mostAgeing bounds how many ageing holds are looked at; the oldest come first.
const mostAgeing = 1000

// look asks how things stand and says everything that others should know of
// now, what they were told before too.
type look func(ctx context.Context, now time.Time) ([]poct.Notification, error)

// watcher notices one kind of thing by itself, however long nobody looks at
// the pages, and writes notifications of it. It writes each once; after a
// restart the store knows which were written before.
type watcher struct {
	name  string
	every time.Duration
	look  look
	write func(context.Context, ...poct.Notification) error
	now   func() time.Time
	log   zerolog.Logger

	said map[saying]bool // of what holds still
}

// saying is what a notification says. The hold is not among it: whoever was
// told of the oldest hold of a cause need not be told of the next one too, nor
// of a critical result again because it is held no longer.
type saying struct {
	kind, site, code, about string
	step                    int
}

func (w *watcher) run(ctx context.Context) error {
	tick := time.NewTicker(w.every)
	defer tick.Stop()
	failed := ""
	for {
		err := w.pass(ctx)
		switch now := textOf(err); {
		case ctx.Err() != nil:
			return nil
		case now != failed && err != nil:
			w.log.Error().Err(err).Str("watch", w.name).Msg("how things stand cannot be read or told; tried again until it works")
			failed = now
		case now != failed:
			w.log.Info().Str("watch", w.name).Msg("how things stand is watched again")
			failed = ""
		}
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C:
		}
	}
}

func textOf(err error) string {
	if err == nil {
		return ""
	}
	return err.Error()
}

// pass looks once and writes what was not said yet.
func (w *watcher) pass(ctx context.Context) error {
	now := w.now()
	list, err := w.look(ctx, now)
	if err != nil {
		return err
	}
	said := map[saying]bool{}
	var fresh []poct.Notification
	for _, n := range list {
		s := saying{n.Kind, n.Site, n.Code, n.About, n.Step}
		if !w.said[s] && !said[s] {
			n.At = now
			fresh = append(fresh, n)
		}
		said[s] = true
	}
	if len(fresh) > 0 {
		if err := w.write(ctx, fresh...); err != nil {
			return err
		}
	}
	w.said = said
	return nil
}

// watchers are the things that this daemon notices by itself.
func (a *App) watchers() []*watcher {
	log := a.log.With().Str("stage", "supervision").Logger()
	outlets := &outletWatch{after: a.cfg.OutletDownAfter, since: map[string]time.Time{}}
	list := []*watcher{
		{name: "calls", every: watchOften, look: func(ctx context.Context, now time.Time) ([]poct.Notification, error) {
			open, err := a.store.Criticals(ctx, true)
			return openCalls(open, a.cfg.Calls, now), err
		}},
		{name: "outlets", every: watchOften, look: func(ctx context.Context, now time.Time) ([]poct.Notification, error) {
			counts, err := a.store.Counts(ctx)
			if err != nil {
				return nil, err
			}
			return outlets.down(a.health(), counts.OldestDue, now), nil
		}},
		{name: "holds", every: watchSlow, look: func(ctx context.Context, now time.Time) ([]poct.Notification, error) {
			old, err := a.store.Ageing(ctx, now.Add(-a.cfg.Ageing.Least()), mostAgeing)
			return ageingHolds(old, a.cfg.Ageing, now), err
		}},
		{name: "silence", every: watchSlow, look: func(ctx context.Context, _ time.Time) ([]poct.Notification, error) {
			list, err := a.Silences(ctx)
			return ofSilences(list), err
		}},
	}
	for _, w := range list {
		w.write, w.now, w.log = a.store.Notify, a.opt.Now, log
	}
	return list
}

// health of every outlet that nobody paused: one that rests because a person
// said so is not down.
func (a *App) health() []outbound.Health {
	var out []outbound.Health
	for _, o := range a.outlets {
		h := o.Health()
		if _, paused := a.store.Paused(h.Outlet); !paused {
			out = append(out, h)
		}
	}
	return out
}

// openCalls tells of each critical result that nobody was told of: at once,
// with each reminder, and from the escalation on to others too.
func openCalls(open []poct.Critical, calls config.Calls, now time.Time) []poct.Notification {
	var out []poct.Notification
	for _, c := range open {
		s := review.CallSteps(c.Opened, now, review.CallTimes(calls.At(c.Site)))
		out = append(out, c.Notification(poct.NotifyCritical, s.Reminders))
		if s.Escalations > 0 {
			out = append(out, c.Notification(poct.NotifyEscalated, s.Escalations-1))
		}
	}
	return out
}

// ageingHolds tells of the oldest hold of each site and cause that waits too
// long, and once more each time that it has waited as long again. A thousand
// holds of one cause, after a registry was not filled, are one thing to tell.
func ageingHolds(oldestFirst []store.AgeingHold, ageing config.Ageing, now time.Time) []poct.Notification {
	var out []poct.Notification
	seen := map[[2]string]bool{}
	for _, h := range oldestFirst {
		group, after := [2]string{h.Site, h.Code}, ageing.At(h.Site)
		if age := now.Sub(h.Opened); age >= after && !seen[group] {
			seen[group] = true
			out = append(out, poct.Notification{
				Kind: poct.NotifyAgeing, Site: h.Site, Hold: h.ID, Code: h.Code, Step: int(age/after) - 1,
			})
		}
	}
	return out
}

// outletWatch remembers since when each outlet is down, so that one outage is
// told of once, however the oldest delivery changes meanwhile.
type outletWatch struct {
	after time.Duration
	since map[string]time.Time // when it was noticed
}

// down tells of the outlets that failed for too long, or whose oldest delivery
// has waited too long while attempts fail. A delivery that waits for a person,
// behind one that was refused, is not the outlet's fault.
func (w *outletWatch) down(outlets []outbound.Health, oldestDue map[string]time.Time, now time.Time) []poct.Notification {
	var out []poct.Notification
	for _, h := range outlets {
		due, waiting := oldestDue[h.Outlet]
		stuck := waiting && now.Sub(due) >= w.after && h.LastGood.Before(due) && h.Failures > 0
		if !stuck && (h.Up || now.Sub(h.Since) < w.after) {
			delete(w.since, h.Outlet)
			continue
		}
		if _, known := w.since[h.Outlet]; !known {
			w.since[h.Outlet] = now
		}
		out = append(out, poct.Notification{Kind: poct.NotifyOutlet, Code: h.Outlet, About: moment(w.since[h.Outlet])})
	}
	return out
}

// ofSilences tells of each silence once.
func ofSilences(list []Silence) []poct.Notification {
	var out []poct.Notification
	for _, s := range list {
		n := poct.Notification{Kind: poct.NotifyInlet, Site: s.Site, Code: s.ID, About: moment(s.Since)}
		if s.Kind == SilentMeter {
			n.Kind = poct.NotifyMeter
		}
		out = append(out, n)
	}
	return out
}

// moment tells one outage or silence from the next one of the same thing.
func moment(at time.Time) string { return at.UTC().Format(time.RFC3339Nano) }
