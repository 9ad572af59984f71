package web

import (
	"cmp"
	"context"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"sync"
	"time"

	"tidegate/poct"
)

// mostLotsListed bounds how many lots of the registry the entry looks through.
const mostLotsListed = 500

type qualityView struct {
	Answer, Unsure string
	Tasks          []taskView
	Meters         []meterControls
	More           int
	Lots           []lotRow
	MayTime        bool
}

type meterControls struct {
	Serial, Link, Site, Last string
	Word, Mark, Tone         string
}

type lotRow struct {
	Lot, Link, Site, Came  string
	Word, Mark, Tone, Told string
	open                   bool
}

// quality says what needs the coordinator now.
func (w *Server) quality(rw http.ResponseWriter, r *http.Request, c caller) error {
	ctx, pl := r.Context(), w.places()
	if _, err := w.coordinator(); err != nil {
		return err
	}
	v := qualityView{MayTime: c.can(careReaders)}
	all, err := w.s.Reader.Meters(ctx)
	if err != nil {
		return err
	}
	all = slices.DeleteFunc(slices.Clone(all), func(m poct.Meter) bool { return !sees(c, m.Site) || m.State == "withdrawn" })
	if err := v.controls(all, pl); err != nil {
		return err
	}
	doubts, err := w.openDoubts(ctx, c, pl)
	if err != nil {
		return err
	}
	v.Tasks = append(v.Tasks, doubts...)
	if v.Lots, err = lotsOf(all, pl); err != nil {
		return err
	}
	for _, l := range v.Lots {
		if l.open {
			v.Tasks = append(v.Tasks, taskView{Text: "Strip lot " + l.Lot + " is not accepted at " + l.Site, For: "came " + l.Came, Mark: "held", Tone: "hold", Link: l.Link, LinkText: "Accept or refuse"})
		}
	}
	var broken []string
	apart, err := w.ratesApart(ctx, c, all, pl)
	if err != nil {
		w.s.Log.Error().Err(err).Msg("device errors could not be counted")
		broken = append(broken, "Tests without a result could not be counted just now.")
	}
	v.Tasks = append(v.Tasks, apart...)
	v.Answer, v.Unsure = "Nothing needs the coordinator now.", "Controls, results in doubt, lots and training are looked at each time this page opens."
	if n := len(v.Tasks); n > 0 {
		v.Answer = upperFirst(plural(n, "thing")) + " " + verb(n, "needs", "need") + " the coordinator."
		v.Unsure = "What is in doubt for patients stands first. As of " + pl.now.In(w.zoneOf(c, pl)).Format("15:04") + "."
	}
	return w.show(rw, r, c, http.StatusOK, "quality", view{Title: "Quality", At: "quality", Body: v, Broken: append(broken, pl.missing()...)})
}

// controls lists how the controls of each meter stand, those that failed first.
func (v *qualityView) controls(all []poct.Meter, pl *places) error {
	if v.More = len(all) - mostMeters; v.More > 0 {
		all = all[:mostMeters]
	}
	for _, m := range all {
		runs, err := pl.book.Controls(m.Serial, pl.now.Add(-24*time.Hour), pl.now)
		if err != nil {
			return fmt.Errorf("read controls: %w", err)
		}
		zone := pl.zone(m.Site)
		row := meterControls{Serial: m.Serial, Link: "/quality/controls/" + url.PathEscape(m.Serial), Site: pl.name(m.Site), Last: "none in 24 h", Word: "not run", Mark: "waiting", Tone: "quiet"}
		newest := map[string]poct.Past{}
		for _, p := range runs {
			newest[p.Reading.ControlLevel] = p
			row.Last, row.Word, row.Mark, row.Tone = clock(p.Tested, pl.now, zone), "passed", "passed", "tide"
		}
		for _, level := range sortedKeys(newest) {
			if p := newest[level]; !p.QCPassed {
				row.Word, row.Mark, row.Tone = "failed", "stopped", "stop"
				v.Tasks = append(v.Tasks, taskView{Text: "Meter " + m.Serial + " failed its level " + level + " control", For: clock(p.Tested, pl.now, zone) + ", " + row.Site, Mark: "stopped", Tone: "stop", Link: row.Link, LinkText: "See the chart"})
			}
		}
		v.Meters = append(v.Meters, row)
	}
	rank := map[string]int{"failed": 0, "not run": 1, "passed": 2}
	slices.SortStableFunc(v.Meters, func(a, b meterControls) int {
		return cmp.Or(cmp.Compare(rank[a.Word], rank[b.Word]), cmp.Compare(a.Site, b.Site))
	})
	return nil
}

func (w *Server) openDoubts(ctx context.Context, c caller, pl *places) ([]taskView, error) {
	open, err := w.s.Reader.LookBacks(ctx, true, "", 100)
	if err != nil {
		return nil, err
	}
	var out []taskView
	for _, b := range open {
		if !seesLookBack(c, b) {
			continue
		}
		row := w.lookBackRow(b, pl)
		out = append(out, taskView{Text: row.Title, For: plural(b.Left, "result") + " of " + thousands(b.Total) + " to be judged, since " + row.Opened, Mark: "held", Tone: "hold", Link: row.Link, LinkText: "Judge"})
	}
	return out, nil
}

// lotsOf lists the strip lots that came to these meters' sites and have not
// expired, with what was decided since they came.
func lotsOf(all []poct.Meter, pl *places) ([]lotRow, error) {
	lots, err := pl.book.StripLotNumbers()
	if err != nil {
		return nil, fmt.Errorf("list strip lots: %w", err)
	}
	models := map[string][]string{} // site -> models in use
	for _, m := range all {
		if !slices.Contains(models[m.Site], m.Model) {
			models[m.Site] = append(models[m.Site], m.Model)
		}
	}
	var out []lotRow
	for _, number := range lots[max(0, len(lots)-mostLotsListed):] {
		lot, ok, err := pl.book.StripLot(number)
		if err != nil {
			return nil, fmt.Errorf("read a strip lot: %w", err)
		}
		if !ok || lot.Expires < pl.now.Format(time.DateOnly) {
			continue
		}
		for _, site := range sortedKeys(models) {
			if !slices.Contains(models[site], lot.Model) {
				continue
			}
			row, ok, err := lotAt(lot, site, pl)
			if err != nil {
				return nil, err
			}
			if ok {
				out = append(out, row)
			}
		}
	}
	slices.SortStableFunc(out, func(a, b lotRow) int { return first(a.open, b.open) })
	return out, nil
}

// lotAt is how a lot stands at a site; false if it never came there.
func lotAt(lot poct.StripLot, site string, pl *places) (lotRow, bool, error) {
	shipments, err := pl.book.Shipments(lot.Lot, site)
	if err != nil || len(shipments) == 0 {
		return lotRow{}, false, err
	}
	came := slices.MaxFunc(shipments, func(a, b poct.Shipment) int { return cmp.Compare(a.Arrived, b.Arrived) }).Arrived
	said, err := pl.book.Acceptances(lot.Lot, site)
	if err != nil {
		return lotRow{}, false, err
	}
	zone := pl.zone(site)
	row := lotRow{Lot: lot.Lot, Site: pl.name(site), Came: date(came[:min(len(came), 10)]), Link: "/quality/lots/" + url.PathEscape(lot.Lot) + "?site=" + url.QueryEscape(site),
		Word: "not accepted", Mark: "held", Tone: "hold", open: true}
	for _, a := range said {
		if a.At.In(zone).Format(time.DateOnly) < came[:min(len(came), 10)] {
			continue
		}
		row.open, row.Word, row.Mark, row.Tone = false, a.Decision, "passed", "tide"
		if a.Decision != "accepted" {
			row.Mark, row.Tone = "stopped", "stop"
		}
		row.Told = a.By + ", " + clock(a.At, pl.now, zone)
	}
	if lot.Recalled {
		row.open, row.Word, row.Mark, row.Tone = false, "recalled", "stopped", "stop"
	}
	return row, true, nil
}

// rates keeps what was counted of device errors: counting reads every test of
// ninety days, and an entry page is opened often.
type rates struct {
	mu sync.Mutex
	of map[string]countedRates // by the sites counted
}

type countedRates struct {
	at    time.Time
	apart []taskView
}

// ratesKept is for how long a count is shown again; mostRates bounds how many are kept.
const (
	ratesKept = 15 * time.Minute
	mostRates = 100
)

// ratesApart names the operators, lots, meters and sites whose tests end
// without a result more often than the rest.
func (w *Server) ratesApart(ctx context.Context, c caller, all []poct.Meter, pl *places) ([]taskView, error) {
	sites := []string{""}
	if !c.all() {
		sites = nil
		for _, m := range all {
			if !slices.Contains(sites, m.Site) {
				sites = append(sites, m.Site)
			}
		}
	}
	key := strings.Join(sites, "\n")
	w.rates.mu.Lock()
	defer w.rates.mu.Unlock()
	if known, ok := w.rates.of[key]; ok && pl.now.Sub(known.at) < ratesKept {
		return known.apart, nil
	}
	var out []taskView
	for _, site := range sites {
		at, err := w.ratesAt(ctx, c, site, pl)
		if err != nil {
			return nil, err
		}
		out = append(out, at...)
	}
	if w.rates.of == nil || len(w.rates.of) >= mostRates {
		w.rates.of = map[string]countedRates{}
	}
	w.rates.of[key] = countedRates{pl.now, out}
	return out, nil
}

// ratesAt counts at one site, or with "" at all.
func (w *Server) ratesAt(ctx context.Context, c caller, site string, pl *places) ([]taskView, error) {
	var out []taskView
	for _, g := range groupings {
		e, err := w.s.Coordinator.DeviceErrors(ctx, c.actor, g.by, site, pl.now.AddDate(0, 0, -90), pl.now)
		if err != nil {
			return nil, err
		}
		p := url.Values{"by": {g.by}}
		if site != "" {
			p.Set("site", site)
		}
		for _, x := range e.Groups {
			if x.Apart && x.Higher && x.Name != "" { // who did not say has no name to train
				out = append(out, taskView{Text: upperFirst(g.name) + " " + nameOfGroup(g.by, x.Name, pl) + ": " + share(x.Own.Share) + " of tests ended without a result",
					For: "all others " + share(x.Rest.Share) + ", in 90 days, counted " + clock(pl.now, pl.now, w.zoneOf(c, pl)), Mark: "flagged", Tone: "hold", Link: "/quality/errors?" + p.Encode(), LinkText: "See the rates"})
			}
		}
	}
	return out, nil
}

func sortedKeys[V any](m map[string]V) []string {
	keys := make([]string, 0, len(m))
	for k := range m {
		keys = append(keys, k)
	}
	slices.Sort(keys)
	return keys
}
