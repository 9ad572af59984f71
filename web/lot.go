package web

import (
	"cmp"
	"errors"
	"net/http"
	"net/url"
	"slices"
	"time"

	"tidegate/quality"
	"tidegate/review"
)

type lotView struct {
	Lot, Site, SiteName  string
	Answer, Unsure       string
	Mark, Tone           string
	Needs                []string
	Facts                []factPair
	Meters               []lotMeterRow
	Typed                []factPair // the constants, only once somebody typed them
	Heads                pairHeads
	Pairs                []pairRow
	Figures              string
	Limits               string
	Affected             string
	MayType, MayDecide   bool
	ISI, MNPT            string
	Decision, Reason     string
	TypeFaults, ActFault []faultView
	Earlier              []actionRow
}

type lotMeterRow struct {
	Meter, Link string
	Levels      []lotLevel
	Cleared     bool
}

type lotLevel struct {
	Level, At string
	Passed    bool
}

// pairHeads name the two columns of values.
type pairHeads struct{ Tested, Reference string }

type pairRow struct {
	Tested, Link, Value, Reference, Difference, Percent, Excluded string
	Outside                                                       bool
}

func (w *Server) lot(rw http.ResponseWriter, r *http.Request, c caller) error {
	v, err := w.lotView(r, c, r.URL.Query().Get("site"))
	if err != nil {
		return err
	}
	return w.showLot(rw, r, c, http.StatusOK, v)
}

func (w *Server) showLot(rw http.ResponseWriter, r *http.Request, c caller, status int, v lotView) error {
	return w.show(rw, r, c, status, "lot", view{Title: "Strip lot " + v.Lot, At: "quality", Body: v})
}

// lotView gathers what the acceptance of a lot rests on. The look at the
// paired values is written down by whoever answers.
func (w *Server) lotView(r *http.Request, c caller, site string) (lotView, error) {
	by, err := w.coordinator()
	if err != nil {
		return lotView{}, err
	}
	if site == "" {
		return lotView{}, problem{Status: 400, Title: "A lot is accepted for a site.", Detail: "Open it from the list of lots under Quality."}
	}
	n, err := by.NewLot(r.Context(), c.actor, site, r.PathValue("lot"))
	if err != nil {
		return lotView{}, err
	}
	pl := w.places()
	zone := pl.zone(site)
	v := lotView{Lot: n.StripLot.Lot, Site: site, SiteName: pl.name(site), Needs: n.Needs, MayType: c.can(staff), MayDecide: c.can(deciders) && n.Decided == nil, Heads: pairHeads{"This lot", "Other"}}
	v.answer(n, pl.now, zone)
	v.Facts = []factPair{{"For meters", n.StripLot.Model}, {"Expires", date(n.StripLot.Expires)}}
	if n.Shipment != nil {
		v.Facts = append(v.Facts, factPair{"Came to this site", arrived(n.Shipment.Arrived, zone)}, factPair{"Shipment", n.Shipment.ID})
		if n.Shipment.UseBy != "" {
			v.Facts = append(v.Facts, factPair{"Use by, as stored here", date(n.Shipment.UseBy)})
		}
	}
	if b := n.ReadBack; b != nil {
		v.Typed = []factPair{{"ISI, typed", orNone(b.ISI.String())}, {"ISI, registered", orNone(n.StripLot.ISI.String())}, {"MNPT, typed", orNone(b.MNPT.String())}, {"MNPT, registered", orNone(n.StripLot.MNPT.String())},
			{"By", b.By + ", " + clock(b.At, pl.now, zone)}}
	}
	for _, m := range n.Meters {
		v.Meters = append(v.Meters, lotMeterOf(m, pl.now, zone))
	}
	v.Pairs = pairRows(n.Pairs, n.Figures.Outside, pl.now, zone)
	limits := quality.DefaultLotLimits()
	v.Limits = "At least " + itoa(limits.AtLeast) + " pairs; each " + limits.Pair.Name + "; mean difference at most " + limits.MeanPercent.String() + " %. The director decides whether these fit."
	if n.Figures.N > 0 {
		v.Figures = plural(n.Figures.N, "pair") + " from INR " + n.Figures.Low + " to " + n.Figures.High + ", mean difference " + signed(n.Figures.MeanPercent, 1) + " %, " + thousands(len(n.Figures.Outside)) + " outside the limit."
	}
	for _, a := range slices.Backward(n.Earlier) {
		v.Earlier = append(v.Earlier, actionRow{clock(a.At, pl.now, zone), a.By, a.Decision + ": " + a.Reason})
	}
	return v, nil
}

func (v *lotView) answer(n review.NewLot, now time.Time, zone *time.Location) {
	at := v.SiteName
	switch {
	case n.StripLot.Recalled:
		v.Answer, v.Mark, v.Tone = "Strip lot "+v.Lot+" is recalled: it may not be used.", "stopped", "stop"
	case n.Decided != nil && n.Decided.Decision == review.LotAccepted:
		v.Answer, v.Mark, v.Tone = "Strip lot "+v.Lot+" may be used at "+at+".", "passed", "tide"
	case n.Decided != nil:
		v.Answer, v.Mark, v.Tone = "Strip lot "+v.Lot+" was refused at "+at+".", "stopped", "stop"
	case len(n.Needs) == 0:
		v.Answer, v.Mark, v.Tone = "Strip lot "+v.Lot+" waits for a decision at "+at+": nothing more is needed.", "waiting", "quiet"
	default:
		v.Answer, v.Mark, v.Tone = "Strip lot "+v.Lot+" may not be used at "+at+" yet: "+plural(len(n.Needs), "thing")+" "+verb(len(n.Needs), "is", "are")+" still to be done.", "held", "hold"
	}
	v.Unsure = "Nothing here accepts the lot; a person does, on this evidence."
	if d := n.Decided; d != nil {
		v.Unsure = d.By + " " + d.Decision + " it at " + clock(d.At, now, zone) + ": " + d.Reason
		v.Needs = nil
	}
	var names []string
	for _, m := range n.Meters {
		names = append(names, m.Meter)
	}
	v.Affected = "No meter of this site takes these strips."
	if len(names) > 0 {
		v.Affected = upperFirst(plural(len(names), "meter")) + " of this site " + verb(len(names), "takes", "take") + " these strips: " + list(names, "and") + "."
	}
}

// arrived is when a shipment came, which is written as a date or to the second.
func arrived(text string, zone *time.Location) string {
	if t, err := time.Parse(time.RFC3339, text); err == nil {
		return t.In(zone).Format("2 Jan 2006 15:04")
	}
	return date(text)
}

func lotMeterOf(m review.LotMeter, now time.Time, zone *time.Location) lotMeterRow {
	row := lotMeterRow{Meter: m.Meter, Link: "/quality/controls/" + url.PathEscape(m.Meter), Cleared: m.Cleared}
	for level, at := range m.Passed {
		if _, failed := m.Failed[level]; !failed {
			row.Levels = append(row.Levels, lotLevel{level, clock(at, now, zone), true})
		}
	}
	for level, at := range m.Failed {
		row.Levels = append(row.Levels, lotLevel{level, clock(at, now, zone), false})
	}
	slices.SortFunc(row.Levels, func(a, b lotLevel) int { return cmp.Compare(a.Level, b.Level) })
	return row
}

// pairRows lists pairs, those outside their limit and those left out marked.
func pairRows(pairs, outside []quality.Pair, now time.Time, zone *time.Location) []pairRow {
	out := make([]pairRow, len(pairs))
	for i, p := range pairs {
		row := pairRow{Tested: clock(p.At, now, zone), Link: "/results/" + p.ID, Value: orNone(p.Tested.String()), Reference: orNone(p.Reference.String()), Excluded: p.Excluded}
		if d, share, ok := differenceOf(p); ok {
			row.Difference, row.Percent = signed(d, 1), signed(share, 0)+" %"
		}
		row.Outside = slices.ContainsFunc(outside, func(o quality.Pair) bool { return o.ID == p.ID })
		out[i] = row
	}
	return out
}

// differenceOf is tested minus reference, and in percent of the reference.
func differenceOf(p quality.Pair) (d, percent float64, ok bool) {
	if p.Excluded != "" || !p.Tested.Exact() || !p.Reference.Exact() || p.Reference.Float() <= 0 {
		return 0, 0, false
	}
	d = p.Tested.Float() - p.Reference.Float()
	return d, 100 * d / p.Reference.Float(), true
}

// readBackLot keeps the constants as this person typed them from the box.
func (w *Server) readBackLot(rw http.ResponseWriter, r *http.Request, c caller) error {
	return w.lotAct(rw, r, c, func(by Coordinator, f url.Values) (string, error) {
		_, err := by.ReadBackLot(r.Context(), c.actor, f.Get("site"), r.PathValue("lot"), f.Get("isi"), f.Get("mnpt"))
		return "Kept: the constants as you typed them.", err
	}, func(v *lotView, f url.Values, faults []faultView) {
		v.ISI, v.MNPT, v.TypeFaults = f.Get("isi"), f.Get("mnpt"), faults
	})
}

// decideLot accepts or refuses a lot.
func (w *Server) decideLot(rw http.ResponseWriter, r *http.Request, c caller) error {
	return w.lotAct(rw, r, c, func(by Coordinator, f url.Values) (string, error) {
		a, err := by.DecideLot(r.Context(), c.actor, f.Get("site"), r.PathValue("lot"), f.Get("decision"), f.Get("reason"))
		return "Strip lot " + a.StripLot + " is " + a.Decision + " at this site.", err
	}, func(v *lotView, f url.Values, faults []faultView) {
		v.Decision, v.Reason, v.ActFault = f.Get("decision"), f.Get("reason"), faults
	})
}

// lotAct does one act on a lot; if the form is to be put right, keep puts what
// was typed back into the page.
func (w *Server) lotAct(rw http.ResponseWriter, r *http.Request, c caller, act func(Coordinator, url.Values) (string, error), keep func(*lotView, url.Values, []faultView)) error {
	if err := r.ParseForm(); err != nil {
		return problem{Status: 400, Title: "The form cannot be read."}
	}
	by, err := w.coordinator()
	if err != nil {
		return err
	}
	site := r.PostForm.Get("site")
	said, err := act(by, r.PostForm)
	var form *review.FormError
	if errors.As(err, &form) {
		v, err := w.lotView(r, c, site)
		if err != nil {
			return err
		}
		keep(&v, r.PostForm, faultsOf(form))
		return w.showLot(rw, r, c, http.StatusUnprocessableEntity, v)
	}
	if err != nil {
		return err
	}
	w.sessions.say(c.session, notice{Text: said})
	http.Redirect(rw, r, "/quality/lots/"+url.PathEscape(r.PathValue("lot"))+"?site="+url.QueryEscape(site), http.StatusSeeOther)
	return nil
}
