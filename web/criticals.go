package web

import (
	"context"
	"errors"
	"net/http"

	"tidegate/poct"
	"tidegate/review"
)

// criticalView is a critical result that nobody was told of yet. It stands
// first on Today and Holds, whether it was delivered or is held.
type criticalView struct {
	Result, Link, Value, Meter, Site, Tested, Waited string
	Held                                             bool
}

func (w *Server) criticals(ctx context.Context, c caller, pl *places) ([]criticalView, error) {
	open, err := w.s.Reader.Criticals(ctx, true)
	if err != nil {
		return nil, err
	}
	var out []criticalView
	for _, x := range open {
		if !sees(c, x.Site) {
			continue
		}
		zone := pl.zone(x.Site)
		v := criticalView{Result: x.Result, Link: "/results/" + x.Result, Value: x.Value, Meter: x.Meter, Site: pl.name(x.Site),
			Tested: clock(x.Tested, pl.now, zone), Waited: ago(pl.now.Sub(x.Opened)), Held: x.Hold != ""}
		if v.Held {
			v.Link = "/holds/" + x.Hold
		}
		out = append(out, v)
	}
	return out, nil
}

// callView is the form that records who was told of a critical result.
type callView struct {
	Result, Back, Value   string
	From                  string // "calls": the form stands on the page of the call
	ReadBack, To, Comment string
	Faults                []faultView
}

// openCall is the form for a result that waits to be told, nil if none does.
func (w *Server) openCall(ctx context.Context, c caller, result, back string) (*callView, error) {
	open, err := w.s.Reader.Criticals(ctx, true)
	if err != nil || !c.can(staff) {
		return nil, err
	}
	for _, x := range open {
		if x.Result == result && sees(c, x.Site) {
			return &callView{Result: result, Back: back, Value: x.Value}, nil
		}
	}
	return nil, nil
}

// acknowledge records that a person was told, or that nobody was reached. The
// value that they read back is typed: a number that was misheard shows here,
// before anybody acts on it.
func (w *Server) acknowledge(rw http.ResponseWriter, r *http.Request, c caller) error {
	if err := r.ParseForm(); err != nil {
		return problem{Status: 400, Title: "The form cannot be read."}
	}
	id, f := r.PathValue("id"), r.PostForm
	x, err := w.critical(r, c, id)
	if err != nil {
		return err
	}
	call := &callView{Result: id, Value: x.Value, ReadBack: f.Get("read_back"), To: f.Get("to"), Comment: f.Get("comment"), From: f.Get("from")}
	back := "/results/" + id
	if h := f.Get("hold"); safeID(h) {
		call.Back, back = h, "/holds/"+h
	}
	said, reached := "Recorded: a person was told of this critical result.", f.Get("reached") != "no"
	if !reached {
		call.ReadBack, said = "", "Recorded: nobody was reached. The call stays open; try the next on your list."
	}
	if call.From == "calls" || !reached {
		back = "/calls/" + id
	}
	err = w.s.Desk.Call(r.Context(), c.actor, poct.CallTry{Result: id, To: call.To, Reached: reached, ReadBack: call.ReadBack, Comment: call.Comment})
	var form *review.FormError
	switch {
	case errors.As(err, &form):
		for _, f := range form.Faults {
			call.Faults = append(call.Faults, faultView{f.Field, f.Text})
		}
		return w.callPage(rw, r, c, http.StatusUnprocessableEntity, x, call)
	case errors.Is(err, poct.ErrOvertaken):
		return problem{Status: 409, Code: "overtaken", Title: "Somebody else recorded this call meanwhile.", Detail: "Nothing of yours was written."}
	case err != nil:
		return err
	}
	w.sessions.say(c.session, notice{Text: said})
	http.Redirect(rw, r, back, http.StatusSeeOther)
	return nil
}

// safeID tells whether a text can stand in an address as an id.
func safeID(s string) bool { return s != "" && len(s) <= 128 && fileName(s) == s }
