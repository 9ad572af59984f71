package web

import (
	"fmt"
	"net/http"
	"slices"
	"strings"
	"time"

	"tidegate/poct"
)

// toldShown is for how long a call stays on the list once somebody was told.
const toldShown = 30 * 24 * time.Hour

type callsView struct {
	Answer, Unsure string
	Open, Told     []callRow
}

type callRow struct {
	Link, INR, Meter, Tested, Waited, Where string
	Tries                                   int
	Told                                    string
}

type callPage struct {
	Form                   *callView // nil once somebody was told, and for those who only read
	Result, Answer, Unsure string
	Patient                *patientStrip
	Tries                  []tryView
	HoldLink, Closed       string
}

type tryView struct {
	At, By, To, ReadBack, Comment string
	Reached                       bool
}

// calls lists who must be told, and who was.
func (w *Server) calls(rw http.ResponseWriter, r *http.Request, c caller) error {
	all, err := w.s.Reader.Criticals(r.Context(), false)
	if err != nil {
		return err
	}
	pl := w.places()
	var v callsView
	var ids []string
	longest := time.Duration(0)
	for _, x := range all {
		told := x.Told != ""
		if !sees(c, x.Site) || told && pl.now.Sub(x.ToldAt) > toldShown {
			continue
		}
		zone := pl.zone(x.Site)
		row := callRow{Link: "/calls/" + x.Result, INR: x.Value, Meter: x.Meter, Where: pl.name(x.Site), Tested: clock(x.Tested, pl.now, zone), Waited: ago(pl.now.Sub(x.Opened)), Tries: len(x.Tries)}
		ids = append(ids, x.Result)
		if told {
			row.Told = toldBy(x, pl.now, zone)
			v.Told = append(v.Told, row)
			continue
		}
		longest = max(longest, pl.now.Sub(x.Opened))
		v.Open = append(v.Open, row)
	}
	slices.Reverse(v.Told)
	v.Answer, v.Unsure = "Nobody has to be called.", "A critical result opens a call by itself, whether it was sent or is held."
	if n := len(v.Open); n > 0 {
		v.Answer = upperFirst(plural(n, "critical result")) + ": nobody was told yet, the longest for " + ago(longest) + "."
		v.Unsure = "A call closes when the value was read back. Discarding a hold never closes it."
	}
	if err := w.s.Desk.Look(r.Context(), c.actor, ids, lookedAt("inr")); err != nil {
		return err
	}
	return w.show(rw, r, c, http.StatusOK, "calls", view{Title: "Calls", At: "calls", Body: v, Broken: pl.missing()})
}

func toldBy(x poct.Critical, now time.Time, zone *time.Location) string {
	text := x.Told + " told somebody at " + clock(x.ToldAt, now, zone)
	for _, t := range slices.Backward(x.Tries) {
		if t.Reached {
			return t.By + " told " + t.To + " at " + clock(t.At, now, zone)
		}
	}
	return text
}

// critical is a critical result that the caller may see, told of or not.
func (w *Server) critical(r *http.Request, c caller, id string) (poct.Critical, error) {
	for _, open := range []bool{true, false} { // nearly always an open one
		all, err := w.s.Reader.Criticals(r.Context(), open)
		if err != nil {
			return poct.Critical{}, err
		}
		for _, x := range all {
			if x.Result == id && sees(c, x.Site) {
				return x, nil
			}
		}
	}
	return poct.Critical{}, fmt.Errorf("critical result %s: %w", id, poct.ErrNotFound)
}

func (w *Server) call(rw http.ResponseWriter, r *http.Request, c caller) error {
	x, err := w.critical(r, c, r.PathValue("id"))
	if err != nil {
		return err
	}
	var form *callView
	if x.Told == "" && c.can(staff) {
		form = &callView{Result: x.Result, From: "calls", Value: x.Value}
	}
	return w.callPage(rw, r, c, http.StatusOK, x, form)
}

// callPage shows one call: the clock, the value, the patient, every try.
func (w *Server) callPage(rw http.ResponseWriter, r *http.Request, c caller, status int, x poct.Critical, form *callView) error {
	t, err := w.theTrace(r.Context(), c, x.Result)
	if err != nil {
		return err
	}
	pl := w.places()
	zone := pl.zone(x.Site)
	v := callPage{Form: form, Closed: "Your role reads this and calls nobody. Ask your coordinator.", Result: x.Result, Answer: "INR " + x.Value + " was tested " + ago(pl.now.Sub(x.Tested)) + " ago, and nobody was told yet."}
	v.Unsure = "Tested " + clock(x.Tested, pl.now, zone) + " on meter " + x.Meter + ", " + pl.name(x.Site) + "."
	if x.Told != "" {
		v.Answer, v.Closed = "INR "+x.Value+": "+toldBy(x, pl.now, zone)+".", "It is closed: a person was told, and read the value back."
	}
	if x.Hold != "" {
		v.HoldLink = "/holds/" + x.Hold
		v.Unsure += " It is held; the call is due all the same."
	}
	if n := len(t.Versions); n > 0 {
		v.Patient = stripOf(t.Versions[n-1].Result)
	}
	for _, y := range slices.Backward(x.Tries) {
		v.Tries = append(v.Tries, tryView{At: clock(y.At, pl.now, zone), By: y.By, To: y.To, ReadBack: y.ReadBack, Comment: y.Comment, Reached: y.Reached})
	}
	if err := w.s.Desk.Look(r.Context(), c.actor, []string{x.Result}, lookedAt("inr", "patient", "calls")); err != nil {
		return err
	}
	return w.show(rw, r, c, status, "call", view{Title: "A critical result", At: "calls", Body: v, Broken: pl.missing()})
}

// stripOf is whom a result is of, as it would be sent.
func stripOf(r poct.Result) *patientStrip {
	p := patientStrip{Name: strings.Trim(r.Patient.Family+", "+r.Patient.Given, ", "), Number: r.Patient.ID}
	if p.Number == "" {
		p.Number = r.Reading.Patient.ID
	}
	if p.Name == "" {
		p.Name = "Not known by name"
	}
	if r.Patient.BirthDate != "" {
		p.Born = "born " + date(r.Patient.BirthDate)
	}
	return &p
}
