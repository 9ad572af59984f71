package web

import (
	"net/http"

	"tidegate/poct"
)

type profileView struct {
	ID, Answer, Unsure string
	Inlets             []linkView
	Sample             string // how the sample came, "" without one
	Lines              []rawLine
	Rest               int
	Fields, Ignored    []fieldRow
}

// profilePage shows how a profile reads: its newest arrival left, what it made
// of it right. Whatever tells of a patient is masked.
func (w *Server) profilePage(rw http.ResponseWriter, r *http.Request, c caller) error {
	if w.s.Inlets == nil {
		return poct.ErrNotFound
	}
	p, err := w.s.Inlets.Profile(r.Context(), r.PathValue("id"))
	if err != nil {
		return err
	}
	pl := w.places()
	v := profileView{ID: p.ID, Answer: "Profile " + p.ID + " reads " + p.Format + " of " + p.Model + "."}
	v.Unsure = "Specimen: " + p.Specimen + ". "
	if p.Specimen == "" {
		v.Unsure = ""
	}
	for _, in := range p.Inlets {
		v.Inlets = append(v.Inlets, linkView{Text: in, Link: "/wiring/inlets/" + in})
	}
	m := newMasker(p.Fields)
	v.Fields, v.Ignored = m.rows(p.Fields), m.rows(p.Ignored)
	if p.Arrival.ID == "" {
		v.Unsure += "None of the newest arrivals was read with it. Try a message to see how it reads."
	} else {
		v.Unsure += "Shown with the newest arrival that it has read; what tells of a patient is masked, letter by letter."
		v.Sample = "inlet " + p.Arrival.Inlet + ", " + moment(p.Arrival.Received, pl.now, w.zoneOf(c, pl), "15:04:05") + ", " + plural(len(p.Arrival.Raw), "byte")
		shown := maskRead(p.Arrival, p.Fields)
		to := min(len(shown), window)
		v.Lines, v.Rest = textLines(shown, 0, to, boxesOf(p.Fields)), len(shown)-to
	}
	return w.show(rw, r, c, http.StatusOK, "profile", view{Title: "Profile " + p.ID, At: "wiring", Body: v, Broken: pl.missing()})
}

// maskRead is mask by what an explanation says of each field.
func maskRead(a poct.Arrival, fields []ReadField) []byte {
	where := map[string]poct.Span{}
	var readings []poct.Reading
	at := -1
	for _, f := range fields {
		if f.Reading != at || readings == nil {
			at, where = f.Reading, map[string]poct.Span{}
			readings = append(readings, poct.Reading{Where: where})
		}
		if f.To > f.From {
			where[f.Field] = poct.Span{From: f.From, To: f.To}
		}
	}
	return mask(a, readings)
}
