package web

import (
	"context"
	"fmt"
	"html/template"
	"net/http"
	"strings"
	"time"

	"tidegate/poct"
)

type todayView struct {
	Answer, Unsure string
	Criticals      []criticalView
	Tasks          []taskView
	MoreTasks      int
	Sum            []sumView
	CameIn         int64
	AddsUp         string // "" if it does
	Resends        int64
	Hours          *hoursView
	Wires          []wireView
	Wired          int
	Changes        []changeView
	MayHolds       bool
	Refused        int // open holds of deliveries that the record refused
}

type taskView struct{ Text, Link, LinkText, For, Tone, Mark string }

type sumView struct {
	Name string
	N    int64
}

type wireView struct{ ID, Kind, Why, Since string }

type changeView struct{ At, What, Who string }

type hoursView struct {
	SVG  template.HTML
	Rows []hourRow
	Cut  string // says so if not all of today could be counted
}

type hourRow struct {
	Hour         string
	Came, Stayed int
}

const mostTasks = 7

func (w *Server) today(rw http.ResponseWriter, r *http.Request, c caller) error {
	ctx, pl := r.Context(), w.places()
	a, err := w.s.Reader.Account(ctx)
	if err != nil {
		return err
	}
	v := todayView{MayHolds: c.can(readers), CameIn: a.Arrivals, Resends: a.Resends}
	if v.MayHolds {
		if v.Criticals, err = w.criticals(ctx, c, pl); err != nil {
			return err
		}
		if err := w.tasks(ctx, c, pl, &v); err != nil {
			return err
		}
	}
	v.sum(a)
	zone := w.zoneOf(c, pl)
	var broken []string
	if v.Hours, v.Changes, err = w.day(ctx, pl.now, zone); err != nil {
		w.s.Log.Error().Err(err).Msg("the day's events could not be read")
		broken = append(broken, "The hours of today could not be counted just now.")
	}
	w.answerToday(&v, a, pl.now, zone)
	if w.s.Wiring != nil {
		for _, x := range w.s.Wiring() {
			v.Wired++
			if !x.Well {
				v.Wires = append(v.Wires, wireView{ID: x.ID, Kind: x.Kind, Why: x.Why, Since: clock(x.Since, pl.now, zone)})
			}
		}
	}
	return w.show(rw, r, c, http.StatusOK, "today", view{Title: "Today", At: "today", Body: v, Broken: append(broken, pl.missing()...)})
}

// zoneOf is the zone for times that belong to no one site: that of the
// caller's first site, else of the first site with a meter.
func (w *Server) zoneOf(c caller, pl *places) *time.Location {
	for _, s := range c.actor.Sites {
		if s != "*" {
			return pl.zone(s)
		}
	}
	if meters, err := w.s.Reader.Meters(context.Background()); err == nil {
		for _, m := range meters {
			if pl.site(m.Site).TimeZone != "" {
				return pl.zone(m.Site)
			}
		}
	}
	return time.UTC
}

func (w *Server) answerToday(v *todayView, a poct.Account, now time.Time, zone *time.Location) {
	waits := thousands(a.Held) + " " + verb(int(a.Held), "waits", "wait")
	switch {
	case a.Arrivals == 0:
		v.Answer, v.Unsure = "Nothing has come in yet.", "The inlets listen; the first arrival shows here."
		return
	case a.Held == 0:
		waits = "nothing waits"
	case v.Refused > 0:
		waits += ", " + thousands(v.Refused) + " of them because the record refused " + verb(v.Refused, "it", "them")
	}
	v.Answer = thousands(a.Delivered) + " went through to the record, " + waits + "."
	if n := len(v.Criticals); n > 0 {
		v.Unsure = upperFirst(plural(n, "critical result")) + ": nobody was told yet. "
	}
	under := a.Waiting + a.Delivering
	if under > 0 {
		v.Unsure += thousands(under) + " " + verb(int(under), "is", "are") + " under way. "
	}
	v.Unsure += "As of " + now.In(zone).Format("15:04") + ", since this ledger began."
}

func (v *todayView) sum(a poct.Account) {
	v.Sum = []sumView{{"delivered", a.Delivered}, {"filed", a.Filed}, {"held", a.Held}, {"duplicate", a.Duplicate},
		{"ignored", a.Ignored}, {"discarded", a.Discarded}, {"under way", a.Waiting + a.Delivering}}
	var sum int64
	for _, s := range v.Sum {
		sum += s.N
	}
	if sum != a.Arrivals || a.Lost != 0 {
		v.AddsUp = fmt.Sprintf("This does not add up: %s came in, %s are accounted for, %s in no state at all. Tell whoever runs this daemon; leave it as it is.",
			thousands(a.Arrivals), thousands(sum), thousands(a.Lost))
	}
}

// tasks are what wants a person, in the order of the queue.
func (w *Server) tasks(ctx context.Context, c caller, pl *places, v *todayView) error {
	all, err := w.queue.read(ctx, w.s.Reader)
	if err != nil {
		return err
	}
	all = w.visible(c, all)
	for _, h := range all {
		if h.Delivery != 0 {
			v.Refused++
		}
	}
	asked := len(all) <= visitsAsked
	here := func(h poct.HoldRecord) bool {
		_, ok := pl.openVisit(h.Reading.Patient)
		return asked && ok
	}
	groups := grouped(all, here, false)
	for i, g := range groups {
		if i == mostTasks {
			v.MoreTasks = len(groups) - mostTasks
			break
		}
		t := taskView{Text: w.title(g.holds), For: strings.Join(texts(what(g.holds), w.desks(g.holds)), ", "), Tone: "hold", Mark: "held",
			Link: "/holds/" + g.holds[0].ID, LinkText: "Open"}
		if len(g.holds) > 1 {
			t.Link, t.LinkText = "/holds/causes/"+w.causes.name(g.cause), "Settle the cause"
		}
		if g.critical {
			t.Tone = "stop"
		}
		if g.holds[0].Delivery != 0 {
			t.Mark, t.Tone, t.Text = "stopped", "stop", "The record does not take it: "+lowerFirst(t.Text)
		}
		v.Tasks = append(v.Tasks, t)
	}
	return nil
}

// eventsRead bounds what Today reads of the ledger.
const eventsRead = 20000

// day counts today's arrivals and holds by hour, and what was changed since yesterday.
func (w *Server) day(ctx context.Context, now time.Time, zone *time.Location) (*hoursView, []changeView, error) {
	events, whole, err := w.since(ctx, now.Add(-24*time.Hour))
	if err != nil {
		return nil, nil, err
	}
	local := now.In(zone)
	midnight := time.Date(local.Year(), local.Month(), local.Day(), 0, 0, 0, 0, zone)
	var came, stayed [24]int
	var changes []changeView
	any := false
	for _, e := range events {
		if !e.Time.Before(midnight) {
			h := e.Time.In(zone).Hour()
			switch e.Kind {
			case poct.EventReceived:
				came[h]++
				any = true
			case poct.EventHeld:
				stayed[h]++
			}
		}
		switch e.Kind {
		case poct.EventRegistry:
			changes = append(changes, changeView{At: clock(e.Time, now, zone), What: "Registry changed", Who: e.Actor})
		case poct.EventStarted:
			changes = append(changes, changeView{At: clock(e.Time, now, zone), What: "tidegate started", Who: e.Actor})
		}
	}
	if len(changes) > 5 {
		changes = changes[len(changes)-5:]
	}
	if !any {
		return nil, changes, nil
	}
	v := &hoursView{SVG: drawHours(came, stayed, local.Hour())}
	for h := range 24 {
		if came[h] > 0 || stayed[h] > 0 {
			v.Rows = append(v.Rows, hourRow{Hour: fmt.Sprintf("%02d", h), Came: came[h], Stayed: stayed[h]})
		}
	}
	if !whole {
		v.Cut = "Only the newest " + thousands(eventsRead) + " events were counted."
	}
	return v, changes, nil
}

const mostTicks = 8 // more holds in an hour are told as a figure

// drawHours draws arrivals as bars and holds as ticks above them.
func drawHours(came, stayed [24]int, now int) template.HTML {
	most := 1
	for _, n := range came {
		most = max(most, n)
	}
	const width, height, left, base = 880, 140, 8, 116
	step := float64(width-2*left) / 24
	var b strings.Builder
	fmt.Fprintf(&b, `<svg class="chart" width="%d" height="%d" viewBox="0 0 %d %d" role="img" aria-labelledby="hours-title"><title id="hours-title">Arrivals and holds by hour; the figures stand in the table below.</title>`, width, height, width, height)
	fmt.Fprintf(&b, `<path class="grid" d="M%d %dH%d"/>`, left, base, width-left)
	for h := range 24 {
		x := left + float64(h)*step
		if h%3 == 0 {
			fmt.Fprintf(&b, `<text class="tick" x="%.1f" y="%d" text-anchor="middle">%02d</text>`, x+step/2, height-6, h)
		}
		if came[h] > 0 {
			tall := float64(came[h]) / float64(most) * 70
			fmt.Fprintf(&b, `<rect class="bar" x="%.1f" y="%.1f" width="%.1f" height="%.1f"/>`, x+3, base-tall, step-6, tall)
			fmt.Fprintf(&b, `<text class="tick" x="%.1f" y="%.1f" text-anchor="middle">%d</text>`, x+step/2, base-tall-5, came[h])
		}
		for i := range min(stayed[h], mostTicks) {
			fmt.Fprintf(&b, `<path class="heldtick" d="M%.1f 4v9"/>`, x+5+float64(i)*3.5)
		}
		if stayed[h] > mostTicks {
			fmt.Fprintf(&b, `<text class="tick held" x="%.1f" y="24" text-anchor="middle">%d</text>`, x+step/2, stayed[h])
		}
		if h == now {
			fmt.Fprintf(&b, `<path class="now" d="M%.1f 4V%d"/>`, x+step, base)
		}
	}
	b.WriteString(`</svg>`)
	return template.HTML(b.String())
}

// since returns the events since a time, oldest first, and whether they are all.
func (w *Server) since(ctx context.Context, from time.Time) ([]poct.Event, bool, error) {
	size, err := w.s.Reader.Size(ctx)
	if err != nil {
		return nil, false, err
	}
	const chunk = 2000
	var out []poct.Event
	for end := size; end > 0 && len(out) < eventsRead; {
		begin := max(0, end-chunk)
		part, err := w.s.Reader.Events(ctx, begin, int(end-begin))
		if err != nil {
			return nil, false, err
		}
		old := 0
		for old < len(part) && part[old].Time.Before(from) {
			old++
		}
		out = append(part[old:], out...)
		if old > 0 || len(part) == 0 {
			return out, true, nil
		}
		end = begin
	}
	return out, len(out) < eventsRead, nil
}
