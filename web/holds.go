package web

import (
	"context"
	"net/http"
	"net/url"
	"slices"
	"strings"

	"tidegate/poct"
)

const (
	groupsAPage = 100
	rowsAGroup  = 3
	rowsAPage   = 100
	// asking the registry for each waiting patient's visit is for a queue that
	// people can work off; in a longer one it is not asked.
	visitsAsked = 500
)

// holdRow is one hold in a list: initials and birth year, no more of a person.
type holdRow struct {
	Link, Waited, INR, Patient, Meter, Site, Tested, Came, Particular string
	Unread, Critical                                                  bool
}

type groupView struct {
	Title, Count, For string
	Tone              string
	Link, LinkText    string // what the button does
	Rows              []holdRow
	More              int
	MoreLink          string
}

type filterView struct {
	Name, Link string
	Count      int
	On         bool
}

type holdsView struct {
	Answer, Unsure string
	Filters        []filterView
	Groups         []groupView
	Criticals      []criticalView
	Sites          []optionView
	ByAge          bool
	Show           string
	Empty          string
	Next           string
	Newest         string
	Total          int
}

type optionView struct {
	Value, Name string
	On          bool
}

func (w *Server) holds(rw http.ResponseWriter, r *http.Request, c caller) error {
	all, err := w.queue.read(r.Context(), w.s.Reader)
	if err != nil {
		return err
	}
	all = w.visible(c, all)
	q, pl := r.URL.Query(), w.places()
	v := holdsView{Total: len(all), ByAge: q.Get("order") == "age", Show: q.Get("show")}
	all, v.Sites = atSite(all, q.Get("site"), pl)

	asked := len(all) <= visitsAsked
	here := func(h poct.HoldRecord) bool {
		if !asked {
			return false
		}
		_, ok := pl.openVisit(h.Reading.Patient)
		return ok
	}
	chosen := w.filter(&v, c, all, here, asked, r.URL)
	groups := grouped(chosen, here, v.ByAge)
	w.answerHolds(&v, all, groups, here, pl)

	var shown []string
	groups, v.Next = pageOf(groups, w.causes, r.URL)
	for _, g := range groups {
		gv, ids := w.groupView(r.Context(), g, pl)
		v.Groups, shown = append(v.Groups, gv), append(shown, ids...)
	}
	if v.Criticals, err = w.criticals(r.Context(), c, pl); err != nil {
		return err
	}
	if err := w.s.Desk.Look(r.Context(), c.actor, shown, lookedAt("initials", "birth year", "inr")); err != nil {
		return err
	}
	return w.show(rw, r, c, http.StatusOK, "holds", view{Title: "Holds", At: "holds", Body: v, Broken: pl.missing()})
}

// missing says what a page could not learn.
func (p *places) missing() []string {
	if p.broken {
		return []string{"The registry did not answer. What it would have told is missing below, not assumed."}
	}
	return nil
}

// atSite keeps the holds of one site and lists the sites to choose from.
func atSite(all []poct.HoldRecord, site string, pl *places) ([]poct.HoldRecord, []optionView) {
	var ids []string
	for _, h := range all {
		if !slices.Contains(ids, h.Site) {
			ids = append(ids, h.Site)
		}
	}
	if len(ids) < 2 {
		return all, nil
	}
	slices.Sort(ids)
	options := []optionView{{Value: "", Name: "all " + itoa(len(ids)) + " sites", On: site == ""}}
	for _, id := range ids {
		name := pl.name(id)
		if id == "" {
			id, name = "none", "no known site"
		}
		options = append(options, optionView{Value: id, Name: name, On: id == site})
	}
	if site == "" {
		return all, options
	}
	kept := slices.DeleteFunc(slices.Clone(all), func(h poct.HoldRecord) bool { return h.Site != strings.Replace(site, "none", "", 1) })
	return kept, options
}

// filter counts what each filter would show and keeps what the chosen one does.
func (w *Server) filter(v *holdsView, c caller, all []poct.HoldRecord, here func(poct.HoldRecord) bool, asked bool, u *url.URL) []poct.HoldRecord {
	filters := []struct {
		key, name string
		keep      func(poct.HoldRecord) bool
		ask       bool
	}{
		{"", "all", func(poct.HoldRecord) bool { return true }, true},
		{"critical", "critical", func(h poct.HoldRecord) bool { return h.Critical }, true},
		{"here", "patient still here", here, asked},
		{"refused", "refused by the record", func(h poct.HoldRecord) bool { return h.Delivery != 0 }, true},
		{"mine", "I can settle", func(h poct.HoldRecord) bool { return w.s.Desk.Mine(c.actor, h) }, c.can(staff)},
	}
	chosen := all
	for _, f := range filters {
		if !f.ask {
			continue
		}
		var kept []poct.HoldRecord
		for _, h := range all {
			if f.keep(h) {
				kept = append(kept, h)
			}
		}
		on := f.key == v.Show
		if on {
			chosen = kept
		}
		if f.key == "" || len(kept) > 0 || on {
			v.Filters = append(v.Filters, filterView{Name: f.name, Count: len(kept), On: on, Link: with(u, "show", f.key)})
		}
	}
	return chosen
}

// with is this address with one setting changed and the paging begun anew.
func with(u *url.URL, key, value string) string {
	q := u.Query()
	q.Del("after")
	if q.Set(key, value); value == "" {
		q.Del(key)
	}
	if len(q) == 0 {
		return u.Path
	}
	return u.Path + "?" + q.Encode()
}

// pageOf is the page of groups behind the one named in ?after=.
func pageOf(groups []group, names causeNames, u *url.URL) ([]group, string) {
	if a := u.Query().Get("after"); a != "" {
		i := slices.IndexFunc(groups, func(g group) bool { return names.name(g.cause) == a })
		groups = groups[i+1:]
	}
	if len(groups) <= groupsAPage {
		return groups, ""
	}
	groups = groups[:groupsAPage]
	return groups, with(u, "after", names.name(groups[len(groups)-1].cause))
}

// answerHolds writes the heading, which is the answer, and the line below it.
func (w *Server) answerHolds(v *holdsView, all []poct.HoldRecord, groups []group, here func(poct.HoldRecord) bool, pl *places) {
	if len(all) == 0 {
		v.Answer = "Nothing waits."
		v.Empty = "Whatever a check stops stands here until a person settles it."
		return
	}
	causes := 0
	critical, called, still := 0, 0, 0
	oldest, newest := all[0].Opened, all[0].Opened
	seen := map[string]bool{}
	for _, h := range all {
		if k := causeOf(h); !seen[k] {
			seen[k] = true
			causes++
		}
		if h.Critical {
			critical++
			if h.Called {
				called++
			}
		}
		if here(h) {
			still++
		}
		if h.Opened.Before(oldest) {
			oldest = h.Opened
		}
		if h.Opened.After(newest) {
			newest = h.Opened
		}
	}
	verb := "wait"
	if len(all) == 1 {
		verb = "waits"
	}
	v.Answer = thousands(len(all)) + " " + verb + " here, for " + plural(causes, "cause") + "."
	switch {
	case still == 1:
		v.Answer += " One of the patients is still in the clinic."
	case still > 1:
		v.Answer += " " + few(still) + " of the patients are still in the clinic."
	}
	v.Unsure = "Longest wait " + ago(pl.now.Sub(oldest)) + "."
	switch {
	case critical == 1 && called == 1:
		v.Unsure += " One is critical; a person was told."
	case critical == 1:
		v.Unsure += " One is critical, and nobody was told yet."
	case critical > 1:
		v.Unsure += " " + few(critical) + " are critical; a person was told of " + strings.ToLower(few(called)) + "."
	}
	if len(groups) == 0 {
		v.Empty = "Nothing of this kind waits."
	}
	v.Newest = "Newest hold " + clock(newest, pl.now, pl.zone(all[len(all)-1].Site)) + "."
}

func (w *Server) groupView(ctx context.Context, g group, pl *places) (groupView, []string) {
	name := w.causes.name(g.cause)
	v := groupView{Title: w.title(g.holds), Count: what(g.holds), For: w.desks(g.holds), Tone: "hold",
		Link: "/holds/" + g.holds[0].ID, LinkText: "Open"}
	if g.critical {
		v.Tone, v.Count = "stop", v.Count+", critical"
	}
	if len(g.holds) > 1 {
		v.Link, v.LinkText = "/holds/causes/"+name, "Settle the cause"
	}
	rows := g.holds[:min(rowsAGroup, len(g.holds))]
	v.More, v.MoreLink = len(g.holds)-len(rows), "/holds/causes/"+name
	for _, h := range rows {
		v.Rows = append(v.Rows, w.row(ctx, h, v.Title, len(g.holds), pl))
	}
	return v, subjects(rows)
}

// what counts a cause's holds: results, arrivals that became none, meters.
func what(holds []poct.HoldRecord) string {
	unread := 0
	meters := map[string]bool{}
	for _, h := range holds {
		if h.Reading.Kind == poct.KindUnread {
			unread++
		} else if h.Reading.Meter != "" {
			meters[h.Reading.Meter] = true
		}
	}
	if unread == len(holds) {
		return plural(unread, "arrival")
	}
	text := plural(len(holds), "result")
	if len(meters) > 1 {
		text += ", " + plural(len(meters), "meter")
	}
	return text
}

// row is one hold in a list, one of n with its cause.
func (w *Server) row(ctx context.Context, h poct.HoldRecord, title string, n int, pl *places) holdRow {
	r := h.Reading
	zone := pl.zone(h.Site)
	row := holdRow{Link: "/holds/" + h.ID, Waited: wait(pl.now.Sub(h.Opened)), Critical: urgent(h),
		INR: inrOf(r), Patient: pl.initials(h), Meter: r.Meter, Site: pl.name(h.Site), Tested: clock(r.Tested(), pl.now, zone)}
	if r.Kind == poct.KindUnread {
		row.Unread, row.Meter, row.Patient, row.Tested = true, "not read", "not read", clock(h.Opened, pl.now, zone)
		if a, _, err := w.s.Reader.Arrival(ctx, h.Arrival); err == nil {
			row.Meter, row.Site, row.Came = "inlet", a.Inlet, plural(len(a.Raw), "byte")+" came"
		}
	}
	if r.Tested().IsZero() && r.Kind != poct.KindUnread {
		row.Tested = "not read"
	}
	row.Particular = w.particular(h, title, n, row.Came, pl)
	return row
}

// inrOf is the INR as sent, "none" where there is none.
func inrOf(r poct.Reading) string {
	if m, ok := r.Measured("inr"); ok && m.RawValue != "" {
		return m.RawValue
	}
	return "none"
}

// initials and birth year: enough to know a waiting patient by, no more.
func (p *places) initials(h poct.HoldRecord) string {
	for _, q := range own(h) {
		if q.Field == poct.FieldPatient || q.Field == poct.FieldBirthDate || strings.HasPrefix(q.Code, "patient-") {
			return "unsure"
		}
	}
	if h.Reading.Kind == poct.KindControl {
		return "control"
	}
	known, ok := p.patient(h.Reading.Patient)
	if !ok {
		return "unsure"
	}
	text := ""
	for _, name := range []string{known.Given, known.Family} {
		for _, first := range name {
			text += strings.ToUpper(string(first)) + "."
			break
		}
	}
	if len(known.BirthDate) >= 4 {
		text += " " + known.BirthDate[:4]
	}
	return strings.TrimSpace(text)
}

// particular is what sets this hold apart from the others of its cause.
func (w *Server) particular(h poct.HoldRecord, title string, n int, came string, pl *places) string {
	parts := texts(came)
	if h.Critical {
		if h.Called {
			parts = append(parts, "Critical, a person was told")
		} else {
			parts = append(parts, "Critical, nobody was told yet")
		}
	}
	for _, p := range own(h) {
		if t := clause(p.Text); t != title {
			parts = append(parts, t)
		}
	}
	if h.Delivery != 0 {
		parts = append(parts, "Refused by the record")
	}
	if v, ok := pl.openVisit(h.Reading.Patient); ok {
		parts = append(parts, "Patient still here, since "+clock(v.Start, pl.now, pl.zone(h.Site)))
	}
	switch remedy := lead(h).Remedy; {
	case n == 1 && remedy != "" && len(parts) < 2:
		parts = append(parts, clause(remedy))
	case len(parts) == 0:
		return "Same"
	}
	return strings.Join(parts, ". ")
}
