package app

import (
	"context"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/rs/zerolog"

	"tidegate/config"
	"tidegate/ingest"
	"tidegate/mapping"
	"tidegate/outbound"
	"tidegate/pipeline"
	"tidegate/poct"
	"tidegate/store"
	"tidegate/wire/fhir"
)

// Tried is what would become of one message.
type Tried struct {
	File     string         `json:"file,omitempty"`
	SHA256   string         `json:"sha256"`
	Profile  string         `json:"profile"`
	Readings []poct.Reading `json:"readings"`
	Problems []poct.Problem `json:"problems"`
	Verdict  poct.Verdict   `json:"verdict"`
	Sends    []TriedSend    `json:"sends"`
	// Explained tells of each field where it was read and what it became;
	// Ignored lists what the message says and no field reads.
	Explained []mapping.Explained `json:"explained"`
	Ignored   []mapping.Ignored   `json:"ignored"`
}

// TriedSend is what one outlet would be sent. The patient stands in it as a
// search, since the record system was not asked.
type TriedSend struct {
	Outlet string          `json:"outlet"`
	Body   json.RawMessage `json:"body"`
}

// Trial judges messages as a dry run. It works on a copy of the data folder,
// or, where there is none, on a new one filled from the registry files of the
// configuration, and throws it away: the same code judges as in the daemon, and
// earlier messages count as history for later ones.
type Trial struct {
	cfg   *config.Config
	inlet string
	dir   string
	store *store.Store
	judge *pipeline.Judge
	last  []poct.Decision
}

// NewTrial prepares a dry run for one inlet.
func NewTrial(ctx context.Context, cfg *config.Config, inlet string) (*Trial, error) {
	t := &Trial{cfg: cfg, inlet: inlet, judge: newJudge(cfg, time.Now)}
	if _, ok := t.judge.Inlets[inlet]; !ok {
		var ids []string
		for _, in := range cfg.Inlets {
			ids = append(ids, in.ID)
		}
		return nil, fmt.Errorf("%w %q; write one of %s", ErrNoInlet, inlet, strings.Join(ids, ", "))
	}
	var err error
	if t.dir, err = os.MkdirTemp("", "tidegate-try-"); err != nil {
		return nil, fmt.Errorf("make a folder for the dry run: %w", err)
	}
	if err := t.open(ctx); err != nil {
		return nil, errors.Join(err, t.Close())
	}
	return t, nil
}

// ErrNoInlet says that the configuration has no such inlet.
var ErrNoInlet = errors.New("there is no inlet")

func (t *Trial) open(ctx context.Context) error {
	err := store.CopyFolder(ctx, t.cfg.DataDir, t.dir, store.Driver{})
	fresh := errors.Is(err, os.ErrNotExist)
	if err != nil && !fresh {
		return err
	}
	if t.store, err = store.Open(t.dir, store.Options{}); err != nil {
		return err
	}
	a := &App{cfg: t.cfg, store: t.store, log: zerolog.Nop()}
	if err := a.importFiles(ctx); err != nil {
		return err
	}
	return t.drain(ctx) // what waits in the copy comes before what is tried
}

// Close throws the dry run away.
func (t *Trial) Close() error {
	var err error
	if t.store != nil {
		err = t.store.Close()
	}
	return errors.Join(err, os.RemoveAll(t.dir))
}

// File judges the messages of one file in their order.
func (t *Trial) File(ctx context.Context, path string) ([]Tried, error) {
	raw, err := os.ReadFile(path)
	if err != nil {
		return nil, err
	}
	raw = mapping.Unframed(raw)
	var out []Tried
	for _, a := range t.messages(path, raw) {
		tried, err := t.message(ctx, a)
		if err != nil {
			return out, err
		}
		tried.File = path
		out = append(out, tried)
	}
	return out, nil
}

// messages divides a file as its inlet would.
func (t *Trial) messages(path string, raw []byte) []poct.Arrival {
	parts, _ := ingest.Split(poct.Arrival{Inlet: t.inlet, Source: t.inlet, Received: time.Now(), Peer: filepath.Base(path), Raw: raw})
	return parts
}

// message takes one message in and judges it. Bytes that came before are
// judged again all the same: who tries wants to see what would be read.
func (t *Trial) message(ctx context.Context, a poct.Arrival) (Tried, error) {
	out := Tried{SHA256: hex.EncodeToString(a.Digest[:]), Readings: []poct.Reading{}, Problems: []poct.Problem{}, Sends: []TriedSend{}}
	how := mapping.Explain(a, t.judge.Inlets[t.inlet].Profiles, t.judge.Zones(t.store.Book()))
	out.Explained, out.Ignored = how.Fields, how.Ignored
	t.last = nil
	got, err := t.store.Accept(ctx, a)
	if err != nil {
		return out, err
	}
	if got.Resent {
		out.Verdict = poct.Duplicate
		d, err := t.judge.Decide(t.store.Book(), a)
		if err != nil {
			return out, err
		}
		t.last = []poct.Decision{d}
	} else if err := t.drain(ctx); err != nil {
		return out, err
	}
	for _, d := range t.last {
		for _, o := range d.Outcomes {
			if err := t.add(&out, o, got.Resent); err != nil {
				return out, err
			}
		}
	}
	return out, nil
}

// add joins one reading's outcome; the message's verdict is the gravest.
func (t *Trial) add(out *Tried, o poct.Outcome, resent bool) error {
	r := o.Result.Reading
	if out.Profile == "" {
		out.Profile = r.Profile
	}
	out.Readings = append(out.Readings, r)
	out.Problems = append(out.Problems, o.Problems...)
	if resent {
		return nil
	}
	if weight(o.Verdict) > weight(out.Verdict) {
		out.Verdict = o.Verdict
	}
	if o.Verdict != poct.Release {
		return nil
	}
	system := t.cfg.Registry.IdentifierSystems[o.Result.Patient.Authority]
	ids := mapping.IDs{Patient: "Patient?" + fhir.Identifier{System: system, Value: o.Result.Patient.ID}.Query(), Remote: placeholders(o)}
	for _, outlet := range o.Outlets {
		send, other, err := t.letter(outlet, o)
		if err != nil {
			return err
		}
		if other {
			out.Sends = append(out.Sends, send)
			continue
		}
		body, err := mapping.Bundle(o.Result, o.Action, ids, mapping.Options{INRUnit: t.unit(outlet)})
		if err != nil {
			return fmt.Errorf("render for outlet %s: %w", outlet, err)
		}
		out.Sends = append(out.Sends, TriedSend{Outlet: outlet, Body: body})
	}
	return nil
}

// letter is what an outlet of another kind than FHIR would be sent; ok is false
// for FHIR. An HL7 message stands as a text, its segments ended by CR.
func (t *Trial) letter(id string, o poct.Outcome) (send TriedSend, ok bool, err error) {
	for _, c := range t.cfg.Outlets {
		if c.ID != id {
			continue
		}
		body, ok, err := outbound.Preview(c, outbound.Settings{Systems: t.cfg.Registry.IdentifierSystems, Log: zerolog.Nop()},
			poct.Delivery{Outlet: id, Action: o.Action, Result: o.Result})
		if err != nil || !ok {
			return TriedSend{}, ok, err
		}
		if !json.Valid(body) {
			if body, err = json.Marshal(string(body)); err != nil {
				return TriedSend{}, true, err
			}
		}
		return TriedSend{Outlet: id, Body: body}, true, nil
	}
	return TriedSend{}, false, nil
}

// placeholders stand for ids that only the record system knows.
func placeholders(o poct.Outcome) map[string]string {
	m := map[string]string{"diagnosticreport": "DiagnosticReport/known-there"}
	for _, x := range o.Result.Reading.Measurements {
		m["observation/"+x.Analyte] = "Observation/known-there"
	}
	return m
}

func (t *Trial) unit(outlet string) string {
	for _, o := range t.cfg.Outlets {
		if o.ID == outlet {
			return o.FHIR.INRUnit
		}
	}
	return ""
}

func weight(v poct.Verdict) int {
	switch v {
	case poct.HoldIt:
		return 5
	case poct.Release:
		return 4
	case poct.File:
		return 3
	case poct.Duplicate:
		return 2
	case poct.Ignore:
		return 1
	}
	return 0
}

// drain judges whatever waits in the copy.
func (t *Trial) drain(ctx context.Context) error {
	w, err := pipeline.NewWorker(pipeline.Settings{
		Store: t.store, Judge: t.judge, Log: zerolog.Nop(), Name: "try",
		Decided: func(d poct.Decision) { t.last = append(t.last, d) },
	})
	if err != nil {
		return err
	}
	for {
		n, err := w.Step(ctx)
		if err != nil || n == 0 {
			return err
		}
	}
}
