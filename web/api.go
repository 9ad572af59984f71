package web

import (
	"context"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"io"
	"mime"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"tidegate/ledger"
	"tidegate/poct"
	"tidegate/review"
)

func answer(rw http.ResponseWriter, v any) error {
	b, err := json.Marshal(v)
	if err != nil {
		return fmt.Errorf("write an answer: %w", err)
	}
	rw.Header().Set("Content-Type", "application/json")
	_, _ = rw.Write(append(b, '\n')) // the caller is gone if this fails
	return nil
}

// question reads a JSON body strictly: one value, no unknown member.
func question(r *http.Request, into any) error {
	if t, _, err := mime.ParseMediaType(r.Header.Get("Content-Type")); err != nil || t != "application/json" {
		return problem{Status: 415, Title: "The body is not JSON.", Detail: "Send it with Content-Type: application/json."}
	}
	dec := json.NewDecoder(r.Body)
	dec.DisallowUnknownFields()
	if err := dec.Decode(into); err != nil {
		// encoding/json quotes what it read only for names and types, never values.
		return problem{Status: 400, Title: "The body cannot be read.", Detail: "See openapi.json for its members."}
	}
	if _, err := dec.Token(); err != io.EOF {
		return problem{Status: 400, Title: "The body holds more than one JSON value.", Detail: "Send one."}
	}
	return nil
}

func (w *Server) apiAccount(rw http.ResponseWriter, r *http.Request, _ caller) error {
	a, err := w.s.Reader.Account(r.Context())
	if err != nil {
		return err
	}
	return answer(rw, a)
}

func (w *Server) apiListeners(rw http.ResponseWriter, _ *http.Request, _ caller) error {
	out := map[string]string{}
	if w.s.Listeners != nil {
		out = w.s.Listeners()
	}
	return answer(rw, out)
}

// apiHolds lists holds of the caller's sites, oldest first, in pages by key.
func (w *Server) apiHolds(rw http.ResponseWriter, r *http.Request, c caller) error {
	q := r.URL.Query()
	limit := 100
	if t := q.Get("limit"); t != "" {
		n, err := strconv.Atoi(t)
		if err != nil || n < 1 || n > 1000 {
			return problem{Status: 400, Title: "The limit is out of range.", Detail: "Write a number from 1 to 1000."}
		}
		limit = n
	}
	var out holdList
	var err error
	if q.Get("state") == "settled" {
		out, err = w.settledHolds(r.Context(), c, q.Get("after"), limit)
	} else {
		out, err = w.openHolds(r.Context(), c, q.Get("after"), limit)
	}
	if err != nil {
		return err
	}
	if err := w.s.Desk.Look(r.Context(), c.actor, subjects(out.Holds), lookedAt("reading")); err != nil {
		return err
	}
	return answer(rw, out)
}

// openHolds reads a page, oldest first. Criticals that nobody was told of stand
// before all others, on the first page and beyond its limit: whoever lists the
// queue cannot miss one.
func (w *Server) openHolds(ctx context.Context, c caller, last string, limit int) (holdList, error) {
	all, err := w.queue.read(ctx, w.s.Reader)
	if err != nil {
		return holdList{}, err
	}
	all = w.visible(c, all)
	var first, rest []poct.HoldRecord
	for _, h := range all {
		if urgent(h) {
			first = append(first, h)
		} else {
			rest = append(rest, h)
		}
	}
	page := after(rest, last, limit)
	out := holdList{Holds: none(page), Total: len(all)}
	if n := len(page); n > 0 && page[n-1].ID != rest[len(rest)-1].ID {
		out.Next = page[n-1].ID
	}
	if last == "" {
		out.Holds = append(first, out.Holds...)
	}
	return out, nil
}

// settledHolds reads one page alone: settled holds grow for years. Total is
// that of the page.
func (w *Server) settledHolds(ctx context.Context, c caller, last string, limit int) (holdList, error) {
	page, err := w.s.Reader.Holds(ctx, HoldFilter{Settled: true, After: last, Limit: limit})
	if err != nil {
		return holdList{}, err
	}
	mine := w.visible(c, page)
	out := holdList{Holds: none(mine), Total: len(mine)}
	if len(page) == limit {
		out.Next = page[limit-1].ID
	}
	return out, nil
}

type holdList struct {
	Holds []poct.HoldRecord `json:"holds"`
	Total int               `json:"total"`          // of open ones all, of settled ones those of this page
	Next  string            `json:"next,omitempty"` // pass as ?after=
}

// after is the page of at most n holds behind the one with this id.
func after(all []poct.HoldRecord, id string, n int) []poct.HoldRecord {
	if id != "" {
		i := slices.IndexFunc(all, func(h poct.HoldRecord) bool { return h.ID == id })
		all = all[i+1:] // a hold settled meanwhile: from the start again, nothing is left out
	}
	return all[:min(n, len(all))]
}

// visible leaves out what is of other sites.
func (w *Server) visible(c caller, all []poct.HoldRecord) []poct.HoldRecord {
	if c.all() {
		return all
	}
	return slices.DeleteFunc(slices.Clone(all), func(h poct.HoldRecord) bool { return !review.AtSite(c.actor, h.Site) })
}

// sees tells whether the caller may see what is of this site.
func sees(c caller, site string) bool {
	return c.all() || review.AtSite(c.actor, site)
}

// subject is what a look at a hold is a look at.
func subject(h poct.HoldRecord) string {
	if h.Result != "" {
		return h.Result
	}
	return h.Arrival
}

func subjects(hs []poct.HoldRecord) []string {
	ids := make([]string, len(hs))
	for i, h := range hs {
		ids[i] = subject(h)
	}
	return ids
}

// lookedAt names the fields that a look showed.
func lookedAt(fields ...string) []string { return fields }

func none[T any](s []T) []T {
	if s == nil {
		return []T{}
	}
	return s
}

// theHold is a hold that the caller may see.
func (w *Server) theHold(ctx context.Context, c caller, id string) (poct.HoldRecord, error) {
	h, err := w.s.Reader.Hold(ctx, id)
	if err != nil {
		return h, fmt.Errorf("look up hold: %w", err)
	}
	if !sees(c, h.Site) {
		return poct.HoldRecord{}, poct.ErrNotFound
	}
	return h, nil
}

// theTrace is a trace that the caller may see.
func (w *Server) theTrace(ctx context.Context, c caller, id string) (poct.Trace, error) {
	t, err := w.s.Reader.Trace(ctx, id)
	if err != nil {
		return t, fmt.Errorf("look up trace: %w", err)
	}
	if !sees(c, t.Site) {
		return poct.Trace{}, poct.ErrNotFound
	}
	return t, nil
}

func (w *Server) apiHold(rw http.ResponseWriter, r *http.Request, c caller) error {
	h, err := w.theHold(r.Context(), c, r.PathValue("id"))
	if err != nil {
		return err
	}
	if err := w.s.Desk.Look(r.Context(), c.actor, []string{subject(h)}, lookedAt("reading")); err != nil {
		return err
	}
	return answer(rw, h)
}

func (w *Server) apiSettle(rw http.ResponseWriter, r *http.Request, c caller) error {
	var in struct {
		Act     poct.Act          `json:"act"`
		Version int               `json:"version"`
		Changes map[string]string `json:"changes"`
		Reason  string            `json:"reason"`
	}
	if err := question(r, &in); err != nil {
		return err
	}
	h, err := w.s.Desk.Settle(r.Context(), c.actor, r.PathValue("id"),
		poct.Settlement{Act: in.Act, Version: in.Version, Changes: in.Changes, Reason: in.Reason})
	if err != nil {
		return err
	}
	return answer(rw, h)
}

// arrivalJSON is an arrival without its bytes.
type arrivalJSON struct {
	ID       string     `json:"id"`
	State    poct.State `json:"state"`
	Inlet    string     `json:"inlet"`
	Received time.Time  `json:"received"`
	Peer     string     `json:"peer"`
	Format   string     `json:"format,omitempty"`
	Bytes    int        `json:"bytes"`
	SHA256   string     `json:"sha256"`
	Position int        `json:"position,omitempty"`
	Fault    string     `json:"fault,omitempty"`
	Result   string     `json:"result,omitempty"`
}

// theArrival is an arrival that the caller may see, with its trace. An
// engineer sees every arrival, and never a patient in it.
func (w *Server) theArrival(ctx context.Context, c caller, id string) (poct.Arrival, poct.State, poct.Trace, error) {
	a, state, err := w.s.Reader.Arrival(ctx, id)
	if err != nil {
		return a, state, poct.Trace{}, fmt.Errorf("look up arrival: %w", err)
	}
	t, err := w.s.Reader.Trace(ctx, id)
	if err != nil {
		return a, state, t, fmt.Errorf("look up the trace of an arrival: %w", err)
	}
	if !c.masked() && !sees(c, t.Site) {
		return poct.Arrival{}, "", poct.Trace{}, poct.ErrNotFound
	}
	return a, state, t, nil
}

func (w *Server) apiArrival(rw http.ResponseWriter, r *http.Request, c caller) error {
	a, state, t, err := w.theArrival(r.Context(), c, r.PathValue("id"))
	if err != nil {
		return err
	}
	out := arrivalJSON{ID: a.ID, State: state, Inlet: a.Inlet, Received: a.Received.UTC(), Peer: a.Peer, Format: a.Format,
		Bytes: len(a.Raw), SHA256: hex.EncodeToString(a.Digest[:]), Position: a.Position, Fault: a.Fault}
	if t.ID != a.ID {
		out.Result = t.ID
	}
	return answer(rw, out)
}

func (w *Server) apiRaw(rw http.ResponseWriter, r *http.Request, c caller) error {
	a, _, t, err := w.theArrival(r.Context(), c, r.PathValue("id"))
	if err != nil {
		return err
	}
	return w.giveRaw(rw, r, c, a, t)
}

// giveRaw sends an arrival's bytes, masked for an engineer, and records the look.
func (w *Server) giveRaw(rw http.ResponseWriter, r *http.Request, c caller, a poct.Arrival, t poct.Trace) error {
	raw, fields := a.Raw, lookedAt("bytes")
	if c.masked() {
		raw, fields = mask(a, readingsOf(t, a.ID)), lookedAt("bytes, masked")
	}
	if err := w.s.Desk.Look(r.Context(), c.actor, []string{t.ID}, fields); err != nil {
		return err
	}
	rw.Header().Set("Content-Type", "application/octet-stream")
	rw.Header().Set("Content-Disposition", `attachment; filename="`+fileName(a.ID)+`.bin"`)
	_, _ = rw.Write(raw)
	return nil
}

// fileName keeps of an id what is safe in a header and a file system.
func fileName(id string) string {
	return strings.Map(func(r rune) rune {
		if r == '-' || r >= '0' && r <= '9' || r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' {
			return r
		}
		return '_'
	}, id)
}

// readingsOf lists what any version of a trace read in an arrival.
func readingsOf(t poct.Trace, arrival string) []poct.Reading {
	var out []poct.Reading
	for _, v := range t.Versions {
		if v.Result.Reading.Arrival == arrival {
			out = append(out, v.Result.Reading)
		}
	}
	for _, h := range t.Holds {
		if h.Reading.Arrival == arrival {
			out = append(out, h.Reading)
		}
	}
	return out
}

// resultJSON is a result as it stands now.
type resultJSON struct {
	ID         string             `json:"id"`
	State      poct.State         `json:"state"`
	Site       string             `json:"site,omitempty"`
	Version    int                `json:"version"`
	Result     poct.Result        `json:"result"`
	Verdict    poct.Verdict       `json:"verdict"`
	Problems   []poct.Problem     `json:"problems"`
	Checks     []poct.CheckAnswer `json:"checks"`
	Deliveries []poct.SentBody    `json:"deliveries"`
}

func (w *Server) apiResult(rw http.ResponseWriter, r *http.Request, c caller) error {
	t, err := w.theTrace(r.Context(), c, r.PathValue("id"))
	if err != nil {
		return err
	}
	if len(t.Versions) == 0 {
		return poct.ErrNotFound
	}
	if err := w.s.Desk.Look(r.Context(), c.actor, []string{t.ID}, lookedAt("result", "patient")); err != nil {
		return err
	}
	v := t.Versions[len(t.Versions)-1]
	return answer(rw, resultJSON{ID: t.ID, State: t.State, Site: t.Site, Version: v.Version, Result: v.Result, Verdict: v.Verdict,
		Problems: none(v.Problems), Checks: none(v.Checks), Deliveries: none(v.Sent)})
}

func (w *Server) apiTrace(rw http.ResponseWriter, r *http.Request, c caller) error {
	t, err := w.theTrace(r.Context(), c, r.PathValue("id"))
	if err != nil {
		return err
	}
	if err := w.s.Desk.Look(r.Context(), c.actor, []string{t.ID}, lookedAt("every version", "patient")); err != nil {
		return err
	}
	return answer(rw, TraceJSON(t))
}

// EventJSON is a step as printed: what the ledger's leaf tells, no payload.
type EventJSON struct {
	Index   int64          `json:"index"`
	Time    time.Time      `json:"time"`
	Kind    poct.EventKind `json:"kind"`
	Actor   string         `json:"actor"`
	Arrival string         `json:"arrival,omitempty"`
	Result  string         `json:"result,omitempty"`
	Version int            `json:"version,omitempty"`
	Hold    string         `json:"hold,omitempty"`
	Outlet  string         `json:"outlet,omitempty"`
	Digest  string         `json:"digest,omitempty"`
}

// PrintedTrace is a trace as the API and the command line print it.
type PrintedTrace struct {
	ID       string               `json:"id"`
	Key      string               `json:"key,omitempty"`
	State    poct.State           `json:"state"`
	Site     string               `json:"site,omitempty"`
	Arrivals []string             `json:"arrivals"`
	Versions []poct.VersionRecord `json:"versions"`
	Events   []EventJSON          `json:"events"`
	Receipts []poct.Receipt       `json:"receipts"`
	Holds    []poct.HoldRecord    `json:"holds"`
	Steps    []ledger.Step        `json:"steps"` // the events in words
}

// TraceJSON is the printed form of a trace; lists are never null.
func TraceJSON(t poct.Trace) PrintedTrace {
	out := PrintedTrace{ID: t.ID, Key: t.Key, State: t.State, Site: t.Site, Arrivals: none(t.Arrivals),
		Versions: none(t.Versions), Events: make([]EventJSON, len(t.Events)), Receipts: none(t.Receipts), Holds: none(t.Holds), Steps: none(ledger.Timeline(t))}
	for i, e := range t.Events {
		out.Events[i] = EventJSON{Index: e.Index, Time: e.Time.UTC(), Kind: e.Kind, Actor: e.Actor, Arrival: e.Arrival,
			Result: e.Result, Version: e.Version, Hold: e.Hold, Outlet: e.Outlet, Digest: e.Digest}
	}
	return out
}

func (w *Server) apiFind(rw http.ResponseWriter, r *http.Request, c caller) error {
	var in struct {
		Text      string `json:"text"`
		Patient   string `json:"patient"`
		BirthDate string `json:"birth_date"`
	}
	if err := question(r, &in); err != nil {
		return err
	}
	hits, err := w.search(r.Context(), c, Query{Text: in.Text, Patient: in.Patient, BirthDate: in.BirthDate})
	if err != nil {
		return err
	}
	return answer(rw, map[string][]string{"ids": none(hits)})
}
