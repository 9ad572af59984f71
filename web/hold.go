package web

import (
	"context"
	"encoding/hex"
	"net/http"
	"strconv"
	"strings"
	"time"

	"tidegate/poct"
	"tidegate/review"
)

const minReason = review.MinReason

type holdView struct {
	ID               string
	Version          int
	Answer, Unsure   string
	Others           string // "5 others wait for this cause"
	Cause, CauseName string
	Place            string // "1 of 6"
	Tone             string
	Patient          *patientStrip
	Rows             []factRow
	Raw              rawView
	History          historyView
	Acts             []actView
	Inputs           []inputView
	MayAct           bool
	Open             bool
	Settled          string
	Overtaken        string
	Call             *callView
	Form             formView
	Result           string
	Opened           int64 // when the page was made, for how long it was looked at
	Unread           bool
}

type patientStrip struct{ Name, Born, Number, Visit, Looked string }

// actView is one act on offer, or why it is not.
type actView struct {
	Act, Name, What, Not string
}

// inputView is a field that a correction may change.
type inputView struct {
	Field, Label, Hint, Value, Kind string
	First                           bool // the field that a problem is about
}

type formView struct {
	Act, Reason string
	Changes     map[string]string
	Faults      []faultView
}

func (w *Server) hold(rw http.ResponseWriter, r *http.Request, c caller) error {
	h, err := w.theHold(r.Context(), c, r.PathValue("id"))
	if err != nil {
		return err
	}
	return w.holdPage(rw, r, c, http.StatusOK, h, formView{}, "")
}

// holdPage shows one hold: evidence left, the decision right.
func (w *Server) holdPage(rw http.ResponseWriter, r *http.Request, c caller, status int, h poct.HoldRecord, form formView, overtaken string) error {
	a, _, err := w.s.Reader.Arrival(r.Context(), h.Arrival)
	if err != nil {
		return err
	}
	pl := w.places()
	zone := pl.zone(h.Site)
	v := holdView{ID: h.ID, Version: h.Version, Tone: "hold", Open: h.Open, Form: form, Overtaken: overtaken, Result: h.Result,
		Opened: pl.now.Unix(), MayAct: c.can(staff) && h.Open, Unread: h.Reading.Kind == poct.KindUnread}
	if h.Critical && !h.Called {
		v.Tone = "stop"
	}
	var broken []string
	facts, err := w.s.Facts(pl.book, h.Reading, a.Received, pl.now)
	if err != nil {
		w.s.Log.Error().Err(err).Str("hold", h.ID).Msg("facts of a hold could not be looked up")
		broken = append(broken, "The registry has not answered. What it would have told is missing below, not assumed.")
	}
	v.Rows = w.factRows(h, facts, err != nil, pl.now, zone)
	v.Answer, v.Unsure = w.answerHold(h, pl.now, zone)
	if err := w.neighbours(r.Context(), c, h, &v); err != nil {
		return err
	}
	v.Patient = strip(h, facts, pl, zone)
	if v.History, err = w.history(h, pl); err != nil {
		w.s.Log.Error().Err(err).Str("hold", h.ID).Msg("a patient's history could not be read")
		broken = append(broken, "This patient's earlier values could not be read.")
		v.History = historyView{None: true}
	}
	v.Raw = raw(r, h, a, facts, pl.now, zone)
	if h.Open {
		if err := w.offer(r.Context(), c, h, &v); err != nil {
			return err
		}
	} else {
		v.Settled = settledBy(h, pl.now, zone)
	}
	if h.Critical && h.Result != "" {
		if v.Call, err = w.openCall(r.Context(), c, h.Result, h.ID); err != nil {
			return err
		}
	}
	if err := w.s.Desk.Look(r.Context(), c.actor, []string{subject(h)}, lookedAt("patient", "bytes", "history")); err != nil {
		return err
	}
	return w.show(rw, r, c, status, "hold", view{Title: "One hold", At: "holds", Body: v, Broken: append(broken, pl.missing()...)})
}

func settledBy(h poct.HoldRecord, now time.Time, zone *time.Location) string {
	if h.Settled == nil {
		return "This is settled."
	}
	if h.Settled.Act == poct.ActReplaced {
		return "A newer version of this result took its place at " + clock(h.Settled.At, now, zone) + "."
	}
	if h.Settled.Act == poct.ActRejudged {
		return "A control that came late had this judged again at " + clock(h.Settled.At, now, zone) + "."
	}
	did := map[poct.Act]string{poct.ActCorrect: "corrected", poct.ActRelease: "released", poct.ActDiscard: "discarded", poct.ActRetry: "sent on again"}[h.Settled.Act]
	return h.Settled.Actor + " " + did + " this at " + clock(h.Settled.At, now, zone) + ": “" + h.Settled.Reason + "”"
}

// answerHold is the heading and the line that says what is unsure.
func (w *Server) answerHold(h poct.HoldRecord, now time.Time, zone *time.Location) (string, string) {
	p := lead(h)
	subject := "INR " + inrOf(h.Reading)
	switch {
	case h.Reading.Kind == poct.KindUnread:
		subject = "An arrival"
	case h.Reading.Kind == poct.KindControl:
		subject = "A control"
	case inrOf(h.Reading) == "none":
		subject = "A result without an INR"
	}
	if !h.Open {
		return subject + " was held. It is settled.", ""
	}
	answer := subject + " is held: " + lowerFirst(clause(p.Text)) + "."
	more, waiting := len(own(h))-1, 0
	for _, q := range h.Problems {
		if q.Because != "" {
			waiting++
		}
	}
	var line []string
	if more > 0 {
		line = append(line, plural(more, "further problem")+" "+verb(more, "stands", "stand")+" below.")
	}
	if waiting > 0 {
		line = append(line, plural(waiting, "check")+" "+verb(waiting, "waits", "wait")+" for this.")
	}
	if h.Delivery != 0 {
		line = append(line, "It passed its checks; the record did not take it.")
	} else {
		line = append(line, "Nothing has been sent.")
	}
	return answer, strings.Join(line, " ") + " Held since " + clock(h.Opened, now, zone) + "."
}

// neighbours finds the other holds of the cause.
func (w *Server) neighbours(ctx context.Context, c caller, h poct.HoldRecord, v *holdView) error {
	v.Cause, v.CauseName = w.title([]poct.HoldRecord{h}), w.causes.name(causeOf(h))
	if !h.Open {
		return nil
	}
	all, err := w.queue.read(ctx, w.s.Reader)
	if err != nil {
		return err
	}
	n, place := 0, 0
	for _, x := range all {
		if causeOf(x) == causeOf(h) && sees(c, x.Site) {
			if n++; x.ID == h.ID {
				place = n
			}
		}
	}
	if n > 1 && place > 0 {
		v.Place = itoa(place) + " of " + thousands(n)
		v.Others = plural(n-1, "other") + " " + verb(n-1, "waits", "wait") + " for the same cause:"
	}
	return nil
}

func strip(h poct.HoldRecord, f poct.Facts, pl *places, zone *time.Location) *patientStrip {
	if h.Reading.Kind != poct.KindPatient {
		return nil
	}
	s := &patientStrip{Looked: "You looked at " + clock(pl.now, pl.now, zone) + "; this look is recorded", Number: h.Reading.Patient.ID}
	if f.Patient != nil {
		s.Name, s.Born = f.Patient.Family+", "+f.Patient.Given, "born "+date(f.Patient.BirthDate)
		if f.Patient.ID != "" {
			s.Number = f.Patient.ID
		}
	} else {
		s.Name, s.Born = "Patient not known", "the registry does not say who this is"
	}
	if v, ok := pl.openVisit(h.Reading.Patient); ok {
		s.Visit = "visit open since " + clock(v.Start, pl.now, pl.zone(v.Site)) + ", " + pl.name(v.Site)
	}
	return s
}

func raw(r *http.Request, h poct.HoldRecord, a poct.Arrival, f poct.Facts, now time.Time, zone *time.Location) rawView {
	asked := -1
	if n, err := strconv.Atoi(r.URL.Query().Get("from")); err == nil && n >= 0 {
		asked = n
	}
	b := boxes(h, f)
	from, to := cutWindow(len(a.Raw), asked, b)
	v := rawView{Hex: r.URL.Query().Get("bytes") == "hex", Link: "/holds/" + h.ID, Download: "/raw/holds/" + h.ID,
		Head: "inlet " + a.Inlet + ", " + moment(a.Received, now, zone, "15:04:05") + ", " + plural(len(a.Raw), "byte") + ", unchanged"}
	if v.Hex {
		v.Lines = hexLines(a.Raw, from, to, b)
	} else {
		v.Lines = textLines(a.Raw, from, to, b)
	}
	view := ""
	if v.Hex {
		view = "&bytes=hex"
	}
	if from > 0 {
		v.Before = v.Link + "?from=" + itoa(max(0, from-window/2)) + view + "#came"
	}
	if to < len(a.Raw) {
		v.After = v.Link + "?from=" + itoa(from+window/2) + view + "#came"
	}
	if v.Before+v.After != "" {
		v.From, v.Until = thousands(from), thousands(to-1)
	}
	return v
}

func (w *Server) holdRaw(rw http.ResponseWriter, r *http.Request, c caller) error {
	h, err := w.theHold(r.Context(), c, r.PathValue("id"))
	if err != nil {
		return err
	}
	return w.download(rw, r, c, h.Arrival, subject(h))
}

// download hands out an arrival's bytes, once the look is written down.
func (w *Server) download(rw http.ResponseWriter, r *http.Request, c caller, arrival, of string) error {
	a, _, err := w.s.Reader.Arrival(r.Context(), arrival)
	if err != nil {
		return err
	}
	if err := w.s.Desk.Look(r.Context(), c.actor, []string{of}, lookedAt("bytes")); err != nil {
		return err
	}
	rw.Header().Set("Content-Type", "application/octet-stream")
	rw.Header().Set("Content-Disposition", `attachment; filename="`+fileName(a.ID)+`.bin"`)
	rw.Header().Set("X-Content-SHA256", hex.EncodeToString(a.Digest[:]))
	_, _ = rw.Write(a.Raw)
	return nil
}
