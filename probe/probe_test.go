package probe

import (
	"bytes"
	"context"
	"encoding/json"
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidegate/outbound"
	"tidegate/poct"
	"tidegate/standin"
)

const mrn = "https://millrace.example/mrn"

// The test patient of these tests, invented like all of them.
var nobody = poct.Patient{Authority: "MILLRACE", ID: "9990017", Family: "Testperson", Given: "Nobody", BirthDate: "1900-01-01"}

// bench is a record system in process, and what stands between it and us.
type bench struct {
	record *standin.Record
	cfg    outbound.Config
}

// spoil changes what a record system takes or gives: "" for the body of a
// request, the request's method for that of its answer.
type spoil func(way string, body []byte) []byte

func newBench(t *testing.T, s standin.Switches, change spoil) *bench {
	var open atomic.Bool
	now := func() time.Time { // what is there before the test is old
		if !open.Load() {
			return time.Now().Add(-time.Hour)
		}
		return time.Now()
	}
	b := &bench{record: standin.NewRecord(standin.Options{Switches: s, Now: now, Patients: []standin.Patient{
		{ID: "p-test", System: mrn, Value: nobody.ID, Family: nobody.Family, Given: nobody.Given, BirthDate: nobody.BirthDate},
		{ID: "p-real", System: mrn, Value: "4001884", Family: "Somebody", Given: "Else", BirthDate: "1950-02-02"},
	}})}
	open.Store(true)
	srv := httptest.NewServer(http.StripPrefix("/fhir", http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if change == nil {
			b.record.ServeHTTP(w, r)
			return
		}
		body, err := io.ReadAll(r.Body)
		if err != nil {
			panic(http.ErrAbortHandler)
		}
		r.Body = io.NopCloser(bytes.NewReader(change("", body)))
		out := httptest.NewRecorder()
		b.record.ServeHTTP(out, r)
		for k, v := range out.Header() {
			w.Header()[k] = v
		}
		w.WriteHeader(out.Code)
		_, _ = w.Write(change(r.Method, out.Body.Bytes()))
	})))
	t.Cleanup(srv.Close)
	b.cfg = outbound.Config{
		ID: "record", Sites: []string{"*"}, LookupWait: 50 * time.Millisecond, Timeout: 5 * time.Second,
		Retry: outbound.Retry{First: 20 * time.Millisecond, Max: 100 * time.Millisecond}, FHIR: outbound.FHIR{BaseURL: srv.URL + "/fhir"},
	}
	return b
}

func (b *bench) settings() Settings {
	return Settings{
		Outlet: b.cfg, Systems: map[string]string{"MILLRACE": mrn}, Patient: nobody, By: "e.moss", Version: "test",
		Patience: 10 * time.Second,
	}
}

func (b *bench) run(t *testing.T) Report {
	t.Helper()
	r, err := Run(t.Context(), b.settings())
	require.NoError(t, err)
	return r
}

// missing lists the findings that are not good, "needed: text".
func missing(r Report) []string {
	out := []string{}
	for _, f := range r.Findings {
		if !f.Good && f.Need != Told {
			out = append(out, string(f.Need)+": "+f.Text)
		}
	}
	return out
}

func setting(r Report, key string) string {
	for _, s := range r.Settings {
		if s.Key == key {
			return s.Write
		}
	}
	return ""
}

func fateOf(r Report, resource, element string) Fate {
	for _, e := range r.Elements {
		if e.Resource == resource && e.Element == element {
			return e.Fate
		}
	}
	return ""
}

func TestGoodRecordSystem(t *testing.T) {
	b := newBench(t, standin.Switches{}, nil)
	r := b.run(t)
	assert.Empty(t, missing(r))
	assert.True(t, r.Good, r.Text())
	assert.Equal(t, "auto", setting(r, "mode"))
	assert.Equal(t, "auto", setting(r, "own_ids"))
	assert.Equal(t, "true", setting(r, "search_by_post"))
	assert.Equal(t, Survived, fateOf(r, "Observation INR", "valueQuantity.value"))
	assert.Equal(t, Survived, fateOf(r, "Observation INR", "extension observation-reagent"))
	assert.Equal(t, Survived, fateOf(r, "Observation INR off scale", "valueQuantity.comparator"))
	assert.Equal(t, Survived, fateOf(r, "Observation by itself", "meta.security"))
	for _, p := range r.Promises {
		assert.True(t, p.Found == Works || strings.Contains(p.What, "create unless the identifier is there"), "%s: %s", p.What, p.Found)
	}
	b.cleared(t, r)
}

// cleared: nothing of the probe stands, and no patient but the one was touched.
func (b *bench) cleared(t *testing.T, r Report) {
	t.Helper()
	for _, typ := range []string{"Observation", "DiagnosticReport", "Specimen"} {
		for _, s := range b.record.All(typ) {
			var res struct {
				Status  string
				Subject struct{ Reference string }
			}
			require.NoError(t, json.Unmarshal(s.Body, &res))
			assert.Equal(t, "entered-in-error", res.Status, "%s", s.Body)
			assert.Equal(t, "Patient/p-test", res.Subject.Reference)
		}
	}
	for _, m := range r.Remains {
		assert.Equal(t, "entered-in-error", m.Status, m.Reference)
	}
}

// Each habit of a record system is told as what it is.
func TestHabits(t *testing.T) {
	tests := []struct {
		name    string
		s       standin.Switches
		outlet  func(*outbound.Config)
		change  spoil
		good    bool
		mode    string
		ownIDs  string
		missing []string // each a part of one line, and no line beside them
	}{
		{
			name: "stale If-Match is 409", s: standin.Switches{StaleIs409: true},
			good: true, mode: "auto", ownIDs: "auto",
		},
		{
			name: "no ids of ours", s: standin.Switches{NoClientIDs: true},
			good: true, mode: "auto", ownIDs: "never",
		},
		{
			name: "If-None-Match ignored", s: standin.Switches{IgnoreIfNoneMatch: true},
			good: true, mode: "auto", ownIDs: "never",
			missing: []string{"wanted: If-None-Match: * is ignored"},
		},
		{
			name: "no conditional creation", s: standin.Switches{NoConditionalCreate: true},
			good: true, mode: "auto", ownIDs: "auto",
		},
		{
			name: "no transactions", s: standin.Switches{NoTransaction: true},
			good: true, mode: "auto", ownIDs: "auto",
		},
		{
			name: "no transactions, and the outlet asks for them", s: standin.Switches{NoTransaction: true},
			outlet: func(c *outbound.Config) { c.FHIR.Mode = "transaction" },
			good:   false, mode: "auto", ownIDs: "auto",
			missing: []string{"needed: The result was not filed."},
		},
		{
			name: "neither ids of ours nor conditional creation", s: standin.Switches{NoClientIDs: true, NoConditionalCreate: true},
			good:    false,
			missing: []string{"needed: No Observation could be created", "needed: There is no way to create", "needed: The result was not filed."},
		},
		{
			name: "contained substance", s: standin.Switches{NoSubstance: true},
			good: true, mode: "auto", ownIDs: "auto",
		},
		{
			name: "index lags", s: standin.Switches{IndexLag: 400 * time.Millisecond},
			good: false, mode: "auto", ownIDs: "auto",
			missing: []string{"needed: A search shows what was written only after", "wanted: Two conditional creations at once"},
		},
		{
			name: "extensions dropped", s: standin.Switches{DropExtensions: true},
			good: true, mode: "auto", ownIDs: "auto",
			missing: []string{
				"wanted: Observation INR: extension observation-reagent was lost",
				"wanted: Observation PT: extension observation-reagent was lost",
			},
		},
		{
			name: "contained strip lot dropped", s: standin.Switches{DropExtensions: true, NoSubstance: true},
			good: true, mode: "auto", ownIDs: "auto",
			missing: []string{
				"wanted: Observation INR: extension observation-reagent was lost", "wanted: Observation INR: contained Substance was lost",
				"wanted: Observation PT: extension observation-reagent was lost", "wanted: Observation PT: contained Substance was lost",
			},
		},
		{
			name: "notes dropped", s: standin.Switches{DropNotes: true},
			good: true, mode: "auto", ownIDs: "auto",
			missing: []string{"wanted: Observation INR: note was lost", "wanted: Observation PT: note was lost"},
		},
		{
			name: "zeros trimmed", s: standin.Switches{TrimZeros: true},
			good: true, mode: "auto", ownIDs: "auto",
			missing: []string{
				"wanted: Observation INR: valueQuantity.value was changed from 2.50 to 2.5",
				"wanted: Observation PT: valueQuantity.value was changed from 30.10 to 30.1",
			},
		},
		{
			name: "no versions", s: standin.Switches{NoVersions: true},
			good: false, mode: "put", ownIDs: "auto",
			missing: []string{
				"needed: What was filed comes back without a version",
				"needed: The correction was not taken.", "needed: The withdrawal was not taken.",
			},
		},
		{
			name: "conditions see late", s: standin.Switches{BlindConditions: 1500 * time.Millisecond},
			outlet: func(c *outbound.Config) { c.LookupWait = time.Second },
			good:   true, mode: "auto", ownIDs: "auto",
			missing: []string{"wanted: If-None-Exist misses what was created just before", "wanted: Two conditional creations at once made two"},
		},
		{
			name: "boasts of transactions and ids of ours", s: standin.Switches{NoTransaction: true, NoClientIDs: true, Boasts: true},
			good: true, mode: "single", ownIDs: "never",
			missing: []string{"promises what was not found: creates under ids of ours", "promises what was not found: transactions"},
		},
		{
			name: "boasts, and the outlet is written as the probe suggests", s: standin.Switches{NoTransaction: true, NoClientIDs: true, Boasts: true},
			outlet: func(c *outbound.Config) { c.FHIR.Mode, c.FHIR.OwnIDs = "single", "never" },
			good:   true, mode: "single", ownIDs: "never",
			missing: []string{"promises what was not found: creates under ids of ours", "promises what was not found: transactions"},
		},
		{
			name: "refuses without a word", s: standin.Switches{Wordless: true, NoConditionalCreate: true},
			good: true, mode: "auto", ownIDs: "auto",
		},
		{
			name: "values rounded", change: func(way string, body []byte) []byte {
				if way == "" {
					return bytes.ReplaceAll(body, []byte(`"value":30.10`), []byte(`"value":30`))
				}
				return body
			},
			good: false, mode: "auto", ownIDs: "auto",
			missing: []string{
				"needed: Observation PT: valueQuantity.value was changed from 30.10 to 30",
				"needed: The same result, sent once more, was not recognised.",
			},
		},
		{
			name: "comparator dropped on reading", change: func(way string, body []byte) []byte {
				if way == http.MethodGet {
					return bytes.ReplaceAll(body, []byte(`"comparator":"<",`), nil)
				}
				return body
			},
			good: false, mode: "auto", ownIDs: "auto",
			missing: []string{"needed: Observation INR off scale: valueQuantity.comparator was lost"},
		},
	}
	for _, tc := range tests {
		t.Run(tc.name, func(t *testing.T) {
			t.Parallel()
			b := newBench(t, tc.s, tc.change)
			if tc.outlet != nil {
				tc.outlet(&b.cfg)
			}
			r := b.run(t)
			got := missing(r)
			assert.Equal(t, tc.good, r.Good, r.Text())
			assert.Len(t, got, len(tc.missing), strings.Join(got, "\n"))
			for _, want := range tc.missing {
				assert.Contains(t, strings.Join(got, "\n"), want)
			}
			assert.Equal(t, tc.mode, setting(r, "mode"), r.Text())
			assert.Equal(t, tc.ownIDs, setting(r, "own_ids"))
			b.cleared(t, r)
		})
	}
}

// A record system that knows no annotations gets INR as a plain number, and the
// report says which setting that is.
func TestUnitWithoutAnnotation(t *testing.T) {
	b := newBench(t, standin.Switches{}, func(way string, body []byte) []byte {
		if way == "" { // refused as out of shape
			return bytes.ReplaceAll(body, []byte(`"code":"{INR}"`), []byte(`"code":{}`))
		}
		return body
	})
	r := b.run(t)
	assert.False(t, r.Good, "as configured it does not work")
	got := strings.Join(missing(r), "\n")
	assert.Contains(t, got, "wanted: INR in {INR} is refused")
	assert.Contains(t, got, "needed: The result was not filed.")
	assert.Equal(t, `"1"`, setting(r, "inr_unit"))
	assert.Contains(t, r.Text(), "With the settings below, a result was filed, corrected and withdrawn.")
	b.cleared(t, r)

	b.cfg.FHIR.INRUnit = "1"
	r = b.run(t)
	assert.True(t, r.Good, r.Text())
	b.cleared(t, r)
}

// Nothing is written where the patient is not found for certain.
func TestPatientNotForCertain(t *testing.T) {
	tests := []struct {
		name, number string
		add          []standin.Patient
		want         string
	}{
		{"not there", "1", nil, "No patient with this identifier is there."},
		{"there twice", nobody.ID, []standin.Patient{{ID: "p-2", System: mrn, Value: nobody.ID, Family: "Twin"}}, "Several patients with this identifier are there."},
	}
	for _, tc := range tests {
		t.Run(tc.name, func(t *testing.T) {
			b := newBench(t, standin.Switches{}, nil)
			b.record.AddPatients(tc.add...)
			s := b.settings()
			s.Patient.ID = tc.number
			r, err := Run(t.Context(), s)
			require.NoError(t, err)
			assert.False(t, r.Good)
			assert.Equal(t, []string{"needed: " + tc.want}, missing(r))
			assert.Empty(t, b.record.All("Observation"))
		})
	}
}

// A patient with another birth date is not the one meant: the daemon's own code
// stops in front of it, and what was tried before is cleared.
func TestAnotherBirthDate(t *testing.T) {
	b := newBench(t, standin.Switches{}, nil)
	s := b.settings()
	s.Patient.BirthDate = "1900-01-02"
	r, err := Run(t.Context(), s)
	require.NoError(t, err)
	assert.False(t, r.Good)
	assert.Contains(t, strings.Join(missing(r), "\n"), "belongs to somebody with another birth date or family name")
	b.cleared(t, r)
}

func TestAway(t *testing.T) {
	b := newBench(t, standin.Switches{}, nil)
	b.record.Outage(&standin.Fault{Kind: standin.Status, Status: 503})
	r := b.run(t)
	assert.Equal(t, []string{"needed: The CapabilityStatement was not given: status 503 (transient)."}, missing(r))
}

// Ended early, at whatever step, a probe leaves nothing that stands.
func TestInterrupted(t *testing.T) {
	for _, step := range []string{"trying updates onto a version", "filing a result as the daemon does", "correcting it", "withdrawing it"} {
		t.Run(step, func(t *testing.T) {
			b := newBench(t, standin.Switches{}, nil)
			s := b.settings()
			ctx, cancel := context.WithCancel(t.Context())
			s.Progress = func(doing string) {
				if doing == step {
					cancel()
				}
			}
			r, err := Run(ctx, s)
			require.NoError(t, err)
			assert.False(t, r.Good)
			assert.Contains(t, strings.Join(missing(r), "\n"), "ended before it was through")
			b.cleared(t, r)
		})
	}
}

// Where clearing fails the report says so, and names what stands.
func TestNotCleared(t *testing.T) {
	b := newBench(t, standin.Switches{}, nil)
	s := b.settings()
	s.Progress = func(doing string) {
		if strings.HasPrefix(doing, "withdrawing") {
			b.record.Plan(func(_ int64, req *http.Request) standin.Fault {
				if standin.IsWrite(req) && !strings.HasSuffix(req.URL.Path, "_search") {
					return standin.Fault{Kind: standin.Status, Status: 422}
				}
				return standin.Fault{}
			})
		}
	}
	r, err := Run(t.Context(), s)
	require.NoError(t, err)
	assert.False(t, r.Good)
	assert.Contains(t, strings.Join(missing(r), "\n"), "could not be marked as entered in error")
	standing := 0
	for _, m := range r.Remains {
		if m.Status != "entered-in-error" {
			standing++
		}
	}
	assert.Positive(t, standing)
}

// Probes of one patient, one after another, meet nothing of each other.
func TestTwice(t *testing.T) {
	b := newBench(t, standin.Switches{}, nil)
	first, second := b.run(t), b.run(t)
	assert.True(t, first.Good)
	assert.True(t, second.Good, second.Text())
	assert.NotEqual(t, first.Run, second.Run)
	for _, typ := range []string{"Device", "Organization", "Substance"} {
		assert.Len(t, b.record.All(typ), 1, "one for all probes")
	}
	b.cleared(t, second)
}

// The document ends with as many lines as the manual says, and its digest is
// over all lines above them.
func TestDocument(t *testing.T) {
	r := newBench(t, standin.Switches{}, nil).run(t)
	lines := strings.SplitAfter(string(r.Document()), "\n")
	lines = lines[:len(lines)-1] // after the last line end
	above := strings.Join(lines[:len(lines)-17], "")
	assert.Equal(t, r.SHA256, digest([]byte(above)))
	assert.Equal(t, r.SHA256+"\n", lines[len(lines)-16])
	for _, canary := range []string{nobody.ID, nobody.Family, nobody.BirthDate, "p-test"} {
		assert.NotContains(t, string(r.Document()), canary)
	}
	whole, err := json.Marshal(r)
	require.NoError(t, err)
	assert.NotContains(t, string(whole), nobody.ID)
}

func TestMasked(t *testing.T) {
	for _, tc := range []struct{ id, want string }{
		{"9990017", "MILLRACE ***17"}, {"12345", "MILLRACE ***45"}, {"1234", "MILLRACE ***"}, {"7", "MILLRACE ***"},
	} {
		assert.Equal(t, tc.want, masked(poct.Patient{Authority: "MILLRACE", ID: tc.id}))
	}
}

// A delivery that is not answered in time is given up, and the report says that
// it may still arrive.
func TestNoAnswerInTime(t *testing.T) {
	b := newBench(t, standin.Switches{}, nil)
	s := b.settings()
	s.Patience = 300 * time.Millisecond
	s.Progress = func(doing string) {
		if strings.HasPrefix(doing, "filing") {
			b.record.Plan(func(_ int64, req *http.Request) standin.Fault {
				if req.URL.Path == "/" || req.Method == http.MethodPut {
					return standin.Fault{Kind: standin.Status, Status: 502, Apply: false}
				}
				return standin.Fault{}
			})
		}
		if strings.HasPrefix(doing, "marking") {
			b.record.Plan(nil)
		}
	}
	r, err := Run(t.Context(), s)
	require.NoError(t, err)
	assert.False(t, r.Good)
	assert.Contains(t, strings.Join(missing(r), "\n"), "The result was not filed. Not taken while the probe waited")
	b.cleared(t, r)
}
