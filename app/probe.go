package app

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/http"

	"tidegate/config"
	"tidegate/outbound"
	"tidegate/poct"
	"tidegate/probe"
	"tidegate/store"
)

// Probe tries the record system behind an outlet on a test patient, see
// package probe. It does not touch the data folder; whoever asks notes the
// report there with Probed.
func Probe(ctx context.Context, cfg *config.Config, outlet string, patient poct.Patient, s probe.Settings) (probe.Report, error) {
	o, err := outletOf(cfg, outlet)
	if err != nil {
		return probe.Report{}, err
	}
	s.Outlet, s.Systems, s.Patient = o, cfg.Registry.IdentifierSystems, patient
	return probe.Run(ctx, s)
}

func outletOf(cfg *config.Config, id string) (outbound.Config, error) {
	for _, o := range cfg.Outlets {
		if o.ID == id {
			return o, nil
		}
	}
	return outbound.Config{}, fmt.Errorf("the configuration has no outlet %q", id)
}

// ProbesPath is where the command socket takes what a probe came to.
const ProbesPath = "/api/v1/probes"

// Probed is what a probe came to, for the ledger.
type Probed struct {
	Outlet string `json:"outlet"`
	Good   bool   `json:"good"`
	SHA256 string `json:"sha256"` // of the report
}

// probed writes an event. Only the users of this machine are heard: a probe is
// run on it.
func probed(s *store.Store, name string, w http.ResponseWriter, r *http.Request) {
	var p Probed
	d := json.NewDecoder(io.LimitReader(r.Body, 4<<10))
	d.DisallowUnknownFields()
	if d.Decode(&p) != nil || p.Outlet == "" || len(p.Outlet) > 200 || len(p.SHA256) != 64 {
		http.Error(w, `{"title": "A probe is told as outlet, good and sha256."}`, http.StatusBadRequest)
		return
	}
	verdict := "something needed is missing"
	if p.Good {
		verdict = "nothing needed is missing"
	}
	if err := s.Probed(r.Context(), name, p.Outlet, verdict+"; report sha256 "+p.SHA256); err != nil {
		http.Error(w, `{"title": "The ledger could not be written."}`, http.StatusServiceUnavailable)
		return
	}
	w.WriteHeader(http.StatusNoContent)
}
