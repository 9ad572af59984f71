package web

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"tidegate/poct"
	"tidegate/review"
)

// resultsAPage is how many results of a look-back one page judges.
const resultsAPage = 50

type lookBacksView struct {
	Answer, Unsure string
	Open, Closed   []lookBackRow
	NextOpen, Next string
}

type lookBackRow struct {
	Link, Title, Why, Opened, Left string
	Mark, Tone                     string
}

type lookBackView struct {
	ID, Answer, Unsure string
	Why, Span, Now     string
	Kind               string
	MayJudge, MayWiden bool
	Items              []doubtView
	After, Next        string // keys of this page and of the next
	From, WidenReason  string
	Overtaken          string
	Faults             []faultView
}

// doubtView is one result to be judged, with what was typed about it.
type doubtView struct {
	Result, Link, INR, Tested, Meter, State string
	Version                                 int
	Judged, By, Reason                      string
	Word, Mark, Tone                        string
	Choice, Typed                           string
	Carry, Faulty                           bool
	Stands                                  bool
}

// seesLookBack: a recall may touch any site, so everybody learns of it; its
// results are shown by site.
func seesLookBack(c caller, b poct.LookBack) bool {
	return b.Kind == poct.LookBackRecalled || sees(c, b.Site)
}

// lookBackPage reads a page of a look-back that the caller may see, and writes
// the look down. next is the key of the page after it, "" at the end.
func (w *Server) lookBackPage(ctx context.Context, c caller, id, after string, limit int) (b poct.LookBack, next string, err error) {
	if b, err = w.s.Reader.LookBack(ctx, id, after, limit); err == nil && !seesLookBack(c, b) {
		err = poct.ErrNotFound
	}
	if err != nil {
		return poct.LookBack{}, "", fmt.Errorf("look-back %s: %w", id, err)
	}
	if len(b.Items) == limit {
		next = b.Items[limit-1].Result
	}
	b.Items = none(slices.DeleteFunc(slices.Clone(b.Items), func(i poct.LookBackItem) bool { return !sees(c, i.Site) }))
	ids := make([]string, len(b.Items))
	for i, item := range b.Items {
		ids[i] = item.Result
	}
	return b, next, w.s.Desk.Look(ctx, c.actor, ids, lookedAt("inr"))
}

func (w *Server) lookBacks(rw http.ResponseWriter, r *http.Request, c caller) error {
	pl, q := w.places(), r.URL.Query()
	var v lookBacksView
	left := 0
	for _, open := range []bool{true, false} {
		after := q.Get("closed_after")
		if open {
			after = q.Get("after")
		}
		all, err := w.s.Reader.LookBacks(r.Context(), open, after, 100)
		if err != nil {
			return err
		}
		var rows []lookBackRow
		for _, b := range all {
			if !seesLookBack(c, b) {
				continue
			}
			rows = append(rows, w.lookBackRow(b, pl))
			left += b.Left
		}
		next := ""
		if len(all) == 100 {
			next = all[99].ID
		}
		if open {
			if v.Open = rows; next != "" {
				v.NextOpen = "/quality/lookbacks?after=" + url.QueryEscape(next)
			}
		} else if v.Closed = rows; next != "" {
			v.Next = "/quality/lookbacks?closed_after=" + url.QueryEscape(next)
		}
	}
	v.Answer, v.Unsure = "No result waits to be judged.", "A failed control or a recalled lot opens a list here by itself."
	if len(v.Open) > 0 {
		v.Answer = upperFirst(plural(left, "result")) + " " + verb(left, "waits", "wait") + " to be judged, on " + plural(len(v.Open), "list") + "."
		v.Unsure = "Each is judged alone. A list closes when all on it are judged, and opens again when one joins that arrived late."
	}
	return w.show(rw, r, c, http.StatusOK, "lookbacks", view{Title: "Look-backs", At: "quality", Body: v, Broken: pl.missing()})
}

func (w *Server) lookBackRow(b poct.LookBack, pl *places) lookBackRow {
	row := lookBackRow{Link: "/quality/lookbacks/" + b.ID, Title: lookBackTitle(b), Why: b.Why, Opened: clock(b.Opened, pl.now, w.zoneOfLookBack(b, pl)), Mark: "held", Tone: "hold"}
	if b.Left == 0 {
		row.Mark, row.Tone = "passed", "quiet"
	}
	row.Left = thousands(b.Left) + " of " + thousands(b.Total)
	return row
}

func (w *Server) zoneOfLookBack(b poct.LookBack, pl *places) *time.Location {
	if b.Site != "" {
		return pl.zone(b.Site)
	}
	return w.zoneOf(caller{}, pl)
}

func lookBackTitle(b poct.LookBack) string {
	if b.Kind == poct.LookBackRecalled {
		return "Strip lot " + b.StripLot + " was recalled"
	}
	return "A control failed on meter " + b.Meter
}

func (w *Server) lookBack(rw http.ResponseWriter, r *http.Request, c caller) error {
	v, err := w.lookBackView(r.Context(), c, r.PathValue("id"), r.URL.Query().Get("after"))
	if err != nil {
		return err
	}
	return w.showLookBack(rw, r, c, http.StatusOK, v)
}

func (w *Server) showLookBack(rw http.ResponseWriter, r *http.Request, c caller, status int, v lookBackView) error {
	return w.show(rw, r, c, status, "lookback", view{Title: "Look-back", At: "quality", Body: v})
}

func (w *Server) lookBackView(ctx context.Context, c caller, id, after string) (lookBackView, error) {
	b, next, err := w.lookBackPage(ctx, c, id, after, resultsAPage)
	if err != nil {
		return lookBackView{}, err
	}
	pl := w.places()
	zone := w.zoneOfLookBack(b, pl)
	v := lookBackView{ID: b.ID, After: after, Why: b.Why, Kind: string(b.Kind), MayJudge: c.can(judges)}
	v.MayWiden = v.MayJudge && b.Kind == poct.LookBackFailed && !b.From.IsZero() && sees(c, b.Site)
	if next != "" {
		v.Next = "/quality/lookbacks/" + b.ID + "?after=" + url.QueryEscape(next)
	}
	v.Answer = lookBackTitle(b) + ": "
	switch {
	case b.Total == 0:
		v.Answer += "no result is touched."
	case b.Left == 0:
		v.Answer += "all " + plural(b.Total, "result") + " on the list " + verb(b.Total, "is", "are") + " judged."
	default:
		v.Answer += plural(b.Left, "result") + " of " + thousands(b.Total) + " " + verb(b.Left, "waits", "wait") + " to be judged."
	}
	v.Unsure = lookBackSpan(b, pl.now, zone)
	if b.Meter != "" {
		v.Unsure += " Meter " + b.Meter + ", strip lot " + b.StripLot + ", " + pl.name(b.Site) + "."
	}
	v.Now = map[string]string{"passed": "The control was corrected and passes now. The list stays: a person judges it.",
		"withdrawn": "The meter took the control back. The list stays: a person judges it.", "held": "The control is held now. The list stays: a person judges it."}[b.ControlNow]
	if b.Late {
		v.Now = strings.TrimSpace("The control came late: results it casts doubt on were released before. " + v.Now)
	}
	for _, i := range b.Items {
		v.Items = append(v.Items, doubtOf(i, pl))
	}
	return v, nil
}

func lookBackSpan(b poct.LookBack, now time.Time, zone *time.Location) string {
	if b.Kind == poct.LookBackRecalled {
		return "Every result measured with the lot is on this list."
	}
	from := "From the first result known, since no pass before is known,"
	if !b.From.IsZero() {
		from = "From " + clock(b.From, now, zone) + ", the last pass of both levels,"
	}
	if b.To.IsZero() {
		return from + " on; both levels have not passed again yet."
	}
	return from + " to " + clock(b.To, now, zone) + ", when both levels had passed again."
}

func doubtOf(i poct.LookBackItem, pl *places) doubtView {
	zone := pl.zone(i.Site)
	d := doubtView{Result: i.Result, Link: "/results/" + i.Result, INR: i.Value, Tested: clock(i.Tested, pl.now, zone), Meter: i.Meter, Version: i.Version, Judged: string(i.Judged), Stands: i.Stands,
		By: i.By, Reason: i.Reason, State: map[bool]string{true: "in a record, or on its way", false: string(i.State)}[i.Stands]}
	switch i.Judged {
	case "":
		d.Word, d.Mark, d.Tone = "not yet", "waiting", "quiet"
	case poct.Stands:
		d.Word, d.Mark, d.Tone = "stands", "passed", "tide"
	case poct.RepeatAsked:
		d.Word, d.Mark, d.Tone = "repeat asked", "flagged", "hold"
	case poct.TakenBack:
		d.Word, d.Mark, d.Tone = "withdrawn", "stopped", "stop"
	}
	if i.Judged != "" {
		d.By = i.By + ", " + clock(i.At, pl.now, zone)
	}
	return d
}

// judge says of one result what becomes of it, then shows the list again.
func (w *Server) judge(rw http.ResponseWriter, r *http.Request, c caller) error {
	if err := r.ParseForm(); err != nil {
		return problem{Status: 400, Title: "The form cannot be read."}
	}
	id, result, f := r.PathValue("id"), r.PathValue("result"), r.PostForm
	version, err := strconv.Atoi(f.Get("version"))
	if err != nil {
		return problem{Status: 400, Title: "The form cannot be read."}
	}
	j := poct.Judgement{Result: result, Version: version, Judged: poct.Judged(f.Get("judged")), Reason: f.Get("reason")}
	err = w.s.Desk.JudgeItem(r.Context(), c.actor, id, j, f.Get("carry") == "yes")
	if err == nil {
		w.sessions.say(c.session, notice{Text: "Judged: " + judgedWords[j.Judged] + ".", Link: "/results/" + result, LinkText: "See the result"})
		to := "/quality/lookbacks/" + url.PathEscape(id)
		if a := f.Get("after"); a != "" {
			to += "?after=" + url.QueryEscape(a)
		}
		http.Redirect(rw, r, to, http.StatusSeeOther)
		return nil
	}
	faults, overtaken, ours := w.formTrouble(r, err)
	if ours != nil {
		return ours
	}
	v, err := w.lookBackView(r.Context(), c, id, f.Get("after"))
	if err != nil {
		return err
	}
	v.Overtaken = overtaken
	for i := range v.Items {
		if d := &v.Items[i]; d.Result == result {
			d.Choice, d.Typed, d.Carry, d.Faulty = f.Get("judged"), j.Reason, f.Get("carry") == "yes", true
		}
	}
	for _, x := range faults {
		v.Faults = append(v.Faults, faultView{x.Field + "-" + result, x.Text})
	}
	return w.showLookBack(rw, r, c, w.toProblem(r, statusOf(faults, overtaken)).Status, v)
}

var judgedWords = map[poct.Judged]string{poct.Stands: "it stands", poct.RepeatAsked: "a repeat is asked for, and the record is told", poct.TakenBack: "it is withdrawn, and the record is told"}

// formTrouble sorts what a desk answered to a form: faults to be shown at its
// fields, that somebody was faster, or something else.
func (w *Server) formTrouble(r *http.Request, err error) (faults []review.Fault, overtaken string, other error) {
	var form *review.FormError
	switch {
	case errors.As(err, &form):
		return form.Faults, "", nil
	case errors.Is(err, poct.ErrOvertaken):
		return nil, "Somebody else settled this meanwhile. Nothing of yours was sent.", nil
	case errors.Is(err, poct.ErrNotAllowed), errors.Is(err, poct.ErrForbidden):
		p := w.toProblem(r, err)
		return []review.Fault{{Field: "act", Text: strings.TrimSpace(p.Title + " " + p.Detail)}}, "", nil
	}
	return nil, "", err
}

// statusOf is the error whose status a form that is shown again has.
func statusOf(faults []review.Fault, overtaken string) error {
	if overtaken != "" {
		return poct.ErrOvertaken
	}
	return &review.FormError{Faults: faults}
}

// widen moves the beginning of a look-back back.
func (w *Server) widen(rw http.ResponseWriter, r *http.Request, c caller) error {
	if err := r.ParseForm(); err != nil {
		return problem{Status: 400, Title: "The form cannot be read."}
	}
	id, typed := r.PathValue("id"), strings.TrimSpace(r.PostForm.Get("from"))
	b, err := w.s.Reader.LookBack(r.Context(), id, "", 1)
	if err != nil {
		return err
	}
	if !seesLookBack(c, b) {
		return poct.ErrNotFound
	}
	from, err := localTime(typed, w.zoneOfLookBack(b, w.places()))
	var faults []review.Fault
	overtaken := ""
	if err != nil {
		faults = []review.Fault{{Field: "from", Text: "Write from when on results are in doubt, as 2026-11-25 07:20."}}
	} else if err = w.s.Desk.WidenLookBack(r.Context(), c.actor, id, from, r.PostForm.Get("reason")); err == nil {
		w.sessions.say(c.session, notice{Text: "The list begins earlier now. Results that joined wait to be judged."})
		http.Redirect(rw, r, "/quality/lookbacks/"+url.PathEscape(id), http.StatusSeeOther)
		return nil
	} else {
		var ours error
		if faults, overtaken, ours = w.formTrouble(r, err); ours != nil {
			return ours
		}
	}
	v, err := w.lookBackView(r.Context(), c, id, "")
	if err != nil {
		return err
	}
	v.Overtaken, v.From, v.WidenReason = overtaken, typed, r.PostForm.Get("reason")
	for _, x := range faults {
		v.Faults = append(v.Faults, faultView{"widen-" + x.Field, x.Text})
	}
	return w.showLookBack(rw, r, c, w.toProblem(r, statusOf(faults, overtaken)).Status, v)
}

// localTime reads a time as a person of the site types it.
func localTime(text string, zone *time.Location) (time.Time, error) {
	for _, layout := range []string{"2006-01-02 15:04", "2006-01-02T15:04", time.RFC3339} {
		if t, err := time.ParseInLocation(layout, text, zone); err == nil {
			return t, nil
		}
	}
	return time.Time{}, errors.New("not a time")
}
