package web

import (
	"net/http"
	"strconv"

	"tidegate/poct"
)

// withdrawView is the form that takes a result back from the record.
type withdrawView struct {
	Result, Reason string
	Version        int
	Faults         []faultView
}

// mayWithdraw offers the form for a result that some record has, or is about to.
func mayWithdraw(c caller, t poct.Trace) *withdrawView {
	n := len(t.Versions)
	if n == 0 || !c.can(staff) || t.State != poct.Delivered && t.State != poct.Delivering || withdrawn(t) || t.Versions[n-1].Result.Reading.Kind != poct.KindPatient {
		return nil
	}
	return &withdrawView{Result: t.ID, Version: t.Versions[n-1].Version}
}

// withdraw takes a result back; the old value stays readable.
func (w *Server) withdraw(rw http.ResponseWriter, r *http.Request, c caller) error {
	if err := r.ParseForm(); err != nil {
		return problem{Status: 400, Title: "The form cannot be read."}
	}
	id := r.PathValue("id")
	version, err := strconv.Atoi(r.PostForm.Get("version"))
	if err != nil {
		return problem{Status: 400, Title: "The form cannot be read."}
	}
	reason := r.PostForm.Get("reason")
	if err = w.s.Desk.Withdraw(r.Context(), c.actor, id, version, reason); err == nil {
		w.sessions.say(c.session, notice{Text: "Withdrawn. The record is told; the old value stays readable here."})
		http.Redirect(rw, r, "/results/"+id, http.StatusSeeOther)
		return nil
	}
	faults, overtaken, ours := w.formTrouble(r, err)
	if ours != nil {
		return ours
	}
	form := &withdrawView{Result: id, Reason: reason, Version: version}
	for _, f := range faults {
		form.Faults = append(form.Faults, faultView{"withdraw-" + f.Field, f.Text})
	}
	if overtaken != "" {
		form.Faults = []faultView{{"withdraw-reason", overtaken + " Read it again before you act."}}
	}
	return w.resultPage(rw, r, c, w.toProblem(r, statusOf(faults, overtaken)).Status, form)
}
