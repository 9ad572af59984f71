package web

import (
	"cmp"
	"context"
	"fmt"
	"html/template"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"tidegate/poct"
)

// mostMeters is how many meters are asked about for one page; more choose a site.
const mostMeters = 200

// stale is how old a page about meters may be before it says so.
const stale = 5 * time.Minute

type metersView struct {
	Answer, Unsure string
	AsOf           string
	StaleAfter     int // seconds
	Asked          string
	Unknown        string // what is told of a number that is no meter here
	Sites          []optionView
	Rows           []meterRow
	More           int
	Axis           template.HTML
	Empty          string
	PrintLink      string
	Print          *wallView
}

// wallView is the head of a print for the wall.
type wallView struct{ AsOf, Until string }

type meterRow struct {
	Serial, Link, Model, Place string
	Ready                      bool
	Mark, Tone, Word           string
	Why, More                  string // what is first against it, in bold, and the rest of it
	Remedy                     string
	Flags                      []string
	Until, Ends                string
	Soon                       bool // it ends for another reason than that controls are due
	Strip                      template.HTML
}

// meters lists the registered meters that the caller may ask about: a nurse's
// sites, an engineer all.
func (w *Server) meters(ctx context.Context, c caller) ([]poct.Meter, error) {
	all, err := w.s.Reader.Meters(ctx)
	if err != nil {
		return nil, err
	}
	return slices.DeleteFunc(slices.Clone(all), func(m poct.Meter) bool { return !seesMeter(c, m) }), nil
}

func seesMeter(c caller, m poct.Meter) bool { return c.can([]string{engineer}) || sees(c, m.Site) }

// readiness asks about one meter that the caller may see.
func (w *Server) readiness(ctx context.Context, c caller, serial string) (poct.Meter, poct.Readiness, error) {
	m, ok, err := w.s.Reader.Book().Meter(serial)
	if err == nil && (!ok || !seesMeter(c, m) || w.s.Readiness == nil) {
		err = poct.ErrNotFound
	}
	if err != nil {
		return m, poct.Readiness{}, fmt.Errorf("meter %s: %w", serial, err)
	}
	ready, err := w.s.Readiness(ctx, serial)
	ready.Why = none(ready.Why)
	return m, ready, err
}

// metersPage answers for every meter at once: Not now first.
func (w *Server) metersPage(rw http.ResponseWriter, r *http.Request, c caller) error {
	if w.s.Readiness == nil {
		return problem{Status: 404, Title: "Readiness is not known here.", Detail: "This daemon was started without the rules for it."}
	}
	q, pl := r.URL.Query(), w.places()
	zone := w.zoneOf(c, pl)
	v := metersView{AsOf: pl.now.In(zone).Format("15:04"), StaleAfter: int(stale / time.Second), Asked: strings.TrimSpace(q.Get("serial"))}
	all, err := w.meters(r.Context(), c)
	if err != nil {
		return err
	}
	if v.Asked != "" {
		for _, m := range all {
			if strings.EqualFold(m.Serial, v.Asked) {
				http.Redirect(rw, r, "/meters/"+url.PathEscape(m.Serial), http.StatusSeeOther)
				return nil
			}
		}
		v.Unknown = "Not now: no meter of your sites has this number. Read it from the label on its back; if it is right, ask your coordinator to register it."
	}
	in := slices.DeleteFunc(all, func(m poct.Meter) bool { return m.State == "withdrawn" })
	in, v.Sites = metersAt(in, q.Get("site"), pl)
	if v.More = len(in) - mostMeters; v.More > 0 {
		in = in[:mostMeters]
	}
	from, _ := dayWindow(pl.now.In(zone))
	v.Axis = stripAxis(from)
	yes, earliest := 0, time.Time{}
	for _, m := range in {
		ready, err := w.s.Readiness(r.Context(), m.Serial)
		var row meterRow
		if err == nil {
			row, err = w.meterRow(m, ready, pl)
		}
		if err != nil {
			w.s.Log.Error().Err(err).Str("meter", m.Serial).Msg("whether a meter may be used could not be looked up")
			pl.broken, ready.Ready = true, false
			row = unknownRow(m, pl)
		}
		if ready.Ready {
			if yes++; !ready.Until.IsZero() && (earliest.IsZero() || ready.Until.Before(earliest)) {
				earliest = ready.Until
			}
		}
		v.Rows = append(v.Rows, row)
	}
	slices.SortStableFunc(v.Rows, func(a, b meterRow) int { return cmp.Or(first(!a.Ready, !b.Ready), cmp.Compare(a.Place, b.Place)) })
	v.answer(yes, len(in), placeOf(in, pl))
	link := url.Values{"print": {"yes"}}
	if s := q.Get("site"); s != "" {
		link.Set("site", s)
	}
	v.PrintLink = "/meters?" + link.Encode()
	if q.Get("print") == "yes" {
		v.Print = &wallView{AsOf: pl.now.In(zone).Format("2 Jan 2006 15:04"), Until: "no yes on it has an end that is known"}
		if !earliest.IsZero() {
			v.Print.Until = "valid until " + clock(earliest, pl.now, zone) + ", the earliest end of a yes; take it down then"
		}
	}
	return w.show(rw, r, c, http.StatusOK, "meters", view{Title: "Meters", At: "meters", Body: v, Broken: pl.missing()})
}

func (v *metersView) answer(yes, all int, place string) {
	v.Unsure = "As of " + v.AsOf + ". This list knows only what has reached it; the meter’s own display comes first."
	if all == 0 {
		v.Answer, v.Empty = "No meter is registered here.", "A meter shows here once its row is in the registry, with a site that is yours. Ask your coordinator."
		return
	}
	v.Answer = fmt.Sprintf("May I use this meter now? %s of %s%s: yes.", thousands(yes), thousands(all), place)
	if yes == 0 {
		v.Answer = fmt.Sprintf("May I use this meter now? None of %s%s: not now.", thousands(all), place)
	}
}

// placeOf names the site if all are of one.
func placeOf(in []poct.Meter, pl *places) string {
	if len(in) == 0 || slices.ContainsFunc(in, func(m poct.Meter) bool { return m.Site != in[0].Site }) {
		return ""
	}
	return " at " + pl.name(in[0].Site)
}

// metersAt keeps the meters of one site, ordered by site and serial, and lists
// the sites to choose from.
func metersAt(all []poct.Meter, site string, pl *places) ([]poct.Meter, []optionView) {
	slices.SortFunc(all, func(a, b poct.Meter) int {
		return cmp.Or(cmp.Compare(pl.name(a.Site), pl.name(b.Site)), cmp.Compare(a.Serial, b.Serial))
	})
	var ids []string
	for _, m := range all {
		if !slices.Contains(ids, m.Site) {
			ids = append(ids, m.Site)
		}
	}
	return slices.DeleteFunc(all, func(m poct.Meter) bool { return site != "" && m.Site != site }), siteOptions(ids, site, pl)
}

// siteOptions offers sites to choose from; none if there is one alone.
func siteOptions(ids []string, chosen string, pl *places) []optionView {
	if len(ids) < 2 {
		return nil
	}
	options := []optionView{{Name: "all " + itoa(len(ids)) + " sites", On: chosen == ""}}
	for _, id := range ids {
		options = append(options, optionView{Value: id, Name: pl.name(id), On: id == chosen})
	}
	return options
}

// meterRow puts an answer about a meter into words.
func (w *Server) meterRow(m poct.Meter, ready poct.Readiness, pl *places) (meterRow, error) {
	zone := pl.zone(m.Site)
	row := meterRow{Serial: m.Serial, Link: "/meters/" + url.PathEscape(m.Serial), Model: m.Model, Place: pl.name(m.Site), Ready: ready.Ready,
		Mark: "stopped", Tone: "stop", Word: "Not now"}
	day, err := w.dayOf(m, ready, pl)
	if err != nil {
		return row, err
	}
	row.Strip = day.draw("strip-" + m.Serial)
	if ready.Ready {
		for _, p := range ready.Why {
			row.Flags = append(row.Flags, p.Text) // what holds would have made it a no
		}
		row.Mark, row.Tone, row.Word = "passed", "tide", "Yes"
		row.More = passedWords(ready, pl.now, zone)
		row.Until, row.Ends, row.Soon = endWords(ready, pl)
		return row, nil
	}
	p := firstAgainst(ready)
	row.Why, row.More, _ = strings.Cut(p.Text, ". ")
	if row.More != "" {
		row.Why += "."
	}
	row.Remedy, row.Until = p.Remedy, untilWords[p.Code]
	if row.Until == "" {
		row.Until = "until that is settled"
	}
	return row, nil
}

// unknownRow is a meter of which nothing could be looked up: not known is not now.
func unknownRow(m poct.Meter, pl *places) meterRow {
	return meterRow{Serial: m.Serial, Link: "/meters/" + url.PathEscape(m.Serial), Model: m.Model, Place: pl.name(m.Site), Mark: "stopped", Tone: "stop", Word: "Not now",
		Why: "The registry has not answered.", More: "Whether its controls passed is not known.", Remedy: "Ask again in a minute; until then use the paper record of its controls.", Until: "until it answers"}
}

// firstAgainst is the first problem that makes it a no.
func firstAgainst(ready poct.Readiness) poct.Problem {
	for _, p := range ready.Why {
		if p.Severity == poct.Hold {
			return p
		}
	}
	return poct.Problem{Text: "Why is not known.", Remedy: "Take another meter and ask your coordinator."}
}

// untilWords says what ends a no.
var untilWords = map[string]string{
	"meter-silent": "until it connects", "qc-overdue": "until both levels pass", "qc-failed": "until both levels pass", "qc-not-cleared": "until both levels pass",
	"lot-expired": "until another lot is in it", "lot-recalled": "until another lot is in it", "lot-unknown": "until its lot is registered",
	"lot-not-accepted": "until the lot is accepted", "meter-unknown": "until it is registered", "meter-withdrawn": "until it is back in use", "clock-offset": "until its clock is right",
}

// passedWords says when the levels passed last, and on which lot.
func passedWords(ready poct.Readiness, now time.Time, zone *time.Location) string {
	text := ""
	if at := lastClear(ready); !at.IsZero() {
		text = "Controls passed " + clock(at, now, zone) + "."
	}
	if ready.StripLot != "" {
		text = strings.TrimSpace(text + " Lot " + ready.StripLot + ".")
	}
	return text
}

// lastClear is when the older of the levels' last passes was: both had passed then or later.
func lastClear(ready poct.Readiness) time.Time {
	var at time.Time
	for _, t := range ready.LastPass {
		if t.After(at) {
			at = t
		}
	}
	return at
}

// endWords says when a yes ends, and by what. soon is an end that new controls
// do not put off.
func endWords(ready poct.Readiness, pl *places) (until, ends string, soon bool) {
	if ready.Until.IsZero() {
		return "no end is known", "", false
	}
	zone := pl.zone(ready.Site)
	until = clock(ready.Until, pl.now, zone)
	for _, at := range ready.LastPass {
		if every := pl.site(ready.Site).QCInterval; every > 0 && at.Add(every).Equal(ready.Until) {
			return until, "controls due", false
		}
	}
	if lot, ok, err := pl.book.StripLot(ready.StripLot); err == nil && ok {
		if day, err := time.ParseInLocation(time.DateOnly, lot.Expires, zone); err == nil && !ready.Until.Before(day) {
			return until, "strips expire", true
		}
	}
	return until, "ask again then", false
}
