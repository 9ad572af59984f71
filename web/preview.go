package web

import (
	"context"
	"net/http"
	"slices"
	"strconv"
	"strings"

	"tidegate/poct"
)

// preview says what checking these holds again would do now: how many would
// pass, and what would keep the others.
func (w *Server) preview(ctx context.Context, c caller, holds []poct.HoldRecord) (string, error) {
	book := w.s.Reader.Book()
	passes, stays, kept := 0, 0, map[string]int{}
	for _, h := range holds {
		a, _, err := w.s.Reader.Arrival(ctx, h.Arrival)
		if err != nil {
			return "", err
		}
		d, err := w.s.Desk.Preview(ctx, c.actor, book, h, a)
		if err != nil {
			return "", err
		}
		why := keeps(d)
		if why == "" && len(d.Outcomes) > 0 {
			passes++
			continue
		}
		stays++
		kept[why]++
	}
	text := upperFirst(plural(len(holds), "result")) + " will be checked again. As things stand " + thousands(passes) + " would pass, " + thousands(stays) + " " + verb(stays, "stays", "stay") + " held"
	var reasons []string
	for _, why := range sortedKeys(kept) {
		if why != "" {
			reasons = append(reasons, lowerFirst(w.titleOf(why))+" "+thousands(kept[why]))
		}
	}
	if len(reasons) > 0 {
		text += " (" + strings.Join(reasons, ", ") + ")"
	}
	return text + ".", nil
}

// keeps is the code of the first problem that would hold it; "" if nothing would.
func keeps(d poct.Decision) string {
	for _, o := range d.Outcomes {
		if o.Verdict != poct.HoldIt {
			continue
		}
		for _, p := range o.Problems {
			if p.Severity == poct.Hold && p.Because == "" {
				return p.Code
			}
		}
	}
	return ""
}

func (w *Server) titleOf(code string) string {
	if k, ok := w.checks[code]; ok && k.Title != "" {
		return k.Title
	}
	return upperFirst(strings.ReplaceAll(code, "-", " "))
}

// inBulk are the checks whose holds may be discarded together: what they find
// is never a patient's result.
var inBulk = []string{"3", "11", "22", "30"}

// mostDiscarded is how many are discarded at once: as many as are looked at.
const mostDiscarded = 20

// mayDiscard tells whether every hold of a cause has but one problem of its
// own, of a check whose holds may be discarded together.
func (w *Server) mayDiscard(holds []poct.HoldRecord) bool {
	return !slices.ContainsFunc(holds, func(h poct.HoldRecord) bool {
		return h.Critical && !h.Called || slices.ContainsFunc(own(h), func(p poct.Problem) bool {
			return p.Severity == poct.Hold && !slices.Contains(inBulk, p.Check)
		})
	})
}

// causeDiscard discards the holds that a person was shown, each by itself, as
// they were shown: one that was settled or changed meanwhile is left alone.
func (w *Server) causeDiscard(rw http.ResponseWriter, r *http.Request, c caller) error {
	if err := r.ParseForm(); err != nil {
		return problem{Status: 400, Title: "The form cannot be read."}
	}
	all, err := w.causeHolds(r, c)
	if err != nil {
		return err
	}
	f := r.PostForm
	var chosen []poct.HoldRecord
	for _, x := range f["hold"] {
		id, version, _ := strings.Cut(x, " ")
		if i := slices.IndexFunc(all, func(h poct.HoldRecord) bool { return h.ID == id && strconv.Itoa(h.Version) == version }); i >= 0 {
			chosen = append(chosen, all[i])
		}
	}
	switch {
	case len(f["hold"]) > mostDiscarded || len(chosen) == 0 || !w.mayDiscard(chosen):
		return problem{Status: 422, Code: "not-allowed", Title: "These are not discarded together.", Detail: "Nothing was changed. Open each one and settle it by itself."}
	case len([]rune(strings.TrimSpace(f.Get("reason")))) < minReason:
		return w.causePage(rw, r, c, http.StatusUnprocessableEntity, f.Get("reason"), []faultView{{"why", "Write what you checked: " + itoa(minReason) + " characters or more."}})
	case strings.TrimSpace(f.Get("count")) != itoa(len(f["hold"])):
		return w.causePage(rw, r, c, http.StatusUnprocessableEntity, f.Get("reason"), []faultView{{"count", "Type how many are discarded, as the list below shows."}})
	}
	done := 0
	for _, h := range chosen {
		_, err := w.s.Desk.Settle(r.Context(), c.actor, h.ID, poct.Settlement{Act: poct.ActDiscard, Version: h.Version, Reason: f.Get("reason")})
		if err != nil {
			if p := w.toProblem(r, err); p.Status >= 500 {
				return err
			}
			continue
		}
		done++
	}
	text := upperFirst(plural(done, "result")) + " discarded; each stays readable here."
	if left := len(f["hold"]) - done; left > 0 {
		text += " " + thousands(left) + " " + verb(left, "was", "were") + " left alone: settled meanwhile, or not yours to discard."
	}
	w.sessions.say(c.session, notice{Text: text})
	http.Redirect(rw, r, "/holds", http.StatusSeeOther)
	return nil
}

// discardList are the holds on this page that may be discarded together, as
// the form sends them.
func (w *Server) discardList(c caller, page []poct.HoldRecord) []string {
	page = page[:min(len(page), mostDiscarded)]
	if !c.can(staff) || len(page) < 2 || !w.mayDiscard(page) {
		return nil
	}
	var out []string
	for _, h := range page {
		if !w.s.Desk.Mine(c.actor, h) {
			return nil
		}
		out = append(out, h.ID+" "+itoa(h.Version))
	}
	return out
}
