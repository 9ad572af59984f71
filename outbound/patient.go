package outbound

import (
	"context"
	"encoding/json"
	"strings"
	"sync"
	"time"

	"tidegate/poct"
	"tidegate/wire/fhir"
)

// mostLinks bounds how far a chain of merged patients is followed.
const mostLinks = 8

// patientResource is what a look-up of a patient asks for.
type patientResource struct {
	Type   string `json:"resourceType"`
	ID     string `json:"id"`
	Active *bool  `json:"active"`
	Name   []struct {
		Family string `json:"family"`
	} `json:"name"`
	BirthDate string `json:"birthDate"`
	Link      []struct {
		Other struct {
			Reference string `json:"reference"`
		} `json:"other"`
		Type string `json:"type"`
	} `json:"link"`
}

// replacedBy is the reference of the patient that survived a merge, "" if this
// one stands.
func (p patientResource) replacedBy() string {
	for _, l := range p.Link {
		if l.Type == "replaced-by" {
			return l.Other.Reference
		}
	}
	return ""
}

// patients remembers for a while which reference an identifier led to.
type patients struct {
	age time.Duration
	mu  sync.Mutex
	by  map[poct.Patient]known
}

// known is a reference that is trusted for a while.
type known struct {
	ref   string
	until time.Time
}

func (c *patients) get(p poct.Patient, now time.Time) (string, bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	k, ok := c.by[p]
	return k.ref, ok && now.Before(k.until)
}

func (c *patients) put(p poct.Patient, ref string, now time.Time) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if len(c.by) >= 10000 { // rather forget all than grow
		c.by = map[poct.Patient]known{}
	}
	c.by[p] = known{ref, now.Add(c.age)}
}

func (c *patients) forget(p poct.Patient) {
	c.mu.Lock()
	defer c.mu.Unlock()
	delete(c.by, p)
}

// patient finds the record system's own reference of a patient. It creates
// none, guesses none, and stops in front of anything but exactly one match
// that agrees in birth date and family name.
func (r *recordSystem) patient(ctx context.Context, p poct.Patient) (string, Answered) {
	now := r.s.Now()
	if ref, ok := r.patients.get(p, now); ok {
		return ref, Answered{Class: Done}
	}
	system := r.s.Systems[p.Authority]
	if system == "" {
		return "", r.stop(Configuration, problemNoSystem(r.cfg.ID))
	}
	found, a := r.search(ctx, "Patient", fhir.Identifier{System: system, Value: p.ID})
	if a.Class != Done {
		return "", a
	}
	switch len(found) {
	case 0:
		return "", r.stop(Refused, problemPatientUnknown(r.cfg.ID))
	case 1:
	default:
		return "", r.stop(Ambiguous, problemPatientAmbiguous(r.cfg.ID))
	}
	var res patientResource
	if err := json.Unmarshal(found[0].Resource, &res); err != nil || res.ID == "" {
		return "", Answered{Class: Unknown, Note: "patient not readable"}
	}
	seen := map[string]bool{}
	for next := res.replacedBy(); next != ""; next = res.replacedBy() {
		if seen[next] || len(seen) >= mostLinks {
			return "", r.stop(Ambiguous, problemPatientLoop(r.cfg.ID))
		}
		seen[next] = true
		ref, _ := fhir.Place(next)
		if !strings.HasPrefix(ref, "Patient/") {
			return "", r.stop(Ambiguous, problemPatientLoop(r.cfg.ID))
		}
		body, a := r.read(ctx, ref)
		if a.Class != Done {
			return "", a
		}
		res = patientResource{}
		if err := json.Unmarshal(body, &res); err != nil || res.ID == "" {
			return "", Answered{Class: Unknown, Note: "patient not readable"}
		}
	}
	if res.Active != nil && !*res.Active {
		return "", r.stop(Refused, problemPatientInactive(r.cfg.ID))
	}
	if !agrees(p, res) {
		return "", r.stop(Refused, problemPatientDiffers(r.cfg.ID))
	}
	ref := "Patient/" + res.ID
	r.patients.put(p, ref, now)
	return ref, Answered{Class: Done}
}

// agrees compares what both sides know; what one side does not know is no
// disagreement.
func agrees(p poct.Patient, res patientResource) bool {
	if p.BirthDate != "" && res.BirthDate != "" && p.BirthDate != res.BirthDate {
		return false
	}
	if p.Family == "" || len(res.Name) == 0 {
		return true
	}
	for _, n := range res.Name {
		if n.Family == "" || strings.EqualFold(strings.TrimSpace(n.Family), strings.TrimSpace(p.Family)) {
			return true
		}
	}
	return false
}
