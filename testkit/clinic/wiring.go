package clinic

import (
	"bytes"
	"cmp"
	"context"
	"fmt"
	"slices"
	"time"

	"tidegate/poct"
	"tidegate/review"
	"tidegate/web"
)

// Inlets are those of the clinic: one listens, one has been silent.
type Inlets struct{ *Clinic }

// List tells how they do.
func (i Inlets) List(context.Context) ([]web.InletState, error) {
	return []web.InletState{
		{ID: "millrace-tcp", Kind: "mllp", Address: "127.0.0.1:2575", Profiles: []string{"quill-hl7"}, Well: true, Since: at(25, 6, 0, 2), Heard: at(25, 9, 57, 0)},
		{ID: "harbour-serial", Kind: "lis", Profiles: []string{"reed-lis"}, Since: at(25, 7, 40, 0), Heard: at(25, 7, 40, 0), Why: "Nothing has come in since, longer than is usual here."},
	}, nil
}

// CameIn lists arrivals, newest first.
func (i Inlets) CameIn(_ context.Context, inlet string, limit int) ([]poct.Came, error) {
	i.mu.Lock()
	defer i.mu.Unlock()
	var out []poct.Came
	for _, a := range i.arrivals {
		if a.Inlet == inlet {
			out = append(out, poct.Came{ID: a.ID, Received: a.Received, Bytes: len(a.Raw), Format: a.Format, State: poct.Held})
		}
	}
	slices.SortFunc(out, func(a, b poct.Came) int {
		return cmp.Or(b.Received.Compare(a.Received), cmp.Compare(b.ID, a.ID))
	})
	return out[:min(limit, len(out))], nil
}

// Profile shows the first arrival that was held.
func (i Inlets) Profile(_ context.Context, id string) (web.ProfileRead, error) {
	if id != "quill-hl7" {
		return web.ProfileRead{}, fmt.Errorf("profile %s: %w", id, poct.ErrNotFound)
	}
	i.mu.Lock()
	defer i.mu.Unlock()
	h := i.holds[1]
	a := i.arrivals[h.Arrival]
	return web.ProfileRead{ID: id, Format: "hl7v2", Model: "Quill 3", Specimen: "capillary", Inlets: []string{"millrace-tcp"}, Arrival: a,
		Fields: fieldsOf(a, h.Reading), Ignored: []web.ReadField{{Place: "PID-8", Raw: "F"}}}, nil
}

// Try knows what becomes of a message that waits here, and reads no other.
func (i Inlets) Try(_ context.Context, inlet string, raw []byte) ([]web.Tried, error) {
	i.mu.Lock()
	defer i.mu.Unlock()
	for _, h := range i.holds {
		a := i.arrivals[h.Arrival]
		if !bytes.Equal(bytes.TrimSpace(a.Raw), bytes.TrimSpace(raw)) {
			continue
		}
		body := fmt.Appendf(nil, `{"subject":{"reference":"Patient?identifier=https://millrace.example/mrn|%s"}}`, h.Reading.Patient.ID)
		return []web.Tried{{Arrival: a, Profile: h.Reading.Profile, Readings: []poct.Reading{h.Reading}, Problems: h.Problems, Verdict: poct.HoldIt,
			Fields: fieldsOf(a, h.Reading), Sends: []web.TriedSend{{Outlet: "record-fhir", Body: body}}}}, nil
	}
	p := poct.Problem{Check: "1", Code: "unreadable-record", Severity: poct.Hold, Field: poct.FieldMessage, Text: "No profile of the inlet fits it."}
	return []web.Tried{{Arrival: poct.Arrival{Inlet: inlet, Raw: raw}, Verdict: poct.HoldIt, Problems: []poct.Problem{p}}}, nil
}

// fieldsOf says where each field of a reading stands.
func fieldsOf(a poct.Arrival, r poct.Reading) []web.ReadField {
	var out []web.ReadField
	for field, s := range r.Where {
		out = append(out, web.ReadField{Field: field, From: s.From, To: s.To, Raw: string(a.Raw[s.From:s.To]), Became: string(a.Raw[s.From:s.To])})
	}
	slices.SortFunc(out, func(a, b web.ReadField) int { return cmp.Compare(a.From, b.From) })
	return out
}

// Outlets are those of the clinic, paused and resumed by the real desk's rules.
type Outlets struct {
	*review.Outlets
	kept *pauses
}

type pauses struct {
	now    func() time.Time
	paused map[string]poct.Pause
}

// NewOutlets has one that does not answer and one that sends.
func (c *Clinic) NewOutlets() Outlets {
	kept := &pauses{c.Now, map[string]poct.Pause{}}
	return Outlets{review.NewOutlets(kept, map[string][]string{"record-fhir": {"*"}, "harbour-hl7": {"harbour"}}), kept}
}

// List tells how they do.
func (o Outlets) List(context.Context) ([]poct.OutletState, error) {
	all := []poct.OutletState{
		{ID: "record-fhir", Kind: "fhir", Sites: []string{"*"}, State: poct.OutletFailing, Since: at(25, 9, 50, 0), Why: "The record system answers 503.", NextTry: at(25, 9, 59, 0), Backlog: 3, OldestDue: at(25, 9, 49, 0)},
		{ID: "harbour-hl7", Kind: "hl7v2", Sites: []string{"harbour"}, State: poct.OutletOpen, Since: at(25, 6, 0, 2)},
	}
	for n := range all {
		if p, ok := o.kept.paused[all[n].ID]; ok {
			all[n].State, all[n].Since, all[n].Why, all[n].Pause = poct.OutletPaused, p.At, "Paused by "+p.By+": "+p.Reason, &p
		}
	}
	return all, nil
}

// PauseOutlet keeps a pause in memory.
func (p *pauses) PauseOutlet(_ context.Context, outlet, actor, reason string) error {
	if _, ok := p.paused[outlet]; ok {
		return poct.ErrSoAlready
	}
	p.paused[outlet] = poct.Pause{By: actor, Reason: reason, At: p.now()}
	return nil
}

// ResumeOutlet forgets it.
func (p *pauses) ResumeOutlet(_ context.Context, outlet, _, _ string) error {
	if _, ok := p.paused[outlet]; !ok {
		return poct.ErrSoAlready
	}
	delete(p.paused, outlet)
	return nil
}
