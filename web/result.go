package web

import (
	"cmp"
	"encoding/json"
	"errors"
	"net/http"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"tidegate/ledger"
	"tidegate/poct"
)

type resultView struct {
	ID, Answer, Unsure string
	Tone, Mark         string
	ShowPatient        bool
	Steps              []stepView
	Versions           versionsView
	Proof              *proofView
	MayPack            bool
	Call               *callView
	Withdraw           *withdrawView
	Part               string // came, sent, checks: the part that is shown below
	Came               []cameView
	Sent               []sentView
	Checks             []checkView
	HoldLink           string
	Print              *printView
}

type stepView struct {
	Time, After, Title, Detail, Index string
	Mark, Tone                        string
	Long                              bool
}

type versionsView struct {
	Heads   []string
	Rows    []versionRow
	Earlier int // versions not shown beside these
}

type versionRow struct {
	Field   string
	Cells   []versionCell
	Changed bool
}

type versionCell struct {
	Text     string
	Old, New bool
	Mark     string
}

type proofView struct {
	Proof
	Checked, Signed string
	Events          int
	Tail            int // events younger than the head
	Failed          string
}

type cameView struct {
	Arrival, Head, Download string
	Lines                   []rawLine
	Rest                    int
}

type sentView struct{ Head, Body, State string }

type checkView struct {
	Number, Title, Answer, Limit, Why string
	Mark, Tone                        string
}

type printView struct{ By, At, Head string }

func (w *Server) result(rw http.ResponseWriter, r *http.Request, c caller) error {
	return w.resultPage(rw, r, c, http.StatusOK, nil)
}

// resultPage shows a result; withdraw is the form as it was sent, nil for an empty one.
func (w *Server) resultPage(rw http.ResponseWriter, r *http.Request, c caller, status int, withdraw *withdrawView) error {
	t, err := w.theTrace(r.Context(), c, r.PathValue("id"))
	if err != nil {
		return err
	}
	pl, q := w.places(), r.URL.Query()
	zone := pl.zone(t.Site)
	v := resultView{ID: t.ID, ShowPatient: q.Get("patient") == "show", Part: q.Get("part"), MayPack: c.can(exporters) && w.s.Export != nil}
	v.Answer, v.Mark, v.Tone = answerResult(t, pl.now, zone)
	v.Unsure = unsureResult(t, pl, zone)
	v.Steps = steps(t, pl.now, zone)
	v.Versions = versions(t, v.ShowPatient, pl.now, zone)
	v.Proof = w.proof(r, t, pl.now, zone)
	looked := lookedAt("timeline", "inr")
	if v.ShowPatient {
		looked = append(looked, "patient")
	}
	switch v.Part {
	case "came":
		looked = append(looked, "bytes")
		if v.Came, err = w.came(r, t, pl.now, zone); err != nil {
			return err
		}
	case "sent":
		looked = append(looked, "bytes sent")
		v.Sent = sent(t)
	case "checks":
		v.Checks = w.checkRows(t)
	}
	for _, h := range t.Holds {
		if h.Open {
			v.HoldLink = "/holds/" + h.ID
		}
	}
	if v.Call, err = w.openCall(r.Context(), c, t.ID, ""); err != nil {
		return err
	}
	if v.Withdraw = mayWithdraw(c, t); withdraw != nil {
		v.Withdraw = withdraw
	}
	if q.Get("print") == "yes" {
		looked = append(looked, "printed")
		v.Print = &printView{By: c.actor.Name, At: pl.now.UTC().Format("2006-01-02 15:04:05 UTC")}
		if v.Proof != nil {
			v.Print.Head = "Ledger of " + thousands(v.Proof.Size) + " events, head " + inFours(v.Proof.Root)
		}
	}
	if err := w.s.Desk.Look(r.Context(), c.actor, []string{t.ID}, looked); err != nil {
		return err
	}
	return w.show(rw, r, c, status, "result", view{Title: "One result", At: "result", Body: v, Broken: pl.missing()})
}

// answerResult says what became of it, in one sentence.
func answerResult(t poct.Trace, now time.Time, zone *time.Location) (answer, mark, tone string) {
	held := 0
	for _, v := range t.Versions {
		if v.Verdict == poct.HoldIt {
			held++
		}
	}
	tail := " " + few(held) + " " + verb(held, "version was", "versions were") + " held, none was lost."
	switch held {
	case 0:
		tail = " It was never held."
	case 1:
		tail = " One version was held, none was lost."
	}
	last := func(kind poct.EventKind) time.Time {
		for _, e := range slices.Backward(t.Events) {
			if e.Kind == kind {
				return e.Time
			}
		}
		return time.Time{}
	}
	version := ""
	if n := len(t.Versions); n > 0 {
		version = ", as version " + itoa(t.Versions[n-1].Version)
	}
	switch t.State {
	case poct.Delivered:
		at := moment(last(poct.EventDelivered), now, zone, "15:04:05")
		if withdrawn(t) {
			return "Withdrawn from the record since " + at + version + "." + tail, "passed", "tide"
		}
		return "In the record since " + at + version + "." + tail, "passed", "tide"
	case poct.Held:
		what := "a check found something"
		for _, h := range slices.Backward(t.Holds) {
			if h.Open {
				what = lowerFirst(clause(lead(h).Text))
				break
			}
		}
		return "Held since " + moment(last(poct.EventHeld), now, zone, "15:04:05") + ": " + what + ".", "held", "hold"
	case poct.Delivering:
		return "Passed, and on its way to the record." + tail, "waiting", "quiet"
	case poct.Waiting:
		return "Received, not judged yet.", "waiting", "quiet"
	case poct.Filed:
		return "Filed: kept and used here, never sent to a record.", "", ""
	case poct.Discarded:
		return "Discarded by a person; it stays readable here." + tail, "stopped", "stop"
	case poct.Duplicated:
		return "The same result came before; it was not sent again.", "", ""
	case poct.Ignored:
		rule := ""
		if n := len(t.Versions); n > 0 && t.Versions[n-1].Rule != "" {
			rule = " by the rule " + t.Versions[n-1].Rule
		}
		return "Ignored" + rule + "; its bytes are kept.", "", ""
	}
	return "This is what is known of it.", "", ""
}

func withdrawn(t poct.Trace) bool {
	for _, r := range slices.Backward(t.Receipts) {
		if r.Class == string(poct.Delivered) {
			return r.Action == poct.Withdraw
		}
	}
	return false
}

func unsureResult(t poct.Trace, pl *places, zone *time.Location) string {
	if len(t.Versions) == 0 {
		return "No reading of it was made."
	}
	r := t.Versions[len(t.Versions)-1].Result.Reading
	var text string
	switch {
	case r.Kind == poct.KindUnread:
		return "An arrival that could not be read."
	case r.Kind == poct.KindControl:
		text = "A control, INR " + inrOf(r)
	default:
		text = "INR " + inrOf(r)
	}
	if !r.Tested().IsZero() {
		text += ", tested " + moment(r.Tested(), pl.now, zone, "15:04:05")
	}
	if r.Meter != "" {
		text += " on meter " + r.Meter
	}
	if t.Site != "" {
		text += " at " + pl.name(t.Site)
	}
	return text + "."
}

func steps(t poct.Trace, now time.Time, zone *time.Location) []stepView {
	all := ledger.Timeline(t)
	out := make([]stepView, len(all))
	for i, s := range all {
		out[i] = stepView{Time: moment(s.Time, now, zone, "15:04:05"), After: s.After(), Title: s.Title, Detail: s.Detail, Index: thousands(s.Index), Long: s.Long}
		switch s.Mark {
		case ledger.MarkHeld:
			out[i].Mark, out[i].Tone = "held", "hold"
		case ledger.MarkWaiting:
			out[i].Mark, out[i].Tone = "waiting", "quiet"
		case ledger.MarkDelivered:
			out[i].Mark, out[i].Tone = "passed", "tide"
		}
	}
	return out
}

// proof proves the newest event that stands under a signed head.
func (w *Server) proof(r *http.Request, t poct.Trace, now time.Time, zone *time.Location) *proofView {
	if w.s.Prove == nil || len(t.Events) == 0 {
		return nil
	}
	for i := len(t.Events) - 1; i >= 0; i-- {
		p, err := w.s.Prove(r.Context(), t.Events[i].Index)
		switch {
		case errors.Is(err, ErrUnsigned):
			continue
		case err != nil:
			w.s.Log.Error().Err(err).Int64("event", t.Events[i].Index).Msg("an event could not be proved")
			return &proofView{Failed: "Event " + thousands(t.Events[i].Index) + " does not match the signed head. Tell the laboratory's director; leave this machine as it is."}
		}
		v := &proofView{Proof: p, Checked: now.In(zone).Format("15:04"), Events: i + 1, Tail: len(t.Events) - i - 1}
		if !p.SignedAt.IsZero() {
			v.Signed = moment(p.SignedAt, now, zone, "15:04:05")
		}
		return v
	}
	return &proofView{Tail: len(t.Events)}
}

func (w *Server) came(r *http.Request, t poct.Trace, now time.Time, zone *time.Location) ([]cameView, error) {
	var out []cameView
	for _, id := range t.Arrivals {
		a, _, err := w.s.Reader.Arrival(r.Context(), id)
		if err != nil {
			return nil, err
		}
		to := min(len(a.Raw), window)
		out = append(out, cameView{Arrival: a.ID, Download: "/raw/results/" + t.ID + "/" + a.ID,
			Head:  "inlet " + a.Inlet + ", " + moment(a.Received, now, zone, "15:04:05") + ", " + plural(len(a.Raw), "byte"),
			Lines: textLines(a.Raw, 0, to, nil), Rest: len(a.Raw) - to})
	}
	return out, nil
}

func sent(t poct.Trace) []sentView {
	var out []sentView
	for _, v := range t.Versions {
		for _, s := range v.Sent {
			x := sentView{Head: "version " + itoa(v.Version) + " to outlet " + s.Outlet + ", " + string(s.Action), State: string(s.State)}
			switch {
			case len(s.Body) == 0:
				x.Body = "not rendered yet"
			case !utf8.Valid(s.Body):
				x.Body = printable(s.Body)
			default:
				x.Body = indented(s.Body)
			}
			if n := len(s.Body); n > 0 {
				x.Head += ", " + plural(n, "byte")
			}
			out = append(out, x)
		}
	}
	return out
}

// indented lays JSON out for reading; the bytes sent were without the spaces.
func indented(b []byte) string {
	var v json.RawMessage
	if json.Unmarshal(b, &v) != nil {
		return printableLines(b) // an HL7 message: a segment a line
	}
	out, err := json.MarshalIndent(v, "", "  ")
	if err != nil {
		return printable(b)
	}
	return string(out)
}

// checkRows lists every check of the newest version, what found something first.
func (w *Server) checkRows(t poct.Trace) []checkView {
	if len(t.Versions) == 0 {
		return nil
	}
	last := t.Versions[len(t.Versions)-1]
	rank := map[poct.Answer]int{poct.Found: 0, poct.CannotTell: 1, poct.Pass: 2, poct.NotAsked: 3}
	checks := slices.Clone(last.Checks)
	slices.SortStableFunc(checks, func(a, b poct.CheckAnswer) int { return cmp.Compare(rank[a.Answer], rank[b.Answer]) })
	var out []checkView
	for _, k := range checks {
		v := checkView{Number: k.Check, Title: upperFirst(strings.ReplaceAll(k.Code, "-", " ")), Answer: string(k.Answer), Limit: k.Limit, Why: k.Why}
		if c, ok := w.checks[k.Code]; ok && c.Title != "" {
			v.Title = c.Title
		}
		switch k.Answer {
		case poct.Found:
			v.Mark, v.Tone = "held", "hold"
			for _, p := range last.Problems {
				if p.Code == k.Code {
					v.Why = p.Text
					if p.Severity != poct.Hold {
						v.Mark = "flagged"
					}
				}
			}
		case poct.CannotTell:
			v.Mark, v.Tone = "waiting", "quiet"
		}
		out = append(out, v)
	}
	return out
}

func (w *Server) resultRaw(rw http.ResponseWriter, r *http.Request, c caller) error {
	t, err := w.theTrace(r.Context(), c, r.PathValue("id"))
	if err != nil {
		return err
	}
	if !slices.Contains(t.Arrivals, r.PathValue("arrival")) {
		return poct.ErrNotFound
	}
	return w.download(rw, r, c, r.PathValue("arrival"), t.ID)
}

func (w *Server) pack(rw http.ResponseWriter, r *http.Request, c caller) error {
	return w.givePack(rw, r, c, []string{r.PathValue("id")})
}
