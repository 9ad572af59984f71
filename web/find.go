package web

import (
	"context"
	"crypto/hmac"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"net/http"
	"strings"
	"time"

	"tidegate/poct"
	"tidegate/review"
)

type findView struct {
	Answer, Unsure string
	Rows           []foundRow
	Text           string
	Patient        string
	BirthDate      string
	MayPatient     bool
	Faults         []faultView
	Searched       bool
}

type foundRow struct {
	ID, Link, What, State, Meter, Site, Tested string
	Mark, Tone                                 string
}

const mostFound = 100

// search looks for what the caller may see, and logs that somebody searched:
// kind, hits and a keyed digest, never the words. A patient's number may come
// without the birth date.
func (w *Server) search(ctx context.Context, c caller, q Query) ([]string, error) {
	q.Text, q.Patient, q.BirthDate = strings.TrimSpace(q.Text), strings.TrimSpace(q.Patient), strings.TrimSpace(q.BirthDate)
	kind := "id"
	if q.Patient != "" || q.BirthDate != "" {
		kind = "patient"
	}
	if kind == "patient" && c.masked() {
		return nil, problem{Status: 403, Code: "forbidden", Title: "This is not open to your role.", Detail: "An engineer finds by result, arrival, meter or record id, not by patient."}
	}
	var faults []review.Fault
	switch {
	case kind == "patient" && q.Patient == "":
		faults = append(faults, review.Fault{Field: "patient", Text: "Type the patient's number beside the birth date."})
	case q.BirthDate != "" && !isDate(q.BirthDate):
		faults = append(faults, review.Fault{Field: "birth_date", Text: birthDateForm})
	case kind == "id" && q.Text == "":
		faults = append(faults, review.Fault{Field: "text", Text: "Type an id: of a result, an arrival, a control, a meter, a lot or the record's own."})
	case len(q.Text) > 256 || len(q.Patient) > 256:
		faults = append(faults, review.Fault{Field: "text", Text: "An id has at most 256 characters."})
	}
	if len(faults) > 0 {
		return nil, &review.FormError{Faults: faults}
	}
	ids, err := w.s.Reader.Find(ctx, q)
	if err != nil && !errors.Is(err, poct.ErrNotFound) {
		return nil, err
	}
	var mine []string
	for _, id := range ids {
		t, err := w.s.Reader.Trace(ctx, id)
		if err != nil {
			if errors.Is(err, poct.ErrNotFound) {
				continue
			}
			return nil, err
		}
		if c.masked() || sees(c, t.Site) {
			mine = append(mine, id)
		}
		if len(mine) == mostFound {
			break
		}
	}
	m := hmac.New(sha256.New, w.causes.key)
	m.Write([]byte(q.Text + "\x00" + q.Patient + "\x00" + q.BirthDate))
	w.s.Log.Info().Str("actor", c.actor.Name).Str("kind", kind).Int("hits", len(mine)).
		Str("digest", hex.EncodeToString(m.Sum(nil)[:8])).Msg("searched")
	return mine, nil
}

// searchForm is search for what a person typed: there a number stands beside a
// birth date, because a slip in the number alone shows somebody else's results.
func (w *Server) searchForm(ctx context.Context, c caller, q Query) ([]string, error) {
	if strings.TrimSpace(q.Patient) != "" && strings.TrimSpace(q.BirthDate) == "" && !c.masked() {
		return nil, &review.FormError{Faults: []review.Fault{{Field: "birth_date", Text: birthDateForm}}}
	}
	return w.search(ctx, c, q)
}

const birthDateForm = "Type the birth date as year, month, day: 1950-12-31."

func isDate(s string) bool {
	_, err := time.Parse(time.DateOnly, s)
	return err == nil
}

func (w *Server) findForm(rw http.ResponseWriter, r *http.Request, c caller) error {
	return w.findPage(rw, r, c, http.StatusOK, findView{Answer: "Where is it?", Unsure: "Find a result by any id that stands on it, or a patient by number and birth date."})
}

func (w *Server) findPage(rw http.ResponseWriter, r *http.Request, c caller, status int, v findView) error {
	v.MayPatient = !c.masked()
	return w.show(rw, r, c, status, "find", view{Title: "Find", At: "find", Body: v})
}

func (w *Server) find(rw http.ResponseWriter, r *http.Request, c caller) error {
	if err := r.ParseForm(); err != nil {
		return problem{Status: 400, Title: "The form cannot be read."}
	}
	q := Query{Text: r.PostForm.Get("text"), Patient: r.PostForm.Get("patient"), BirthDate: r.PostForm.Get("birth_date")}
	ids, err := w.searchForm(r.Context(), c, q)
	var faults *review.FormError
	if errors.As(err, &faults) {
		v := findView{Answer: "Where is it?", Unsure: "Something is still to be put right.", Text: q.Text, Patient: q.Patient, BirthDate: q.BirthDate}
		for _, f := range faults.Faults {
			v.Faults = append(v.Faults, faultView{f.Field, f.Text})
		}
		return w.findPage(rw, r, c, http.StatusUnprocessableEntity, v)
	}
	if err != nil {
		return err
	}
	if c.session == nil {
		return problem{Status: 403, Title: "Pages with results need a session.", Detail: "Sign in, or use the API."}
	}
	kind := "id"
	if q.Patient != "" {
		kind = "patient"
	}
	token := w.sessions.keep(c.session, finding{ids: ids, kind: kind})
	http.Redirect(rw, r, "/found/"+token, http.StatusSeeOther)
	return nil
}

func (w *Server) found(rw http.ResponseWriter, r *http.Request, c caller) error {
	if c.session == nil {
		return poct.ErrNotFound
	}
	f, ok := w.sessions.finding(c.session, r.PathValue("token"))
	if !ok {
		return problem{Status: 404, Title: "This search is no longer kept.", Detail: "What was found is kept for 15 minutes, for the sign-in that searched. Search again."}
	}
	v := findView{Searched: true, Answer: plural(len(f.ids), "result") + " found."}
	switch {
	case len(f.ids) == 0:
		v.Answer = "Nothing here."
		v.Unsure = "That is not “never measured”: the meter may not have connected."
	case len(f.ids) == mostFound:
		v.Unsure = "These are the newest " + itoa(mostFound) + "; there may be older ones."
	case len(f.ids) == 1:
		v.Unsure = "Newest version of what was found."
	default:
		v.Unsure = "Newest first."
	}
	pl := w.places()
	for _, id := range f.ids {
		t, err := w.s.Reader.Trace(r.Context(), id)
		if err != nil {
			return err
		}
		v.Rows = append(v.Rows, foundLine(t, pl, c))
	}
	if err := w.s.Desk.Look(r.Context(), c.actor, f.ids, lookedAt("inr", "tested")); err != nil {
		return err
	}
	return w.findPage(rw, r, c, http.StatusOK, v)
}

// foundLine tells one thing found. An engineer is not told a value.
func foundLine(t poct.Trace, pl *places, c caller) foundRow {
	row := foundRow{ID: t.ID, Link: "/results/" + t.ID, State: string(t.State), What: "an arrival that was not read", Site: pl.name(t.Site)}
	if c.masked() {
		row.Link = "/api/v1/arrivals/" + t.ID
		if len(t.Arrivals) > 0 {
			row.Link = "/api/v1/arrivals/" + t.Arrivals[0] + "/raw"
		}
	}
	switch t.State {
	case poct.Delivered:
		row.Mark, row.Tone = "passed", "tide"
	case poct.Held:
		row.Mark, row.Tone = "held", "hold"
	case poct.Waiting, poct.Delivering:
		row.Mark, row.Tone = "waiting", "quiet"
	}
	if n := len(t.Versions); n > 0 {
		r := t.Versions[n-1].Result.Reading
		switch {
		case r.Kind == poct.KindControl:
			row.What = "control"
		case r.Kind == poct.KindEvent:
			row.What = "device event"
		case r.Kind == poct.KindPatient:
			row.What = "result"
		}
		if inr := inrOf(r); inr != "none" && !c.masked() {
			row.What = strings.TrimSpace("INR " + inr + " " + strings.TrimPrefix(row.What, "result"))
		}
		row.Meter = r.Meter
		if !r.Tested().IsZero() {
			row.Tested = clock(r.Tested(), pl.now, pl.zone(t.Site))
		}
	}
	return row
}
