package probe

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"net/http"
	"slices"
	"sync"
	"time"

	"github.com/google/uuid"

	"tidegate/outbound"
	"tidegate/poct"
	"tidegate/wire/fhir"
)

// Settings of a probe.
type Settings struct {
	Outlet  outbound.Config   // of kind fhir
	Systems map[string]string // FHIR identifier system by assigning authority
	// Patient is the test patient: authority and number; birth date and family
	// name are compared where they are given. The caller vouches that it is
	// nobody.
	Patient poct.Patient
	By      string // who asked, for the report
	Version string // of tidegate, for the report
	Now     func() time.Time
	HTTP    *http.Client // replaces the client made from the configuration; for tests
	// Progress is told each step as it begins; may be nil.
	Progress func(string)
	// Patience is how long one delivery may take, and a search to show what was
	// written; default one minute.
	Patience time.Duration
}

// probe is one run.
type probe struct {
	s       Settings
	cfg     outbound.Config
	client  *fhir.Client
	byPost  *fhir.Client
	began   time.Time
	caps    fhir.Caps
	patient string // reference at the record system
	ways    ways
	used    []used // everything that may have been written

	mu   sync.Mutex // of what follows: deliveries report from another goroutine
	step string
	rep  *Report
	sent int // requests made by the probe itself
}

// used is something that may stand at the record system.
type used struct {
	part
	ref string // where it is known to stand
}

// Run probes. An error means that it could not begin; what the record system
// does or does not do stands in the report. Ending ctx ends the probe early:
// what it filed is cleared all the same.
func Run(ctx context.Context, s Settings) (Report, error) {
	p, err := begin(s)
	if err != nil {
		return Report{}, err
	}
	if p.askPromises(ctx) && p.askPatient(ctx) {
		p.tryConditions(ctx)
		p.settle()
		p.live(ctx)
		p.clear(context.WithoutCancel(ctx))
	}
	if ctx.Err() != nil {
		p.lacks(Needed, "The probe was ended before it was through.", "Run it again.")
	}
	p.end()
	return *p.rep, nil
}

func begin(s Settings) (*probe, error) {
	if s.Now == nil {
		s.Now = time.Now
	}
	if s.Progress == nil {
		s.Progress = func(string) {}
	}
	if s.Patience == 0 {
		s.Patience = time.Minute
	}
	if s.Patient.ID == "" || s.Patient.Authority == "" {
		return nil, errors.New("the test patient needs an authority and a number")
	}
	if s.Systems[s.Patient.Authority] == "" {
		return nil, fmt.Errorf("authority %q has no identifier system; write it under registry.identifier_systems", s.Patient.Authority)
	}
	cfg := s.Outlet.WithDefaults()
	to := outbound.Settings{ID: cfg.ID, Systems: s.Systems, HTTP: s.HTTP, Now: s.Now}
	if cfg.Kind != "fhir" {
		return nil, fmt.Errorf("outlet %s is of kind %s; only an outlet of kind fhir leads to a record system that can be asked what it kept", cfg.ID, cfg.Kind)
	}
	client, _, err := outbound.NewClient(cfg, to)
	if err != nil {
		return nil, err
	}
	posting := cfg
	posting.FHIR.SearchByPost = true
	byPost, _, err := outbound.NewClient(posting, to)
	if err != nil {
		return nil, err
	}
	return &probe{
		s: s, cfg: cfg, client: client, byPost: byPost, began: s.Now(),
		rep: &Report{
			Outlet: cfg.ID, BaseURL: cfg.FHIR.BaseURL, Patient: masked(s.Patient), By: s.By, Version: s.Version,
			Run: uuid.NewString(), Began: s.Now().UTC(),
			Promises: []Promise{}, Findings: []Finding{}, Elements: []Element{}, Settings: []Setting{}, Remains: []Remain{},
		},
	}, nil
}

// end closes the report: verdict, promises beside what was found, digest.
func (p *probe) end() {
	p.compareWithPromises()
	p.mu.Lock()
	defer p.mu.Unlock()
	needed, _ := p.rep.missing()
	p.rep.Good = needed == 0
	p.rep.SearchShows = p.ways.lag
	p.rep.Ended = p.s.Now().UTC()
	p.rep.SHA256 = digest([]byte(p.rep.body()))
}

// at begins a step.
func (p *probe) at(step, doing string) {
	p.mu.Lock()
	p.step = step
	p.mu.Unlock()
	p.s.Progress(doing)
}

func (p *probe) good(need Need, text string, args ...any) {
	p.found(Finding{Need: need, Good: true, Text: fmt.Sprintf(text, args...)})
}

func (p *probe) lacks(need Need, text, do string) {
	p.found(Finding{Need: need, Text: text, Do: do})
}

func (p *probe) found(f Finding) {
	p.mu.Lock()
	defer p.mu.Unlock()
	f.Step = p.step
	if slices.Contains(p.rep.Findings, f) { // of another part of the same result
		return
	}
	p.rep.Findings = append(p.rep.Findings, f)
}

func (p *probe) exchange(x Exchange) {
	p.mu.Lock()
	defer p.mu.Unlock()
	x.At, x.Step = p.s.Now().UTC(), p.step
	p.rep.Transcript = append(p.rep.Transcript, x)
}

// writing notes what is about to be written, before it is.
func (p *probe) writing(list ...part) {
	for _, one := range list {
		if !slices.ContainsFunc(p.used, func(u used) bool { return u.urn == one.urn }) {
			p.used = append(p.used, used{part: one})
		}
	}
}

// stands notes where something that was written stands.
func (p *probe) stands(one part, ref string) {
	p.writing(one)
	if ref == "" {
		return
	}
	for i := range p.used {
		switch u := &p.used[i]; {
		case u.urn != one.urn, u.ref == ref:
		case u.ref == "":
			u.ref = ref
			return
		default:
			p.used = append(p.used, used{one, ref})
			return
		}
	}
}

// until asks again and again, with growing pauses, until yes or patience ends.
func (p *probe) until(ctx context.Context, yes func() bool) bool {
	end := p.s.Now().Add(p.s.Patience)
	for pause := 20 * time.Millisecond; ; pause = min(2*pause, time.Second) {
		if yes() {
			return true
		}
		if p.s.Now().After(end) {
			return false
		}
		t := time.NewTimer(pause)
		select {
		case <-ctx.Done():
			t.Stop()
			return false
		case <-t.C:
		}
	}
}

func digest(b []byte) string {
	if len(b) == 0 {
		return ""
	}
	sum := sha256.Sum256(b)
	return hex.EncodeToString(sum[:])
}
