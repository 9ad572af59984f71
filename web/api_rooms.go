package web

import (
	"bytes"
	"mime"
	"net/http"
	"slices"
	"strconv"
	"time"

	"tidegate/poct"
)

// meterJSON is a meter as anybody of the staff may see it: no patient.
type meterJSON struct {
	poct.Meter
	SiteName  string          `json:"site_name,omitempty"`
	Readiness *poct.Readiness `json:"readiness,omitempty"`
	Controls  []controlRow    `json:"controls"` // last 24 hours, oldest first
}

type meterList struct {
	Meters []meterJSON `json:"meters"`
}

type controlRow struct {
	Level  string    `json:"level"`
	Lot    string    `json:"control_lot"`
	Tested time.Time `json:"tested"`
	Passed bool      `json:"passed"`
}

func (w *Server) apiMeters(rw http.ResponseWriter, r *http.Request, c caller) error {
	meters, err := w.meters(r.Context(), c)
	if err != nil {
		return err
	}
	now, book := w.s.Now(), w.s.Reader.Book()
	out := meterList{Meters: []meterJSON{}}
	for _, m := range meters {
		row := meterJSON{Meter: m, Controls: []controlRow{}}
		site, _, err := book.Site(m.Site)
		if err != nil {
			return err
		}
		row.SiteName = site.Name
		if w.s.Readiness != nil {
			ready, err := w.s.Readiness(r.Context(), m.Serial)
			if err != nil {
				return err
			}
			row.Readiness = &ready
		}
		past, err := book.Controls(m.Serial, now.Add(-24*time.Hour), now)
		if err != nil {
			return err
		}
		for _, p := range past {
			row.Controls = append(row.Controls, controlRow{Level: p.Reading.ControlLevel, Lot: p.Reading.ControlLot, Tested: p.Tested, Passed: p.QCPassed})
		}
		out.Meters = append(out.Meters, row)
	}
	return answer(rw, out)
}

func (w *Server) apiCheckpoint(rw http.ResponseWriter, r *http.Request, _ caller) error {
	if w.s.Checkpoint == nil {
		return poct.ErrNotFound
	}
	text, err := w.s.Checkpoint(r.Context())
	if err != nil {
		return err
	}
	rw.Header().Set("Content-Type", "text/plain; charset=utf-8")
	_, _ = rw.Write([]byte(text))
	return nil
}

func (w *Server) apiProof(rw http.ResponseWriter, r *http.Request, c caller) error {
	n, err := strconv.ParseInt(r.PathValue("n"), 10, 64)
	if err != nil || n < 0 {
		return problem{Status: 400, Title: "This is not the number of an event.", Detail: "Write its index, a whole number from 0."}
	}
	if w.s.Prove == nil {
		return poct.ErrNotFound
	}
	if err := w.mayProve(r, c, n); err != nil {
		return err
	}
	p, err := w.s.Prove(r.Context(), n)
	if err != nil {
		return err
	}
	return answer(rw, p)
}

// mayProve: whoever does not read everything gets proofs of their own sites' results.
func (w *Server) mayProve(r *http.Request, c caller, n int64) error {
	if sees(c, "") {
		return nil
	}
	events, err := w.s.Reader.Events(r.Context(), n, 1)
	if err != nil {
		return err
	}
	if len(events) == 0 {
		return poct.ErrNotFound
	}
	id := events[0].Result
	if id == "" {
		id = events[0].Arrival
	}
	if id == "" {
		return poct.ErrNotFound
	}
	_, err = w.theTrace(r.Context(), c, id)
	return err
}

func (w *Server) apiRegistry(rw http.ResponseWriter, r *http.Request, c caller) error {
	kind := poct.RegistryKind(r.PathValue("kind"))
	if !slices.Contains(registryKinds, kind) {
		return problem{Status: 404, Title: "There is no such kind of registry row.", Detail: "Write one of " + listKinds(registryKinds) + "."}
	}
	if !slices.Contains(importKinds(c), kind) {
		return problem{Status: 403, Code: "forbidden", Title: "This is not open to your role.", Detail: "Your role brings " + listKinds(importKinds(c)) + ". Ask your coordinator."}
	}
	if !slices.Contains(c.actor.Sites, "*") {
		return problem{Status: 403, Code: "forbidden", Title: "The registry serves all sites.", Detail: "Only somebody whose sites are all sites may bring rows."}
	}
	if w.s.Import == nil {
		return poct.ErrNotFound
	}
	t, _, err := mime.ParseMediaType(r.Header.Get("Content-Type"))
	if err != nil || t != "text/csv" && t != "application/json" {
		return problem{Status: 415, Title: "Rows come as CSV or JSON.", Detail: "Send Content-Type: text/csv or application/json."}
	}
	dry := r.URL.Query().Get("dry_run") == "true"
	report, err := w.s.Import(r.Context(), c.actor.Name, kind, r.Body, t, dry)
	if err != nil {
		return err
	}
	report.Refused, report.DryRun = none(report.Refused), dry
	return answer(rw, report)
}

func listKinds(kinds []poct.RegistryKind) string {
	words := make([]string, len(kinds))
	for i, k := range kinds {
		words[i] = string(k)
	}
	return list(words, "or")
}

func (w *Server) apiExport(rw http.ResponseWriter, r *http.Request, c caller) error {
	var in struct {
		IDs []string `json:"ids"`
	}
	if err := question(r, &in); err != nil {
		return err
	}
	if len(in.IDs) == 0 || len(in.IDs) > 1000 {
		return problem{Status: 422, Title: "Name the results.", Detail: "Write 1 to 1000 ids under ids."}
	}
	return w.givePack(rw, r, c, in.IDs)
}

// givePack writes the auditor's pack. It is made whole before the first byte
// is sent, so that a pack cut short by a failure of ours is never handed out.
func (w *Server) givePack(rw http.ResponseWriter, r *http.Request, c caller, ids []string) error {
	if w.s.Export == nil {
		return poct.ErrNotFound
	}
	for _, id := range ids {
		if _, err := w.theTrace(r.Context(), c, id); err != nil {
			return err
		}
	}
	var pack bytes.Buffer
	if err := w.s.Export(r.Context(), c.actor.Name, ids, &pack); err != nil {
		return err
	}
	rw.Header().Set("Content-Type", "application/octet-stream")
	rw.Header().Set("Content-Disposition", `attachment; filename="`+fileName(ids[0])+`.pack"`)
	_, _ = rw.Write(pack.Bytes())
	return nil
}

func (w *Server) healthz(rw http.ResponseWriter, _ *http.Request, _ caller) error {
	rw.Header().Set("Content-Type", "text/plain; charset=utf-8")
	_, _ = rw.Write([]byte("alive\n"))
	return nil
}

// readyz answers 503 with the reasons while this daemon should get no work.
func (w *Server) readyz(rw http.ResponseWriter, r *http.Request, _ caller) error {
	var why []string
	if w.s.Ready != nil {
		why = w.s.Ready(r.Context())
	}
	rw.Header().Set("Content-Type", "application/json")
	if len(why) > 0 {
		rw.WriteHeader(http.StatusServiceUnavailable)
	}
	return answer(rw, map[string]any{"ready": len(why) == 0, "why": none(why)})
}

// metrics are open on this machine; from elsewhere they ask who it is.
func (w *Server) metrics(rw http.ResponseWriter, r *http.Request, _ caller) error {
	if w.s.Metrics == nil {
		return poct.ErrNotFound
	}
	if from := w.client(r); from.IsValid() && !from.IsLoopback() {
		if c, known := w.caller(r, false); !known || !c.can(countings) {
			return problem{Status: 401, Title: "From another machine this needs an access token.", Detail: "Send one of " + list(countings, "or") + "."}
		}
	}
	w.s.Metrics.ServeHTTP(rw, r)
	return nil
}
