package pipeline_test

import (
	"context"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"github.com/rs/zerolog"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidegate/pipeline"
	"tidegate/poct"
	"tidegate/registry"
	"tidegate/standin"
	"tidegate/validate"
	"tidegate/wire/fhir"
)

const mrn = "https://millrace.example/mrn"

// chart is the stand-in's record with encounters and orders beside it, which it
// does not keep itself.
type chart struct {
	*standin.Record
	beside map[string]string // path -> searchset
}

func (c *chart) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	if body := c.beside[strings.TrimPrefix(r.URL.Path, "/")]; body != "" {
		w.Header().Set("Content-Type", fhir.MediaType)
		_, _ = w.Write([]byte(`{"resourceType":"Bundle","type":"searchset","entry":[{"resource":` + body + `}]}`))
		return
	}
	c.Record.ServeHTTP(w, r)
}

// newCharted is a ward whose patients the record system knows.
func newCharted(t *testing.T, checks validate.Config, patients ...standin.Patient) (*ward, *chart) {
	w := newHouse(t, checks)
	c := &chart{Record: standin.NewRecord(standin.Options{Patients: patients}), beside: map[string]string{}}
	server := httptest.NewServer(c)
	t.Cleanup(server.Close)
	client, err := fhir.New(server.URL, fhir.Options{})
	require.NoError(t, err)
	d, err := registry.NewDirectory(registry.DirectorySettings{
		Client: client, Systems: map[string]string{"MILLRACE": mrn}, Age: 15 * time.Minute, Orders: true, Now: func() time.Time { return w.now },
	})
	require.NoError(t, err)
	look := registry.Look{Record: "record"}
	look.Orders.Window = 24 * time.Hour
	w.judge.Facts = func(book poct.Book, r poct.Reading, received, now time.Time) (poct.Facts, error) {
		return look.Facts(d.Over(book), r, received, now)
	}
	w.ask = d.Fetch
	w.work, err = pipeline.NewWorker(pipeline.Settings{Store: w.store, Judge: w.judge, Ask: d.Fetch, Log: zerolog.Nop()})
	require.NoError(t, err)
	return w, c
}

func TestPatientsOfTheRecordSystem(t *testing.T) {
	patients := []standin.Patient{
		{ID: "p1", System: mrn, Value: "7001", Family: "Quarry", Given: "Ines", BirthDate: "1961-12-31"},
		{ID: "p2", System: mrn, Value: "7002", Family: "Quarry", ReplacedBy: "p1"},
		{ID: "p3", System: mrn, Value: "7003", Family: "Reed", Inactive: true},
		{ID: "p4", System: mrn, Value: "7004", Family: "Loop", ReplacedBy: "p5"},
		{ID: "p5", System: mrn, Value: "7005", Family: "Loop", ReplacedBy: "p4"},
		{ID: "p6", System: mrn, Value: "7006", Family: "Twin"},
		{ID: "p7", System: mrn, Value: "7006", Family: "Twin"},
		{ID: "p8", System: "https://other.example/id", Value: "7008", Family: "Elsewhere"},
	}
	for _, tt := range []struct{ name, patient, held, filed string }{
		{"one match", "7001", "", "7001"},
		{"none", "7999", "patient-unknown", ""},
		{"several", "7006", "patient-ambiguous", ""},
		{"merged", "7002", "", "7001"},
		{"merged in a circle", "7004", "patient-ambiguous", ""},
		{"no longer active", "7003", "patient-unknown", ""},
		{"under another system", "7008", "patient-unknown", ""},
		{"in our own table alone", "4711", "patient-unknown", ""},
	} {
		t.Run(tt.name, func(t *testing.T) {
			w, _ := newCharted(t, nil, patients...)
			id := w.take(w.testOf(tt.patient, "09:00"))
			assert.Equal(t, tt.held, w.held(id))
			assert.Equal(t, tt.filed, w.trace(id).Versions[0].Result.Patient.ID)
		})
	}
}

func TestEncountersAndOrdersOfTheRecordSystem(t *testing.T) {
	w, c := newCharted(t, validate.Config{"order-missing": map[string]any{"choice": "hold"}},
		standin.Patient{ID: "p1", System: mrn, Value: "7001", Family: "Quarry"}, standin.Patient{ID: "p2", System: mrn, Value: "7002", Family: "Quarry", ReplacedBy: "p1"})
	c.beside["Encounter"] = `{"resourceType":"Encounter","id":"e9","status":"in-progress","period":{"start":"2026-03-05T08:30:00Z"}}`
	c.beside["ServiceRequest"] = `{"resourceType":"ServiceRequest","id":"s4","status":"active","intent":"order","authoredOn":"2026-03-05T08:31:00Z",
		"identifier":[{"value":"A-1"},{"value":"P-77","type":{"coding":[{"system":"http://terminology.hl7.org/CodeSystem/v2-0203","code":"PLAC"}]}}],
		"code":{"coding":[{"system":"https://millrace.example/tests","code":"INRPOC"},{"system":"http://loinc.org","code":"46418-0"}]}}`
	for _, patient := range []string{"7001", "7002"} {
		r := w.trace(w.take(w.testOf(patient, "09:00"))).Versions[0].Result
		assert.Equal(t, "Encounter/e9", r.Encounter, patient)
		assert.Equal(t, []string{"ServiceRequest/s4", "P-77"}, []string{r.Ordered.Request, r.Ordered.Placer}, patient)
	}
}

// An outage is a problem and no pass: the arrival waits, is held once that took
// too long, and is released once the record system answers.
func TestOutageOfTheRecordSystemIsNoAnswer(t *testing.T) {
	w, c := newCharted(t, nil, standin.Patient{ID: "p1", System: mrn, Value: "7001", Family: "Quarry"})
	c.Outage(&standin.Fault{Kind: standin.Status, Status: 503})
	send := func(r reading, clock string) string {
		w.now = w.today(clock)
		return w.send(r)
	}
	short, long := send(w.testOf("7001", "09:00"), "09:00"), ""
	w.step()
	assert.Equal(t, "received waiting-for-look-up", w.kinds(short))

	w.now = w.now.Add(20 * time.Second)
	c.Outage(nil)
	w.step()
	assert.Equal(t, "received waiting-for-look-up read released", w.kinds(short))

	// The answer counts for 15 minutes, and not longer.
	before := c.Requests()
	send(w.testOf("7001", "09:05"), "09:05")
	w.step()
	assert.Equal(t, before, c.Requests())
	c.Outage(&standin.Fault{Kind: standin.Status, Status: 503})
	long = send(w.testOf("7001", "09:20"), "09:20")
	w.step()
	assert.Equal(t, "received waiting-for-look-up", w.kinds(long))
	w.now = w.now.Add(16 * time.Minute)
	w.step()
	id := w.resultOf(long)
	assert.Equal(t, "look-up-failed", w.held(id))

	h := w.openHold(id)
	again := poct.Settlement{Act: poct.ActRetry, Version: h.Version, Reason: "The record system is back."}
	_, err := w.desk.Settle(ctx, people["k.osei"], h.ID, again)
	require.Error(t, err, "still no answer")
	c.Outage(nil)
	w.now = w.now.Add(time.Minute)
	w.ask(context.Background(), []poct.PatientRef{{Authority: "MILLRACE", ID: "7001"}})
	_, err = w.desk.Settle(ctx, people["k.osei"], h.ID, again)
	require.NoError(t, err)
	assert.Equal(t, poct.Delivering, w.state(id))
	w.verifies()
}
