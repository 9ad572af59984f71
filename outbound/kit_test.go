package outbound

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"net/http"
	"net/http/httptest"
	"net/http/httptrace"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/rs/zerolog"
	"github.com/stretchr/testify/require"

	"tidegate/outbound/outlettest"
	"tidegate/poct"
	"tidegate/standin"
)

// wire carries requests to the record system without a network, so that a
// test's clock rules every pause. Requests can be kept back, to arrive when
// their sender has long given up.
type wire struct {
	record *standin.Record
	mu     sync.Mutex
	// late decides to keep a write back; the sender sees a broken connection.
	late func(*http.Request) bool
	kept []kept
	// seen are the writes that got through, unless they are to be forgotten.
	seen   []kept
	forget bool
}

type kept struct {
	req  *http.Request
	body []byte
}

func (w *wire) RoundTrip(req *http.Request) (res *http.Response, err error) {
	if trace := httptrace.ContextClientTrace(req.Context()); trace != nil && trace.GotConn != nil {
		trace.GotConn(httptrace.GotConnInfo{})
	}
	body, err := io.ReadAll(req.Body)
	if err != nil {
		return nil, err
	}
	if w.late != nil && standin.IsWrite(req) && w.late(req) {
		w.kept = append(w.kept, kept{req, body})
		return nil, io.ErrUnexpectedEOF
	}
	if standin.IsWrite(req) && !w.forget {
		w.mu.Lock()
		w.seen = append(w.seen, kept{req, body})
		w.mu.Unlock()
	}
	return w.serve(req, body)
}

func (w *wire) serve(req *http.Request, body []byte) (res *http.Response, err error) {
	defer func() {
		if p := recover(); p != nil { // the record system broke the connection
			err = io.ErrUnexpectedEOF
		}
	}()
	in := httptest.NewRequest(req.Method, req.URL.String(), bytes.NewReader(body)).WithContext(req.Context())
	in.Header = req.Header.Clone()
	in.URL.Path = in.URL.Path[len("/fhir"):]
	if in.URL.Path == "" {
		in.URL.Path = "/"
	}
	out := httptest.NewRecorder()
	w.record.ServeHTTP(out, in)
	if err := req.Context().Err(); err != nil {
		return nil, err
	}
	return out.Result(), nil
}

// arrive lets the requests that were kept back reach the record system.
func (w *wire) arrive(t *testing.T) {
	for _, k := range w.kept {
		if res, err := w.serve(k.req.WithContext(context.Background()), k.body); err == nil {
			require.NoError(t, res.Body.Close())
		}
	}
	w.kept = nil
}

const (
	outletID = "record"
	linger   = 2 * time.Second // lookup_wait
)

// bench is a store, a record system and one worker, in a bubble of synctest.
type bench struct {
	t      *testing.T
	store  *outlettest.Store
	record *standin.Record
	wire   *wire
	cfg    Config
	worker *Worker
	way    way
}

var ada = poct.Patient{Authority: "MILLRACE", ID: "1002", Family: "Testperson", Given: "Ada", BirthDate: "1950-01-01", Sex: "F"}

var systems = map[string]string{"MILLRACE": "https://millrace.example/mrn"}

func newBench(t *testing.T, s standin.Switches) *bench {
	record := standin.NewRecord(standin.Options{Switches: s, KeepBodies: true, Patients: []standin.Patient{
		{ID: "p-1", System: systems["MILLRACE"], Value: ada.ID, Family: ada.Family, Given: ada.Given, BirthDate: ada.BirthDate},
		{ID: "p-2", System: systems["MILLRACE"], Value: "1010", Family: "Other", Given: "Bo", BirthDate: "1960-02-02"},
	}})
	b := &bench{t: t, store: outlettest.NewStore(time.Now), record: record, wire: &wire{record: record}}
	b.cfg = Config{ID: outletID, Sites: []string{"*"}, LookupWait: linger, FHIR: FHIR{BaseURL: "http://127.0.0.1:1/fhir", OwnIDs: "never"}}
	b.worker = b.newWorker("one")
	return b
}

func (b *bench) newWorker(owner string) *Worker {
	w, err := New(b.cfg, Settings{
		ID: outletID, Store: b.store, Log: zerolog.Nop(), Owner: owner, Systems: systems,
		HTTP: &http.Client{Transport: b.wire}, Rand: rand.New(rand.NewPCG(1, 1)),
	})
	require.NoError(b.t, err)
	return w
}

// way is one form of writing results.
type way struct {
	name      string
	mode, own string
	// switches take away what this way does without.
	switches standin.Switches
}

// ours tells the ways that create under ids of ours.
func (w way) ours() bool { return w.own == "auto" }

// whole tells the ways that write all or nothing.
func (w way) whole() bool { return w.mode == modeTransaction }

// ways are the forms that every rule has to hold in.
var ways = []way{
	{"transaction", modeTransaction, "never", standin.Switches{NoClientIDs: true}},
	{"transaction, ids of ours", modeTransaction, "auto", standin.Switches{}},
	{"put", modePut, "auto", standin.Switches{NoTransaction: true, NoConditionalCreate: true}},
	{"put, If-None-Match ignored", modePut, "auto", standin.Switches{NoTransaction: true, IgnoreIfNoneMatch: true}},
	{"single", modeSingle, "never", standin.Switches{NoTransaction: true, NoClientIDs: true}},
}

// eachWay runs a schedule in every form of writing.
func eachWay(t *testing.T, run func(t *testing.T, b *bench)) {
	for _, w := range ways {
		t.Run(w.name, func(t *testing.T) { inWay(t, w, run) })
	}
}

func inWay(t *testing.T, w way, run func(t *testing.T, b *bench)) {
	inBubble(t, func(t *testing.T) {
		b := newBench(t, w.switches)
		b.way = w
		b.cfg.FHIR.Mode, b.cfg.FHIR.OwnIDs = w.mode, w.own
		b.worker = b.newWorker("one")
		run(t, b)
	})
}

// switches changes the record system's habits, and leaves the way's own.
func (b *bench) switches(change func(*standin.Switches)) {
	s := b.way.switches
	change(&s)
	b.record.SetSwitches(s)
}

// run lets a worker work until nothing is open, or the time is over.
func (b *bench) run(w *Worker, most time.Duration) {
	ctx, cancel := context.WithTimeout(b.t.Context(), most)
	defer cancel()
	done := make(chan error, 1)
	go func() { done <- w.Run(ctx) }()
	for b.store.Open() > 0 && ctx.Err() == nil {
		time.Sleep(100 * time.Millisecond) // the bubble's clock
	}
	cancel()
	require.NoError(b.t, <-done)
}

// step claims one delivery and takes it one attempt further; the test decides
// when the next one comes.
func (b *bench) step(w *Worker) poct.Delivery {
	d := b.claim(w)
	w.deliver(b.t.Context(), d)
	return d
}

func (b *bench) claim(w *Worker) poct.Delivery {
	claimed, err := b.store.ClaimDeliveries(b.t.Context(), outletID, w.s.Owner, 1, w.lease)
	require.NoError(b.t, err)
	require.Len(b.t, claimed, 1)
	return claimed[0]
}

// known makes meter, clinic and strip lot stand at the record system, so that
// a test sees the result's own requests only.
func (b *bench) known() {
	id := b.store.Add(outletID, result(900, "1.9"), poct.Create)
	b.run(b.worker, time.Minute)
	require.Equal(b.t, poct.DeliveryDone, b.store.Row(id).State)
}

// result is one checked result of a meter's test n.
func result(n int, inr string, changes ...func(*poct.Result)) poct.Result {
	at := time.Date(2026, 3, 4, 9, 0, 0, 0, time.UTC).Add(time.Duration(n) * time.Minute)
	r := poct.Result{
		ID: fmt.Sprintf("r-%d", n), Version: 1, Site: "millrace", SiteName: "Millrace Surgery", Patient: ada,
		OperatorOK: true, LotOK: true, LotExpires: "2026-11-30", Issued: at.Add(time.Minute),
		Reading: poct.Reading{
			Arrival: "0190c0de-0000-7000-8000-000000000001", Kind: poct.KindPatient, Status: poct.StatusFinal, Model: "Quill 3",
			Meter: "Q3-0118", Sequence: fmt.Sprint(n), Specimen: "capillary", Operator: "118", StripLot: "Q2411",
			TestedAt: poct.Stamp{Raw: at.Format("20060102150405-0700"), At: at, Precision: "second"},
			Patient:  poct.PatientRef{Authority: ada.Authority, ID: ada.ID},
			Measurements: []poct.Measurement{
				{Analyte: "inr", Value: poct.MustNumber(inr), RawValue: inr, Unit: "{INR}", LOINC: "46418-0"},
				{Analyte: "pt", Value: poct.MustNumber("28.8"), RawValue: "28.8", Unit: "s", LOINC: "46417-2"},
			},
		},
	}
	r.Key = r.Reading.Key()
	for _, c := range changes {
		c(&r)
	}
	return r
}

// version makes the next version of a result.
func version(n int) func(*poct.Result) {
	return func(r *poct.Result) {
		r.Version = n
		r.Issued = r.Issued.Add(time.Duration(n) * time.Hour)
		r.Replaces = "INR was other"
	}
}

func inBubble(t *testing.T, f func(t *testing.T)) { t.Helper(); synctest.Test(t, f) }

// sound asserts what must hold after every schedule.
func (b *bench) sound(observations, withdrawn int) {
	b.t.Helper()
	a := b.record.Scan()
	require.Empty(b.t, a.Twins)
	require.Empty(b.t, a.Backwards)
	require.Equal(b.t, observations, a.Observations, "observations")
	require.Equal(b.t, withdrawn, a.Withdrawn, "withdrawn")
}

// values lists status and INR of the observations that say INR.
func (b *bench) values() (out []string) {
	for _, s := range b.record.All("Observation") {
		r, err := readResource(s.Body)
		require.NoError(b.t, err)
		if r.Value.Code == "{INR}" {
			out = append(out, r.Status+" "+string(r.Value.Value))
		}
	}
	return out
}

var errCommit = errors.New("commit failed")

type outletRow = outlettest.Row
