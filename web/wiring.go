package web

import (
	"context"
	"errors"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"tidegate/poct"
	"tidegate/review"
)

// Inlets tells how messages come in, how profiles read them, and what would
// become of one. Nothing it returns is kept.
type Inlets interface {
	// List gives the inlets in the order of the configuration.
	List(ctx context.Context) ([]InletState, error)
	// CameIn lists the newest arrivals of an inlet, newest first.
	CameIn(ctx context.Context, inlet string, limit int) ([]poct.Came, error)
	// Profile is how a profile reads the newest arrival that it has read;
	// poct.ErrNotFound if there is no such profile.
	Profile(ctx context.Context, id string) (ProfileRead, error)
	// Try judges the messages of one file as an inlet would, on a copy that is
	// thrown away; ErrBusy while another trial is under way.
	Try(ctx context.Context, inlet string, raw []byte) ([]Tried, error)
}

// ErrBusy: one is under way already, and one at a time is enough.
var ErrBusy = errors.New("one is under way already")

// InletState is how one inlet does.
type InletState struct {
	ID       string    `json:"inlet"`
	Kind     string    `json:"kind"`
	Address  string    `json:"address,omitempty"` // where it listens, "" where it does not
	Profiles []string  `json:"profiles"`
	Well     bool      `json:"well"`
	Why      string    `json:"why,omitempty"`
	Since    time.Time `json:"since,omitzero"` // of this state
	Heard    time.Time `json:"heard,omitzero"` // when something came last
}

func wiringPages() []route {
	return []route{
		{method: "GET", path: "/wiring", may: countings, page: true, do: (*Server).wiring},
		{method: "GET", path: "/wiring/inlets/{id}", may: countings, page: true, do: (*Server).inletPage},
		{method: "GET", path: "/wiring/outlets/{id}", may: countings, page: true, do: (*Server).outletPage},
		{method: "POST", path: "/wiring/outlets/{id}/pause", may: turners, page: true, do: (*Server).pauseOutlet},
		{method: "POST", path: "/wiring/outlets/{id}/resume", may: turners, page: true, do: (*Server).resumeOutlet},
		{method: "GET", path: "/wiring/profiles/{id}", may: tryers, page: true, do: (*Server).profilePage},
		{method: "GET", path: "/wiring/try", may: tryers, page: true, do: (*Server).tryForm},
		{method: "POST", path: "/wiring/try", may: tryers, page: true, do: (*Server).try, asks: true},
	}
}

// tryers mend what reads and what is sent.
var tryers = []string{engineer, coordinator}

// flowRow is an inlet, an outlet or a channel in a list.
type flowRow struct {
	ID, Link, Kind, Where  string
	Word, Mark, Tone, Told string
	Since, Last, NextTry   string
	Backlog, Oldest        string
}

type wiringView struct {
	Answer, Unsure string
	Inlets         []flowRow
	Outlets        []flowRow
	Channels       []flowRow
	MayTry         bool
}

// wiring answers whether the water runs.
func (w *Server) wiring(rw http.ResponseWriter, r *http.Request, c caller) error {
	ctx, pl := r.Context(), w.places()
	zone := w.zoneOf(c, pl)
	v := wiringView{MayTry: c.can(tryers) && w.s.Inlets != nil}
	var broken []string
	inlets, err := w.inlets(ctx)
	if err != nil {
		w.s.Log.Error().Err(err).Msg("how inlets do could not be read")
		broken = append(broken, "How the inlets do could not be read just now.")
	}
	stopped, paused, waiting := 0, 0, int64(0)
	for _, in := range inlets {
		row := inletRow(in, pl.now, zone)
		if !in.Well {
			stopped++
		}
		v.Inlets = append(v.Inlets, row)
	}
	outlets, err := w.outlets(ctx)
	if err != nil && !errors.Is(err, poct.ErrNotFound) {
		w.s.Log.Error().Err(err).Msg("how outlets do could not be read")
		broken = append(broken, "How the outlets do could not be read just now.")
	}
	known := map[string]bool{}
	for _, o := range outlets {
		known[o.ID] = true
		switch o.State {
		case poct.OutletPaused:
			paused++
		case poct.OutletOpen:
		default:
			stopped++
		}
		waiting += o.Backlog
		v.Outlets = append(v.Outlets, outletRow(o, pl.now, zone))
	}
	for _, in := range inlets {
		known[in.ID] = true
	}
	if w.s.Wiring != nil {
		for _, x := range w.s.Wiring() {
			if known[x.ID] {
				continue
			}
			row := flowRow{ID: x.ID, Kind: x.Kind, Word: "runs", Mark: "passed", Tone: "tide", Told: x.Why, Since: clock(x.Since, pl.now, zone)}
			if !x.Well {
				row.Word, row.Mark, row.Tone = "stopped", "stopped", "stop"
				stopped++
			}
			v.Channels = append(v.Channels, row)
		}
	}
	v.Answer = "The water runs."
	switch {
	case len(broken) > 0:
		v.Answer = "Whether the water runs is not known in full."
	case stopped+paused > 0:
		var parts []string
		if stopped > 0 {
			parts = append(parts, itoa(stopped)+" of "+itoa(len(v.Inlets)+len(v.Outlets)+len(v.Channels))+" "+verb(stopped, "is", "are")+" not well")
		}
		if paused > 0 {
			parts = append(parts, itoa(paused)+" "+verb(paused, "is", "are")+" paused")
		}
		v.Answer = upperFirst(list(parts, "and")) + "."
	}
	v.Unsure = "As of " + pl.now.In(zone).Format("15:04:05") + ". "
	if waiting == 0 {
		v.Unsure += "Nothing waits to be sent."
	} else {
		v.Unsure += thousands(waiting) + " " + verb(int(waiting), "result waits", "results wait") + " to be sent."
	}
	return w.show(rw, r, c, http.StatusOK, "wiring", view{Title: "Wiring", At: "wiring", Body: v, Broken: append(broken, pl.missing()...)})
}

// inlets lists them; none where this server was not told of any.
func (w *Server) inlets(ctx context.Context) ([]InletState, error) {
	if w.s.Inlets == nil {
		return nil, nil
	}
	return w.s.Inlets.List(ctx)
}

func inletRow(in InletState, now time.Time, zone *time.Location) flowRow {
	row := flowRow{ID: in.ID, Link: "/wiring/inlets/" + url.PathEscape(in.ID), Kind: in.Kind, Where: in.Address, Word: "listens", Mark: "passed", Tone: "tide",
		Told: in.Why, Since: clock(in.Since, now, zone), Last: "nothing yet"}
	if !in.Well {
		row.Word, row.Mark, row.Tone = "silent", "stopped", "stop"
	}
	if !in.Heard.IsZero() {
		row.Last = clock(in.Heard, now, zone)
	}
	return row
}

func outletRow(o poct.OutletState, now time.Time, zone *time.Location) flowRow {
	row := flowRow{ID: o.ID, Link: "/wiring/outlets/" + url.PathEscape(o.ID), Kind: o.Kind, Where: list(o.Sites, "and"), Word: "sends", Mark: "passed", Tone: "tide",
		Told: o.Why, Since: clock(o.Since, now, zone), Backlog: thousands(o.Backlog)}
	if slices.Contains(o.Sites, "*") {
		row.Where = "all sites"
	}
	switch o.State {
	case poct.OutletPaused:
		row.Word, row.Mark, row.Tone = "paused", "held", "hold"
	case poct.OutletFailing:
		row.Word, row.Mark, row.Tone = "does not answer", "stopped", "stop"
	case poct.OutletIdle:
		row.Word, row.Mark, row.Tone = "idle", "waiting", "quiet"
	}
	if !o.OldestDue.IsZero() && o.Backlog > 0 {
		row.Oldest = ago(now.Sub(o.OldestDue))
	}
	if !o.NextTry.IsZero() {
		row.NextTry = moment(o.NextTry, now, zone, "15:04:05")
	}
	return row
}

type inletView struct {
	Row            flowRow
	Answer, Unsure string
	Profiles       []linkView
	Came           []cameRow
	MayTry         bool
}

type linkView struct{ Text, Link string }

type cameRow struct {
	At, ID, Link, Size, Format string
	State, Mark, Tone          string
}

// lastCame is how many arrivals an inlet's page lists.
const lastCame = 20

func (w *Server) inletPage(rw http.ResponseWriter, r *http.Request, c caller) error {
	all, err := w.inlets(r.Context())
	if err != nil {
		return err
	}
	at := slices.IndexFunc(all, func(in InletState) bool { return in.ID == r.PathValue("id") })
	if at < 0 {
		return poct.ErrNotFound
	}
	in, pl := all[at], w.places()
	zone := w.zoneOf(c, pl)
	v := inletView{Row: inletRow(in, pl.now, zone), MayTry: c.can(tryers), Unsure: "Kind " + in.Kind}
	v.Answer = "Inlet " + in.ID + " " + v.Row.Word + " since " + v.Row.Since + "."
	if in.Address != "" {
		v.Unsure += ", at " + in.Address
	}
	if v.Unsure += ". Last message: " + v.Row.Last + "."; in.Why != "" {
		v.Unsure += " " + in.Why
	}
	for _, p := range in.Profiles {
		l := linkView{Text: p}
		if v.MayTry {
			l.Link = "/wiring/profiles/" + url.PathEscape(p)
		}
		v.Profiles = append(v.Profiles, l)
	}
	came, err := w.s.Inlets.CameIn(r.Context(), in.ID, lastCame)
	if err != nil {
		return err
	}
	for _, a := range came {
		row := cameRow{At: moment(a.Received, pl.now, zone, "15:04:05"), ID: a.ID, Size: plural(a.Bytes, "byte"), Format: a.Format, State: string(a.State)}
		switch {
		case c.masked():
			row.Link = "/api/v1/arrivals/" + a.ID + "/raw"
		case c.all(): // of whose site it is, the trace would tell one by one
			row.Link = "/results/" + a.ID
		}
		row.Mark, row.Tone = markOf(a.State)
		v.Came = append(v.Came, row)
	}
	return w.show(rw, r, c, http.StatusOK, "inlet", view{Title: "Inlet " + in.ID, At: "wiring", Body: v, Broken: pl.missing()})
}

// markOf is the mark of a state; none for those that are neither good nor bad.
func markOf(s poct.State) (mark, tone string) {
	switch s {
	case poct.Delivered:
		return "passed", "tide"
	case poct.Held:
		return "held", "hold"
	case poct.Waiting, poct.Delivering:
		return "waiting", "quiet"
	}
	return "", ""
}

type outletView struct {
	Row            flowRow
	Answer, Unsure string
	Paused         bool
	MayTurn        bool
	InFlight       int
	Reason         string
	Faults         []faultView
	Overtaken      string
}

func (w *Server) outletPage(rw http.ResponseWriter, r *http.Request, c caller) error {
	return w.outletShown(rw, r, c, http.StatusOK, outletView{})
}

// outletShown shows an outlet; v carries what a person typed that did not go through.
func (w *Server) outletShown(rw http.ResponseWriter, r *http.Request, c caller, status int, v outletView) error {
	all, err := w.outlets(r.Context())
	if err != nil {
		return err
	}
	at := slices.IndexFunc(all, func(o poct.OutletState) bool { return o.ID == r.PathValue("id") })
	if at < 0 {
		return poct.ErrNotFound
	}
	o, pl := all[at], w.places()
	zone := w.zoneOf(c, pl)
	v.Row, v.Paused, v.InFlight = outletRow(o, pl.now, zone), o.State == poct.OutletPaused, o.InFlight
	v.MayTurn = c.can(turners)
	v.Answer = "Outlet " + o.ID + " " + v.Row.Word
	if v.Paused {
		v.Answer = "Outlet " + o.ID + " is paused"
	}
	if !o.Since.IsZero() {
		v.Answer += " since " + v.Row.Since
	}
	v.Answer += "."
	v.Unsure = "Nothing waits."
	if o.Backlog > 0 {
		v.Unsure = thousands(o.Backlog) + " " + verb(int(o.Backlog), "result waits", "results wait") + ", in order"
		if v.Row.Oldest != "" {
			v.Unsure += ", the oldest for " + v.Row.Oldest
		}
		v.Unsure += "."
	}
	if o.Why != "" {
		v.Unsure += " " + sentence(o.Why)
	}
	if v.Row.NextTry != "" {
		v.Unsure += " The next try is at " + v.Row.NextTry + "."
	}
	return w.show(rw, r, c, status, "outlet", view{Title: "Outlet " + o.ID, At: "wiring", Body: v, Broken: pl.missing()})
}

func (w *Server) pauseOutlet(rw http.ResponseWriter, r *http.Request, c caller) error {
	return w.turnByForm(rw, r, c, Outlets.Pause, " is paused. Results wait here, in order.")
}

func (w *Server) resumeOutlet(rw http.ResponseWriter, r *http.Request, c caller) error {
	return w.turnByForm(rw, r, c, Outlets.Resume, " is resumed. What waited goes on, in order.")
}

// turnByForm pauses or resumes an outlet for the reason in a form.
func (w *Server) turnByForm(rw http.ResponseWriter, r *http.Request, c caller, turn func(Outlets, context.Context, poct.Actor, string, string) error, done string) error {
	if err := r.ParseForm(); err != nil {
		return problem{Status: 400, Title: "The form cannot be read."}
	}
	if w.s.Outlets == nil {
		return poct.ErrNotFound
	}
	id, v := r.PathValue("id"), outletView{Reason: r.PostForm.Get("reason")}
	err := turn(w.s.Outlets, r.Context(), c.actor, id, strings.TrimSpace(v.Reason))
	var form *review.FormError
	switch {
	case errors.As(err, &form):
		for _, f := range form.Faults {
			v.Faults = append(v.Faults, faultView{f.Field, f.Text})
		}
		return w.outletShown(rw, r, c, http.StatusUnprocessableEntity, v)
	case errors.Is(err, poct.ErrSoAlready):
		v.Overtaken = "Somebody else did this before you. Nothing was changed."
		return w.outletShown(rw, r, c, http.StatusConflict, v)
	case err != nil:
		return err
	}
	w.sessions.say(c.session, notice{Text: "Outlet " + id + done})
	http.Redirect(rw, r, "/wiring/outlets/"+url.PathEscape(id), http.StatusSeeOther)
	return nil
}
