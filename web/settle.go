package web

import (
	"context"
	"errors"
	"net/http"
	"slices"
	"strconv"
	"strings"

	"tidegate/poct"
	"tidegate/review"
)

// actWords says what an act does, before anybody does it.
var actWords = map[poct.Act]struct{ name, what string }{
	poct.ActCorrect: {"Correct", "Checked again from the start; sent only if all checks pass. The bytes stay as they came."},
	poct.ActRelease: {"Release as it is", "Sent with a mark that says it was released in spite of this."},
	poct.ActRetry:   {"Check again", "Nothing is changed: after the profile or the registry was put right, it is read and checked from the start."},
	poct.ActDiscard: {"Discard", "Never reaches the record. Stays readable here."},
}

// offer lists the acts with none chosen, and for each that is not open, why.
func (w *Server) offer(ctx context.Context, c caller, h poct.HoldRecord, v *holdView) error {
	offers, err := w.s.Desk.Acts(ctx, c.actor, h)
	if err != nil {
		return err
	}
	for _, o := range offers {
		words := actWords[o.Act]
		if o.Act == poct.ActRetry && h.Delivery != 0 {
			words = struct{ name, what string }{"Send again", "The same bytes once more."}
		}
		a := actView{Act: string(o.Act), Name: words.name, What: words.what}
		if o.Err != nil {
			a.Not = whyNot(o.Err, h)
		}
		if v.Unread && o.Act == poct.ActCorrect {
			continue // nothing was read that could be corrected; it can be read again
		}
		v.Acts = append(v.Acts, a)
	}
	v.Inputs = inputs(h, v.Form)
	return nil
}

// whyNot puts a refusal into words: what nobody may, or who may.
func whyNot(err error, h poct.HoldRecord) string {
	p := lead(h)
	switch {
	case errors.Is(err, poct.ErrNotAllowed):
		if t := tail(err, poct.ErrNotAllowed); t != "" {
			return t
		}
		return strings.TrimSpace("Nobody may do this here. " + p.Remedy)
	case errors.Is(err, poct.ErrForbidden):
		if t := tail(err, poct.ErrForbidden); t != "" {
			return t
		}
		return "This is not yours to settle. Ask your coordinator."
	}
	return "This cannot be done here."
}

// inputs are the fields a correction may change, those in doubt first. None
// is filled in: what is right is read from the vial, the wristband or the card.
func inputs(h poct.HoldRecord, form formView) []inputView {
	doubt := map[string]bool{}
	for _, p := range own(h) {
		doubt[p.Field] = true
		switch {
		case strings.HasPrefix(p.Code, "patient-"), p.Code == "second-identifier-conflict", p.Code == "id-check-digit":
			doubt[poct.FieldPatient], doubt[poct.FieldBirthDate] = true, true
		case strings.HasPrefix(p.Code, "lot-"):
			doubt[poct.FieldStripLot] = true
		case p.Code == "future-time", p.Code == "clock-offset", p.Code == "stale-result":
			doubt[poct.FieldTimeOffset] = true
		}
	}
	all := []inputView{
		{Field: poct.FieldPatient, Label: "Patient number, from the wristband or card"},
		{Field: poct.FieldBirthDate, Label: "Birth date, as the patient says it", Hint: "1950-12-31"},
		{Field: poct.FieldStripLot, Label: "Strip lot, from the vial"},
		{Field: poct.FieldOperator, Label: "Operator number, from the badge"},
		{Field: poct.FieldTimeOffset, Label: "Seconds to add to the meter's time", Hint: "-3600 for an hour fast"},
		{Field: poct.FieldCode, Label: "Code of the test, as the record needs it"},
	}
	for i := range all {
		all[i].First, all[i].Value = doubt[all[i].Field], form.Changes[all[i].Field]
	}
	slices.SortStableFunc(all, func(a, b inputView) int { return first(a.First, b.First) })
	return all
}

// settle does one act from the form, then shows the next of the cause.
func (w *Server) settle(rw http.ResponseWriter, r *http.Request, c caller) error {
	if err := r.ParseForm(); err != nil {
		return problem{Status: 400, Title: "The form cannot be read."}
	}
	h, err := w.theHold(r.Context(), c, r.PathValue("id"))
	if err != nil {
		return err
	}
	form := formView{Act: r.PostForm.Get("act"), Reason: r.PostForm.Get("reason"), Changes: map[string]string{}}
	for _, f := range review.Changeable {
		if t := strings.TrimSpace(r.PostForm.Get("change-" + f)); t != "" {
			form.Changes[f] = t
		}
	}
	version, err := strconv.Atoi(r.PostForm.Get("version"))
	if err != nil {
		return problem{Status: 400, Title: "The form cannot be read."}
	}
	st := poct.Settlement{Act: poct.Act(form.Act), Version: version, Reason: form.Reason}
	if st.Act == poct.ActCorrect {
		st.Changes = form.Changes
		if len(form.Changes) == 0 {
			form.Faults = []faultView{{"change-" + inputs(h, form)[0].Field, "Type what is right, or choose Check again."}}
			return w.holdPage(rw, r, c, http.StatusUnprocessableEntity, h, form, "")
		}
	}
	after, err := w.s.Desk.Settle(r.Context(), c.actor, h.ID, st)
	var faults *review.FormError
	switch {
	case errors.As(err, &faults):
		for _, f := range faults.Faults {
			form.Faults = append(form.Faults, faultView{formField(f.Field), f.Text})
		}
		return w.holdPage(rw, r, c, http.StatusUnprocessableEntity, h, form, "")
	case errors.Is(err, poct.ErrOvertaken):
		return w.overtaken(rw, r, c, form)
	case errors.Is(err, poct.ErrNotAllowed), errors.Is(err, poct.ErrForbidden):
		form.Faults = []faultView{{"act", whyNot(err, h)}}
		return w.holdPage(rw, r, c, w.toProblem(r, err).Status, h, form, "")
	case err != nil:
		return err
	}
	w.log(r, c, h, st.Act)
	return w.next(rw, r, c, h, after)
}

// formField names the control on the page that a fault is about.
func formField(field string) string {
	switch {
	case slices.Contains(review.Changeable, field):
		return "change-" + field
	case field == "changes":
		return "act"
	}
	return field
}

// overtaken shows the hold as it is now, with what was typed.
func (w *Server) overtaken(rw http.ResponseWriter, r *http.Request, c caller, form formView) error {
	h, err := w.theHold(r.Context(), c, r.PathValue("id"))
	if err != nil {
		return err
	}
	who := "Somebody else changed this meanwhile."
	if h.Settled != nil {
		pl := w.places()
		who = h.Settled.Actor + " settled this at " + clock(h.Settled.At, pl.now, pl.zone(h.Site)) + "."
	}
	return w.holdPage(rw, r, c, http.StatusConflict, h, form, who+" Nothing of yours was sent.")
}

// log writes how long a hold was open on a screen; the ledger has the act itself.
func (w *Server) log(r *http.Request, c caller, h poct.HoldRecord, act poct.Act) {
	e := w.s.Log.Info().Str("hold", h.ID).Str("actor", c.actor.Name).Str("act", string(act))
	if at, err := strconv.ParseInt(r.PostForm.Get("opened"), 10, 64); err == nil {
		e = e.Int64("open_seconds", w.s.Now().Unix()-at)
	}
	e.Msg("hold settled")
}

// next goes on to the oldest hold of the same cause, and says what became of this one.
func (w *Server) next(rw http.ResponseWriter, r *http.Request, c caller, was, after poct.HoldRecord) error {
	said := notice{Text: "Settled."}
	if t, err := w.s.Reader.Trace(r.Context(), subject(was)); err == nil {
		version := "It"
		if len(t.Versions) > 0 {
			version = "Version " + itoa(t.Versions[len(t.Versions)-1].Version)
		}
		said.Link, said.LinkText = "/results/"+t.ID, "See its life"
		switch t.State {
		case poct.Held:
			said.Text = version + " is still held: " + lowerFirst(clause(lead(newest(t, after)).Text)) + "."
		case poct.Discarded:
			said.Text = "Discarded. It stays readable here."
		case poct.Delivered:
			said.Text = version + " passed. It is in the record."
		case poct.Delivering:
			said.Text = version + " passed. On its way."
		default:
			said.Text = version + " ended as " + string(t.State) + "."
		}
	}
	w.sessions.say(c.session, said)
	all, err := w.queue.read(r.Context(), w.s.Reader)
	if err != nil {
		return err
	}
	to := "/holds"
	for _, x := range all {
		if causeOf(x) == causeOf(was) && sees(c, x.Site) && x.ID != was.ID {
			to = "/holds/" + x.ID
			break
		}
	}
	http.Redirect(rw, r, to, http.StatusSeeOther)
	return nil
}

// newest is the trace's open hold, else the one just settled.
func newest(t poct.Trace, settled poct.HoldRecord) poct.HoldRecord {
	for _, h := range slices.Backward(t.Holds) {
		if h.Open {
			return h
		}
	}
	return settled
}
