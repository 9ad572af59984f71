package web

import (
	"context"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"sync"
	"time"

	"tidegate/ledger"
	"tidegate/poct"
)

// Ledger tells how the ledger stands, who looked, and verifies it.
type Ledger interface {
	State(ctx context.Context) (LedgerState, error)
	// Looks lists looks at patients' data and packs taken away, newest first: of
	// one person ("" of all), at one result or arrival ("" at any), below an
	// index (0: from the newest). next is where to go on, 0 at the end.
	Looks(ctx context.Context, actor, about string, before int64, limit int) (looks []poct.Event, next int64, err error)
	// Verify recomputes everything that the ledger vouches for; it may take minutes.
	Verify(ctx context.Context, progress func(done, of int64)) (ledger.Verification, error)
}

// LedgerState is how the ledger stands.
type LedgerState struct {
	Size   int64  // events
	Origin string // the ledger's name
	Key    string // name and hash of the signing key
	Signed int64  // events under the newest signed head, 0 before the first
	Root   string // hex, of that head
	// Anchor is the head as it was last written outside the data folder; nil
	// where the configuration names no place for it, or nothing stands there.
	Anchor *AnchorState
}

// AnchorState is a head outside the data folder.
type AnchorState struct {
	Size    int64
	Root    string    // hex
	Written time.Time // of the file, as the file system tells
}

var lookers = []string{auditor}

func ledgerPages() []route {
	return []route{
		{method: "GET", path: "/ledger", may: countings, page: true, do: (*Server).ledgerPage},
		{method: "POST", path: "/ledger/verify", may: []string{auditor, coordinator, engineer}, page: true, do: (*Server).verify, asks: true},
		{method: "GET", path: "/ledger/looks", may: lookers, page: true, do: (*Server).looks},
	}
}

// verifies is the verification under way, or the last one. Safe for concurrent use.
type verifies struct {
	mu       sync.Mutex
	running  bool
	by       string
	done, of int64
	ended    time.Time
	result   ledger.Verification
	failed   bool // it could not be carried out
}

// verify begins a verification; one that runs already is left alone.
func (w *Server) verify(rw http.ResponseWriter, r *http.Request, c caller) error {
	if w.s.Ledger == nil {
		return poct.ErrNotFound
	}
	w.verifies.begin(w, c.actor.Name)
	http.Redirect(rw, r, "/ledger#verified", http.StatusSeeOther)
	return nil
}

func (v *verifies) begin(w *Server, by string) {
	v.mu.Lock()
	defer v.mu.Unlock()
	if v.running || w.over.Err() != nil {
		return
	}
	v.running, v.by, v.done, v.of = true, by, 0, 0
	w.beside.Go(func() {
		result, err := w.s.Ledger.Verify(w.over, v.progress)
		if err != nil && w.over.Err() == nil {
			w.s.Log.Error().Err(err).Msg("the ledger could not be verified")
		}
		v.mu.Lock()
		defer v.mu.Unlock()
		v.running, v.result, v.failed, v.ended = false, result, err != nil, w.s.Now()
	})
}

func (v *verifies) progress(done, of int64) {
	v.mu.Lock()
	defer v.mu.Unlock()
	v.done, v.of = done, of
}

type ledgerView struct {
	Answer, Unsure string
	State          LedgerState
	Anchored       string
	Tail           int64
	Verified       verifiedView
	MayVerify      bool
	MayLooks       bool
	MayEvents      bool
	Events         []eventRow
	Next           string
}

type verifiedView struct {
	Text, Mark, Tone string
	Running          bool
	Faults           []ledger.Fault
	More             int
	Notes            []string
}

type eventRow struct {
	Index, At, What, Who, About, Link string
}

// ledgerPage answers whether the log is whole.
func (w *Server) ledgerPage(rw http.ResponseWriter, r *http.Request, c caller) error {
	if w.s.Ledger == nil {
		return poct.ErrNotFound
	}
	ctx, pl := r.Context(), w.places()
	zone := w.zoneOf(c, pl)
	st, err := w.s.Ledger.State(ctx)
	if err != nil {
		return err
	}
	v := ledgerView{State: st, Tail: st.Size - st.Signed, MayVerify: c.can([]string{auditor, coordinator, engineer}), MayLooks: c.can(lookers), MayEvents: c.all()}
	v.Verified = w.verifies.shown(pl.now, zone)
	v.Answer = "The ledger holds " + plural(int(st.Size), "event") + "."
	v.Unsure = "Whether it is whole was not verified since this daemon began."
	if v.Verified.Text != "" {
		v.Unsure = v.Verified.Text
	}
	if st.Anchor != nil && !st.Anchor.Written.IsZero() {
		v.Anchored = clock(st.Anchor.Written, pl.now, zone)
	}
	if v.MayEvents {
		if err := w.eventRows(ctx, r.URL.Query().Get("before"), c, &v, pl.now, zone); err != nil {
			return err
		}
	}
	return w.show(rw, r, c, http.StatusOK, "ledger", view{Title: "Ledger", At: "ledger", Body: v, Broken: pl.missing()})
}

// shown puts the verification into words.
func (v *verifies) shown(now time.Time, zone *time.Location) verifiedView {
	v.mu.Lock()
	defer v.mu.Unlock()
	switch {
	case v.running && v.of > 0:
		return verifiedView{Text: "Being verified: " + thousands(v.done) + " of " + thousands(v.of) + ".", Mark: "waiting", Tone: "quiet", Running: true}
	case v.running:
		return verifiedView{Text: "Being verified…", Mark: "waiting", Tone: "quiet", Running: true}
	case v.ended.IsZero():
		return verifiedView{}
	}
	at := clock(v.ended, now, zone) + " for " + v.by
	switch {
	case v.failed:
		return verifiedView{Text: "It could not be verified at " + at + "; the log says why. Use tidegate verify on this machine.", Mark: "stopped", Tone: "stop"}
	case v.result.Verified:
		return verifiedView{Text: "Verified at " + at + ": all " + plural(int(v.result.Size), "event") + " and the rows they vouch for fit the signed heads.", Mark: "passed", Tone: "tide", Notes: v.result.Notes}
	}
	faults := v.result.Faults[:min(len(v.result.Faults), 100)]
	return verifiedView{Text: "Verified at " + at + ": it does not fit. Tell the laboratory’s director; leave this machine as it is.", Mark: "stopped", Tone: "stop",
		Faults: faults, More: len(v.result.Faults) - len(faults), Notes: v.result.Notes}
}

// eventRows lists a page of events, newest first, without what they say.
func (w *Server) eventRows(ctx context.Context, before string, c caller, v *ledgerView, now time.Time, zone *time.Location) error {
	to := v.State.Size
	if n, err := strconv.ParseInt(before, 10, 64); err == nil && n > 0 && n < to {
		to = n
	}
	from := max(0, to-rowsAPage)
	events, err := w.s.Reader.Events(ctx, from, int(to-from))
	if err != nil {
		return err
	}
	for i := len(events) - 1; i >= 0; i-- {
		v.Events = append(v.Events, eventLine(events[i], c, now, zone))
	}
	if from > 0 {
		v.Next = "/ledger?before=" + strconv.FormatInt(from, 10)
	}
	return nil
}

func eventLine(e poct.Event, c caller, now time.Time, zone *time.Location) eventRow {
	row := eventRow{Index: thousands(e.Index), At: moment(e.Time, now, zone, "15:04:05"), What: strings.ReplaceAll(string(e.Kind), "-", " "), Who: e.Actor, About: e.Result}
	if row.About == "" {
		row.About = e.Arrival
	}
	switch {
	case row.About != "" && c.can(readers):
		row.Link = "/results/" + row.About
	case row.About == "":
		row.About = e.Outlet
	}
	return row
}

type looksView struct {
	Answer, Unsure string
	By, Of         string
	Rows           []lookRow
	Next           string
	Searched       bool
}

type lookRow struct{ Index, At, Who, What, About, Link string }

// looks lists who was shown what; nothing of a patient stands in it.
func (w *Server) looks(rw http.ResponseWriter, r *http.Request, c caller) error {
	if w.s.Ledger == nil {
		return poct.ErrNotFound
	}
	q, pl := r.URL.Query(), w.places()
	zone := w.zoneOf(c, pl)
	v := looksView{By: strings.TrimSpace(q.Get("by")), Of: strings.TrimSpace(q.Get("of"))}
	before, _ := strconv.ParseInt(q.Get("before"), 10, 64) // nothing else than a number: from the newest
	events, next, err := w.s.Ledger.Looks(r.Context(), v.By, v.Of, before, rowsAPage)
	if err != nil {
		return err
	}
	for _, e := range events {
		line := eventLine(e, c, pl.now, zone)
		v.Rows = append(v.Rows, lookRow{line.Index, line.At, e.Actor, shownFields(e), line.About, line.Link})
	}
	v.Answer = "Who looked: " + plural(len(v.Rows), "look") + " here."
	v.Unsure = "Newest first. Each page and list that shows something of a patient writes one, before it is shown."
	if next > 0 {
		p := url.Values{"before": {strconv.FormatInt(next, 10)}}
		if v.By != "" {
			p.Set("by", v.By)
		}
		if v.Of != "" {
			p.Set("of", v.Of)
		}
		v.Next = "/ledger/looks?" + p.Encode()
	}
	v.Searched = v.By != "" || v.Of != ""
	return w.show(rw, r, c, http.StatusOK, "looks", view{Title: "Looks", At: "ledger", Body: v, Broken: pl.missing()})
}

// shownFields names what a look showed.
func shownFields(e poct.Event) string {
	if e.Kind == poct.EventExported {
		return "took a pack away"
	}
	return strings.Join(ledger.ReadPayload(e).Fields, ", ")
}
