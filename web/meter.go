package web

import (
	"html/template"
	"net/http"
	"net/url"
	"strings"

	"tidegate/poct"
)

type meterView struct {
	Answer, Unsure   string
	AsOf             string
	StaleAfter       int
	Row              meterRow
	Against, Flags   []againstView
	Facts            []factPair
	Axis, Strip      template.HTML
	StripWords       string
	Controls         []controlLine
	ChartLink, Other string
}

type againstView struct{ Text, Remedy, Limit string }

type factPair struct{ Name, Value string }

type controlLine struct {
	Tested, Level, Lot string
	Passed             bool
}

// meterPage answers for the meter in somebody's hand.
func (w *Server) meterPage(rw http.ResponseWriter, r *http.Request, c caller) error {
	m, ready, err := w.readiness(r.Context(), c, r.PathValue("serial"))
	if err != nil {
		return err
	}
	pl := w.places()
	zone := pl.zone(m.Site)
	v := meterView{AsOf: pl.now.In(zone).Format("15:04"), StaleAfter: int(stale.Seconds())}
	if v.Row, err = w.meterRow(m, ready, pl); err != nil {
		return err
	}
	if v.Row.Ready {
		v.Answer = "Yes, use meter " + m.Serial + " now"
		if !ready.Until.IsZero() {
			v.Answer += ", until " + v.Row.Until
		}
		v.Answer += "."
	} else {
		v.Answer = "Not now: do not use meter " + m.Serial + "."
	}
	v.Unsure = "As of " + v.AsOf + ", at " + pl.name(m.Site) + ". This page knows only what has reached it; the meter’s own display comes first."
	for _, p := range ready.Why {
		a := againstView{p.Text, p.Remedy, p.Limit}
		if p.Severity == poct.Hold {
			v.Against = append(v.Against, a)
		} else {
			v.Flags = append(v.Flags, a)
		}
	}
	v.Facts = []factPair{{"Model", orNone(m.Model)}, {"Site", pl.name(m.Site)}, {"Strip lot it used last", orNone(ready.StripLot)},
		{"Last heard from", clock(ready.LastHear, pl.now, zone)}}
	for _, level := range sortedKeys(ready.LastPass) {
		v.Facts = append(v.Facts, factPair{"Level " + level + " passed last", clock(ready.LastPass[level], pl.now, zone)})
	}
	if v.Row.Ends != "" {
		v.Facts = append(v.Facts, factPair{"The yes ends", v.Row.Until + ", " + v.Row.Ends})
	}
	d, err := w.dayOf(m, ready, pl)
	if err != nil {
		return err
	}
	v.Axis, v.Strip, v.StripWords = stripAxis(d.from), d.draw("strip-day"), d.words()
	for _, k := range d.controls {
		v.Controls = append(v.Controls, controlLine{Tested: clock(k.Tested, pl.now, zone), Level: k.Level, Lot: k.Lot, Passed: k.Passed})
	}
	if c.can(qualityReaders) && w.s.Coordinator != nil {
		v.ChartLink = "/quality/controls/" + url.PathEscape(m.Serial)
	}
	if !v.Row.Ready {
		if v.Other, err = w.another(r, c, m, pl); err != nil {
			return err
		}
	}
	return w.show(rw, r, c, http.StatusOK, "meter", view{Title: "Meter " + m.Serial, At: "meters", Body: v, Broken: pl.missing()})
}

// another is a meter of the same site that may be used now, "" if none is.
func (w *Server) another(r *http.Request, c caller, than poct.Meter, pl *places) (string, error) {
	all, err := w.meters(r.Context(), c)
	if err != nil {
		return "", err
	}
	asked := 0
	for _, m := range all {
		if m.Site != than.Site || m.Serial == than.Serial || m.State == "withdrawn" || asked == mostMeters {
			continue
		}
		asked++
		ready, err := w.s.Readiness(r.Context(), m.Serial)
		if err != nil {
			return "", err
		}
		if ready.Ready {
			return strings.TrimSpace(m.Serial), nil
		}
	}
	return "", nil
}
