package web

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"io"
	"net/http"
	"slices"
	"strings"
	"time"

	"tidegate/poct"
)

// ReadField is one field of one reading: where it was read and what it became.
type ReadField struct {
	Reading  int
	Field    string // as in poct.Reading.Where; "inr unit" is a unit
	Place    string
	From, To int // bytes [From, To) of the message; equal where it stands nowhere
	Raw      string
	Became   string
	Note     string
}

// ProfileRead is how a profile reads an arrival.
type ProfileRead struct {
	ID, Format, Model, Specimen string
	Inlets                      []string
	Arrival                     poct.Arrival // the newest that it has read; no ID if it has read none
	Fields                      []ReadField
	Ignored                     []ReadField // what the message says and nobody reads; Field is empty
}

// Tried is what would become of one message.
type Tried struct {
	Arrival  poct.Arrival // as it would be taken in
	Profile  string
	Readings []poct.Reading
	Problems []poct.Problem
	Verdict  poct.Verdict
	Fields   []ReadField
	Ignored  []ReadField
	Sends    []TriedSend
}

// TriedSend is what one outlet would be sent.
type TriedSend struct {
	Outlet string
	Body   []byte
}

// mostTried bounds the bytes of one trial; tryTime how long one may take.
const (
	mostTried = 1 << 20
	tryTime   = 100 * time.Second
)

type trialView struct {
	Answer, Unsure string
	Inlets         []optionView
	Message        string
	Faults         []faultView
	Tried          []triedView
}

type triedView struct {
	Head, Verdict, Mark, Tone string
	Profile                   string
	Values                    []string
	Lines                     []rawLine
	Rest                      int
	Fields                    []fieldRow
	Ignored                   []fieldRow
	Problems                  []triedProblem
	Sends                     []sentView
}

// fieldRow is a field beside the bytes it was read from.
type fieldRow struct{ Field, Place, Bytes, Raw, Became, Note string }

type triedProblem struct{ Number, Title, Text, Remedy, Mark, Tone string }

func (w *Server) tryForm(rw http.ResponseWriter, r *http.Request, c caller) error {
	return w.tryPage(rw, r, c, http.StatusOK, r.URL.Query().Get("inlet"), trialView{
		Answer: "What would become of a message?",
		Unsure: "It is read, looked up and checked as the inlet would. Nothing is kept or sent."})
}

func (w *Server) tryPage(rw http.ResponseWriter, r *http.Request, c caller, status int, inlet string, v trialView) error {
	if w.s.Inlets == nil {
		return poct.ErrNotFound
	}
	all, err := w.s.Inlets.List(r.Context())
	if err != nil {
		return err
	}
	for _, in := range all {
		v.Inlets = append(v.Inlets, optionView{Value: in.ID, Name: in.ID + " (" + in.Kind + ")", On: in.ID == inlet})
	}
	return w.show(rw, r, c, status, "try", view{Title: "Try a message", At: "wiring", Body: v})
}

// try reads a message that was pasted or given as a file, and shows what would
// become of it. What was typed is shown again only where nothing was read.
func (w *Server) try(rw http.ResponseWriter, r *http.Request, c caller) error {
	if w.s.Inlets == nil {
		return poct.ErrNotFound
	}
	inlet, raw, err := tryInput(rw, r)
	if err != nil {
		return err
	}
	refuse := func(field, text string) error {
		return w.tryPage(rw, r, c, http.StatusUnprocessableEntity, inlet, trialView{Answer: "What would become of a message?", Unsure: "Nothing is kept or sent.",
			Message: strings.ReplaceAll(string(bytes.ToValidUTF8(raw, []byte("?"))), "\r", "\n"), Faults: []faultView{{field, text}}})
	}
	all, err := w.s.Inlets.List(r.Context())
	switch {
	case err != nil:
		return err
	case !slices.ContainsFunc(all, func(in InletState) bool { return in.ID == inlet }):
		return refuse("inlet", "Choose the inlet at which it would come in.")
	case len(bytes.TrimSpace(raw)) == 0:
		return refuse("message", "Paste a message, or choose its file.")
	case len(raw) > mostTried:
		raw = nil // too much to show again
		return refuse("message", "Try at most 1 MiB at once; a rehearsal on the command line takes more.")
	}
	ctx, cancel := context.WithTimeout(r.Context(), tryTime)
	defer cancel()
	tried, err := w.s.Inlets.Try(ctx, inlet, raw)
	switch {
	case errors.Is(err, ErrBusy):
		return refuse("message", "Another message is being tried. Try yours again in a minute.")
	case errors.Is(err, context.DeadlineExceeded):
		return refuse("message", "Copying what is known took too long here. Use tidegate try on the command line.")
	case err != nil:
		return err
	}
	v := trialView{Unsure: "Inlet " + inlet + ". Nothing is kept or sent. What tells of a patient is masked, letter by letter."}
	released := 0
	for _, x := range tried {
		if x.Verdict == poct.Release {
			released++
		}
		v.Tried = append(v.Tried, w.triedMessage(x))
	}
	v.Answer = triedAnswer(tried, released)
	return w.tryPage(rw, r, c, http.StatusOK, inlet, v)
}

func triedAnswer(tried []Tried, released int) string {
	switch {
	case len(tried) == 0:
		return "No message was found in it."
	case len(tried) == 1:
		return "It would be " + wouldBe(tried[0].Verdict) + "."
	case released == len(tried):
		return "All " + thousands(len(tried)) + " would be sent."
	}
	return thousands(released) + " of " + plural(len(tried), "message") + " would be sent."
}

func wouldBe(v poct.Verdict) string {
	switch v {
	case poct.Release:
		return "sent"
	case poct.File:
		return "filed: kept, never sent"
	case poct.HoldIt:
		return "held"
	case poct.Duplicate:
		return "taken for one that came before"
	case poct.Ignore:
		return "ignored by a rule"
	}
	return "taken in, and nothing more"
}

// tryInput reads the form. Line ends that a browser's text field makes of the
// CR that ends a segment are put back: CR LF and LF become CR in HL7 and LIS02
// text, where a line begins with a segment's or record's name.
func tryInput(rw http.ResponseWriter, r *http.Request) (inlet string, raw []byte, err error) {
	if err := r.ParseMultipartForm(mostTried + 64<<10); err != nil && !errors.Is(err, http.ErrNotMultipart) {
		var size *http.MaxBytesError
		if errors.As(err, &size) {
			return "", nil, err
		}
		return "", nil, problem{Status: 400, Title: "The form cannot be read."}
	}
	if r.MultipartForm != nil {
		defer r.MultipartForm.RemoveAll()
		if f, _, err := r.FormFile("file"); err == nil {
			defer f.Close()
			if raw, err = io.ReadAll(io.LimitReader(f, mostTried+1)); err != nil {
				return "", nil, problem{Status: 400, Title: "The file could not be read."}
			}
			if len(raw) > 0 {
				return r.PostFormValue("inlet"), raw, nil
			}
		}
	}
	text := strings.ReplaceAll(r.PostFormValue("message"), "\r\n", "\n")
	if t := strings.TrimLeft(text, " \n\v"); strings.HasPrefix(t, "MSH") || strings.HasPrefix(t, "H|") || strings.HasPrefix(t, "FHS") || strings.HasPrefix(t, "BHS") {
		text = strings.ReplaceAll(t, "\n", "\r")
	}
	return r.PostFormValue("inlet"), []byte(text), nil
}

// triedMessage shows one message with everything that tells of a patient masked.
func (w *Server) triedMessage(x Tried) triedView {
	m := newMasker(x.Fields)
	v := triedView{Head: plural(len(x.Arrival.Raw), "byte"), Verdict: wouldBe(x.Verdict), Profile: cmp.Or(x.Profile, "none fitted")}
	switch x.Verdict {
	case poct.Release:
		v.Mark, v.Tone = "passed", "tide"
	case poct.HoldIt:
		v.Mark, v.Tone = "held", "hold"
	}
	for _, r := range x.Readings {
		if inr := inrOf(r); inr != "none" {
			v.Values = append(v.Values, "INR "+inr)
		}
	}
	shown := mask(x.Arrival, x.Readings)
	to := min(len(shown), window)
	v.Lines, v.Rest = textLines(shown, 0, to, boxesOf(x.Fields)), len(shown)-to
	v.Fields, v.Ignored = m.rows(x.Fields), m.rows(x.Ignored)
	for _, p := range x.Problems {
		v.Problems = append(v.Problems, w.triedProblem(p, m))
	}
	for _, s := range x.Sends {
		v.Sends = append(v.Sends, sentView{Head: "To outlet " + s.Outlet + ", " + plural(len(s.Body), "byte"), Body: m.body(s.Body)})
	}
	return v
}

func (w *Server) triedProblem(p poct.Problem, m masker) triedProblem {
	k := w.checks[p.Code]
	out := triedProblem{Number: cmp.Or(k.Number, p.Check), Title: cmp.Or(k.Title, upperFirst(strings.ReplaceAll(p.Code, "-", " "))), Text: m.text(p.Text), Remedy: p.Remedy, Mark: "flagged", Tone: "hold"}
	if slices.Contains(about, p.Field) || strings.HasPrefix(p.Code, "patient-") {
		out.Text = "What it says of the patient is masked here." // it may quote the registry
	}
	if p.Severity == poct.Hold {
		out.Mark = "held"
	}
	if p.Because != "" {
		out.Mark, out.Tone = "waiting", "quiet"
	}
	return out
}
