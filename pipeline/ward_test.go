package pipeline_test

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/rs/zerolog"
	"github.com/stretchr/testify/require"

	"tidegate/mapping"
	"tidegate/pipeline"
	"tidegate/poct"
	"tidegate/registry"
	"tidegate/review"
	"tidegate/store"
	"tidegate/validate"
)

// People of the ward, by name.
var people = map[string]poct.Actor{
	"k.osei":  {Name: "k.osei", Role: "coordinator", Sites: []string{"*"}},
	"d.varga": {Name: "d.varga", Role: "clinician", Sites: []string{"millrace"}, Operator: "118"},
	"r.ito":   {Name: "r.ito", Role: "reviewer", Sites: []string{"millrace", "saltmarsh"}},
	"n.holt":  {Name: "n.holt", Role: "nurse", Sites: []string{"millrace"}},
}

// ward is the real store, judge, rules, registry look-ups and desk, with a
// meter M-2041 at Millrace and one at Saltmarsh, on a clock that is moved.
type ward struct {
	require.TestingT
	store *store.Store
	work  *pipeline.Worker
	judge *pipeline.Judge
	ask   func(context.Context, []poct.PatientRef) // the record system, where it is asked
	desk  *review.Desk
	now   time.Time
	seq   int
	sent  []poct.Delivery // accepted by the record system
}

func newWard(tb require.TestingT, dir string) *ward {
	w := &ward{TestingT: tb, now: time.Date(2026, 3, 5, 8, 0, 0, 0, time.UTC)}
	clock := func() time.Time { return w.now }
	var err error
	w.store, err = store.Open(dir, store.Options{Now: clock})
	require.NoError(w, err)
	p, faults := mapping.Compile(mapping.ProfileConfig{
		ID: "quill-hl7", Format: "hl7v2", Model: "Quill 3", Specimen: "capillary",
		MeasuringRange: mapping.RangeConfig{Low: "0.7", High: "9.0"},
		Fields: mapping.FieldsConfig{
			Meter: mapping.FieldConfig{At: "OBX-18.1"}, Sequence: mapping.FieldConfig{At: "OBR-3.1"},
			TestedAt: mapping.FieldConfig{At: "OBR-7"}, Operator: mapping.FieldConfig{At: "OBX-16.1"},
			Patient:  mapping.FieldConfig{At: "PID-3", Authority: "MILLRACE"},
			StripLot: mapping.FieldConfig{At: "OBX-5", Where: map[string]mapping.Values{"OBX-3.1": {"STRIPLOT"}}},
		},
		Control: mapping.ControlConfig{When: map[string]mapping.Values{"SPM-11.1": {"Q"}},
			Lot: mapping.FieldConfig{At: "SPM-2.1"}, Level: mapping.FieldConfig{At: "SPM-14"}},
		Results: []mapping.ResultConfig{{Analyte: "inr", Where: map[string]mapping.Values{"OBX-3.1": {"INR"}}, LOINC: "46418-0", Units: map[string]string{"": "{INR}"}}},
		NotSent: []string{"birth_date", "pt"},
	})
	require.Empty(w, faults)
	rules, faults := validate.Compile(validate.Config{})
	require.Empty(w, faults)
	judge := &pipeline.Judge{
		Inlets:  map[string]pipeline.InletRule{"wired": {Profiles: []*mapping.Profile{p}}},
		Outlets: []pipeline.OutletRule{{ID: "record", Sites: []string{"*"}}},
		Rules:   rules, Facts: registry.Facts, Now: clock, Patience: 15 * time.Minute,
		Zones: func(b poct.Book) mapping.Zones { return registry.Zones(b) },
	}
	w.judge = judge
	w.work, err = pipeline.NewWorker(pipeline.Settings{Store: w.store, Judge: judge, Log: zerolog.New(io.Discard)})
	require.NoError(w, err)
	w.desk, err = review.New(review.Settings{Store: w.store, Judge: judge, May: validate.May, Correct: validate.CorrectReading, Now: clock})
	require.NoError(w, err)
	rows := poct.RegistryRows{
		Sites: []poct.Site{{ID: "millrace", Name: "Millrace Surgery", TimeZone: "UTC", QCInterval: 8 * time.Hour},
			{ID: "saltmarsh", Name: "Saltmarsh Clinic", TimeZone: "UTC", QCInterval: 8 * time.Hour}},
		Meters: []poct.Meter{{Serial: "M-2041", Model: "Quill 3", Site: "millrace", State: "in-use"},
			{Serial: "M-2052", Model: "Quill 3", Site: "saltmarsh", State: "in-use"}},
		Operators: []poct.Operator{{ID: "118", Name: "D. Varga", Sites: []string{"*"}, CertifiedUntil: "2027-01-01"}},
		ControlLots: []poct.ControlLot{{Lot: "C-404", Level: "1", Low: poct.MustNumber("0.8"), High: poct.MustNumber("1.4"), Expires: "2027-01-01"},
			{Lot: "C-404", Level: "2", Low: poct.MustNumber("2.5"), High: poct.MustNumber("3.5"), Expires: "2027-01-01"}},
	}
	for i := range 9 {
		rows.Patients = append(rows.Patients, poct.Patient{Authority: "MILLRACE", ID: fmt.Sprint(4711 + i), Family: "Vale", BirthDate: "1951-04-02"})
	}
	w.upsert(rows)
	w.lot("7K40231", false)
	return w
}

func (w *ward) upsert(rows poct.RegistryRows) {
	_, _, err := w.store.Upsert(ctx, "k.osei", rows)
	require.NoError(w, err)
}

func (w *ward) lot(lot string, recalled bool) {
	w.upsert(poct.RegistryRows{StripLots: []poct.StripLot{{Lot: lot, Model: "Quill 3", Expires: "2027-01-01", Recalled: recalled}}})
}

// reading is what a meter measured.
type reading struct {
	meter, status, lot, operator, inr string
	patient, level                    string // one of both
	seq                               int
	at                                time.Time
	ahead                             time.Duration // of the meter's clock, as its message tells
}

// on gives a reading of today at a time such as "10:05", with a sequence number
// of its own.
func (w *ward) on(clock, inr string) reading {
	w.seq++
	return reading{meter: "M-2041", status: "F", lot: "7K40231", operator: "118", inr: inr, seq: w.seq, at: w.today(clock)}
}

func (w *ward) today(clock string) time.Time {
	at, err := time.Parse("15:04", clock)
	require.NoError(w, err)
	return time.Date(2026, 3, 5, at.Hour(), at.Minute(), 0, 0, time.UTC)
}

func (w *ward) test(clock, inr string) reading {
	r := w.on(clock, inr)
	r.patient = fmt.Sprint(4711 + w.seq%9)
	return r
}

func (w *ward) control(clock, level, inr string) reading {
	r := w.on(clock, inr)
	r.level = level
	return r
}

// take sends a reading at a time, or when it was measured, and judges all that
// waits. It returns the result's id.
func (w *ward) take(r reading, clock ...string) string {
	at := r.at
	if len(clock) > 0 {
		at = w.today(clock[0])
	}
	if at.After(w.now) {
		w.now = at
	}
	got := w.send(r)
	w.step()
	return w.resultOf(got)
}

// resultOf is the one result of an arrival.
func (w *ward) resultOf(arrival string) string {
	ids, err := w.store.Find(ctx, store.Query{Text: arrival})
	require.NoError(w, err)
	require.Len(w, ids, 1)
	return ids[0]
}

// send brings a reading now, to be judged later, and gives its arrival's id.
func (w *ward) send(r reading) string {
	const layout = "20060102150405-0700"
	raw := "MSH|^~\\&|QUILL3|MILL|T|X|" + w.now.Add(r.ahead).Format(layout) + "||ORU^R01^ORU_R01|1|P|2.5.1\r"
	if r.patient != "" {
		raw += "PID|1||" + r.patient + "^^^MILLRACE\r"
	}
	raw += fmt.Sprintf("OBR|1||%d|INR|||%s\rOBX|1|NM|INR||%s||||||%s|||||%s||%s\rOBX|2|ST|STRIPLOT||%s||||||F\r",
		r.seq, r.at.Format(layout), r.inr, r.status, r.operator, r.meter, r.lot)
	if r.level != "" {
		raw += "SPM|1|C-404||BLD|||||||Q|||" + r.level + "\r"
	}
	got, err := w.store.Accept(ctx, poct.Arrival{Inlet: "wired", Format: "hl7v2", Raw: []byte(raw)})
	require.NoError(w, err)
	return got.Arrival
}

// step lets the worker do all that there is to do.
func (w *ward) step() {
	for {
		n, err := w.work.Step(ctx)
		require.NoError(w, err)
		if n == 0 {
			return
		}
	}
}

// deliver lets the record system accept all that is due, and returns what it
// was, as action and sequence number.
func (w *ward) deliver() []string {
	var out []string
	for {
		due, err := w.store.ClaimDeliveries(ctx, "record", "test", 100, time.Minute)
		require.NoError(w, err)
		if len(due) == 0 {
			slices.Sort(out)
			return out
		}
		for _, d := range due {
			err := errors.Join(w.store.Intent(ctx, d, fmt.Appendf(nil, "%d", d.ID), nil),
				w.store.Finish(ctx, d, poct.SendOutcome{Done: true, Receipt: poct.Receipt{Status: 201, Class: "delivered"}}))
			require.NoError(w, err)
			w.sent = append(w.sent, d)
			out = append(out, string(d.Action)+" "+d.Result.Reading.Sequence)
		}
	}
}

func (w *ward) trace(id string) poct.Trace {
	t, err := w.store.Trace(ctx, id)
	require.NoError(w, err)
	return t
}

// held is the codes that an id is held for by themselves, "" if it is not.
func (w *ward) held(id string) string {
	var out []string
	for _, h := range w.trace(id).Holds {
		for _, p := range h.Problems {
			if h.Open && p.Severity == poct.Hold && p.Because == "" {
				out = append(out, p.Code)
			}
		}
	}
	return strings.Join(out, " ")
}

func (w *ward) openHold(id string) poct.HoldRecord {
	holds, err := w.store.Holds(ctx, store.HoldFilter{Open: true, Result: id})
	require.NoError(w, err)
	require.Len(w, holds, 1)
	return holds[0]
}

// doubted is the sequence numbers on the one open look-back, and the look-back.
func (w *ward) doubted() ([]int, poct.LookBack) {
	list, err := w.store.LookBacks(ctx, true, "", 0)
	require.NoError(w, err)
	require.Len(w, list, 1)
	b, err := w.store.LookBack(ctx, list[0].ID, "", 1000)
	require.NoError(w, err)
	var out []int
	for _, i := range b.Items {
		var n int
		_, err := fmt.Sscan(w.trace(i.Result).Versions[0].Result.Reading.Sequence, &n)
		require.NoError(w, err)
		out = append(out, n)
	}
	slices.Sort(out)
	return out, b
}

func (w *ward) kinds(id string) string {
	var out []string
	for _, e := range w.trace(id).Events {
		out = append(out, string(e.Kind))
	}
	return strings.Join(out, " ")
}

func (w *ward) verifies() {
	v, err := w.store.Verify(ctx, "", nil)
	require.NoError(w, err)
	require.Empty(w, v.Faults)
}

// fewer takes fewer random days than usual, unless the long form is asked for:
// each opens a store.
func fewer(t *testing.T, checks string) {
	f := flag.Lookup("rapid.checks")
	if os.Getenv("TIDEGATE_LONG") != "" || f == nil || f.Value.String() != f.DefValue {
		return
	}
	require.NoError(t, f.Value.Set(checks))
	t.Cleanup(func() { _ = f.Value.Set(f.DefValue) })
}
