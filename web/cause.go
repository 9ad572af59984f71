package web

import (
	"net/http"
	"slices"
	"strings"

	"tidegate/poct"
)

type causeView struct {
	Name, Answer, Unsure, For string
	Remedies                  []string
	Registry                  string // the kind of row to put right, "" if none
	Fact                      string
	Rows                      []holdRow
	Total                     int
	Next                      string
	MayAct                    bool
	Batch                     int
	Preview                   string
	Discard                   []string // holds on this page that may be discarded together
	Reason                    string
	Faults                    []faultView
}

type faultView struct{ Field, Text string }

// registryOf names the registry row that settles a whole cause.
var registryOf = map[string]poct.RegistryKind{
	"lot-unknown": poct.StripLots, "operator-unknown": poct.Operators, "operator-lapsed": poct.Operators,
	"meter-unknown": poct.Meters, "meter-withdrawn": poct.Meters, "patient-unknown": poct.Patients,
	"lot-constants-implausible": poct.StripLots,
}

// causeHolds finds the caller's open holds of the cause that a name stands for.
func (w *Server) causeHolds(r *http.Request, c caller) ([]poct.HoldRecord, error) {
	all, err := w.queue.read(r.Context(), w.s.Reader)
	if err != nil {
		return nil, err
	}
	name := r.PathValue("id")
	named := map[string]bool{} // a cause's name is a keyed digest: work it out once each
	return slices.DeleteFunc(w.visible(c, slices.Clone(all)), func(h poct.HoldRecord) bool {
		cause := causeOf(h)
		is, known := named[cause]
		if !known {
			is = w.causes.name(cause) == name
			named[cause] = is
		}
		return !is
	}), nil
}

func (w *Server) cause(rw http.ResponseWriter, r *http.Request, c caller) error {
	return w.causePage(rw, r, c, http.StatusOK, "", nil)
}

func (w *Server) causePage(rw http.ResponseWriter, r *http.Request, c caller, status int, reason string, faults []faultView) error {
	holds, err := w.causeHolds(r, c)
	if err != nil {
		return err
	}
	if len(holds) == 0 {
		return problem{Status: 404, Title: "Nothing waits for this cause any more.", Detail: "It was settled, or this address is from before a restart. See Holds for what waits now."}
	}
	slices.SortStableFunc(holds, func(a, b poct.HoldRecord) int {
		if o := first(urgent(a), urgent(b)); o != 0 {
			return o
		}
		return a.Opened.Compare(b.Opened)
	})
	pl, p := w.places(), lead(holds[0])
	title := w.title(holds)
	v := causeView{Name: r.PathValue("id"), Total: len(holds), For: w.desks(holds), MayAct: c.can(staff), Reason: reason, Faults: faults,
		Answer: title + ". " + upperFirst(plural(len(holds), "result")+" "+verb(len(holds), "waits", "wait")+" for it."),
		Unsure: "Each is checked again and logged by itself; none is released in bulk."}
	for _, h := range holds {
		for _, q := range own(h) {
			if q.Code == p.Code && q.Remedy != "" && !slices.Contains(v.Remedies, q.Remedy) && len(v.Remedies) < 3 {
				v.Remedies = append(v.Remedies, q.Remedy)
			}
		}
	}
	if k, ok := registryOf[p.Code]; ok {
		v.Registry = string(k)
		_, v.Fact, _ = strings.Cut(holds[0].Cause, "|")
	}
	page := after(holds, r.URL.Query().Get("after"), rowsAPage)
	if len(page) > 0 && page[len(page)-1].ID != holds[len(holds)-1].ID {
		v.Next = r.URL.Path + "?after=" + page[len(page)-1].ID
	}
	for _, h := range page {
		v.Rows = append(v.Rows, w.row(r.Context(), h, title, len(holds), pl))
	}
	v.Batch = min(len(holds), rowsAPage)
	v.Discard = w.discardList(c, page)
	broken := pl.missing()
	if v.MayAct {
		// The act takes the holds in the order of the queue, as causeHolds gives them.
		inQueue, err := w.causeHolds(r, c)
		if err != nil {
			return err
		}
		if v.Preview, err = w.preview(r.Context(), c, inQueue[:min(len(inQueue), rowsAPage)]); err != nil {
			w.s.Log.Error().Err(err).Msg("what checking again would do could not be told")
			broken = append(broken, "What checking again would do could not be told just now.")
		}
	}
	if err := w.s.Desk.Look(r.Context(), c.actor, subjects(page), lookedAt("initials", "birth year", "inr")); err != nil {
		return err
	}
	return w.show(rw, r, c, status, "cause", view{Title: "Holds of one cause", At: "holds", Body: v, Broken: broken})
}

func verb(n int, one, many string) string {
	if n == 1 {
		return one
	}
	return many
}

// causeAgain has each hold of a cause checked again, one after another, each
// act logged by itself. It releases nothing: what passes passes by its checks.
func (w *Server) causeAgain(rw http.ResponseWriter, r *http.Request, c caller) error {
	if err := r.ParseForm(); err != nil {
		return problem{Status: 400, Title: "The form cannot be read."}
	}
	reason := r.PostForm.Get("reason")
	if len([]rune(strings.TrimSpace(reason))) < minReason {
		return w.causePage(rw, r, c, http.StatusUnprocessableEntity, reason,
			[]faultView{{"reason", "Write what you put right: " + itoa(minReason) + " characters or more."}})
	}
	holds, err := w.causeHolds(r, c)
	if err != nil {
		return err
	}
	holds = holds[:min(len(holds), rowsAPage)]
	passed, stays, not := 0, 0, 0
	for _, h := range holds {
		after, err := w.s.Desk.Settle(r.Context(), c.actor, h.ID, poct.Settlement{Act: poct.ActRetry, Version: h.Version, Reason: reason})
		switch {
		case err != nil:
			if p := w.toProblem(r, err); p.Status >= 500 {
				return err
			}
			not++
		case after.Open:
			stays++
		default:
			if t, err := w.s.Reader.Trace(r.Context(), subject(h)); err == nil && t.State == poct.Held {
				stays++
			} else {
				passed++
			}
		}
	}
	text := upperFirst(plural(len(holds), "result")) + " checked again: " + thousands(passed) + " passed, " + thousands(stays) + " " + verb(stays, "stays", "stay") + " held."
	if not > 0 {
		text += " " + thousands(not) + " could not be checked again by you."
	}
	w.sessions.say(c.session, notice{Text: text})
	http.Redirect(rw, r, "/holds", http.StatusSeeOther)
	return nil
}
