package storetest

import (
	"bytes"
	"crypto/rand"
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidegate/ledger"
	"tidegate/poct"
	"tidegate/store"
)

func testFind(t *testing.T, open Open) {
	w := NewWorld(t, open)
	waiting := ""
	arrival := w.Send("first")
	id := w.Judge(Released("Q:1", "7", "2.5"))[0].Outcomes[0].Result.ID
	w.Answered(w.Sent(w.One()), map[string]string{"observation/inr": "Observation/12", "report": "DiagnosticReport/9"})
	w.Clock.Move(time.Second)
	held := w.Take(Held("Q:1", "8", "2.9"))[0]
	hold := w.Open(held)
	waiting = w.Send("not yet read")
	w.ok2(w.Upsert(w.Ctx, "r.ito", poct.RegistryRows{Patients: []poct.Patient{{Authority: "MILLRACE", ID: "40721", BirthDate: "1951-04-02"}}}))
	for _, c := range []struct {
		name  string
		query store.Query
		want  []string
	}{
		{"result", store.Query{Text: id}, []string{id}},
		{"result, spaces around", store.Query{Text: " " + id + " "}, []string{id}},
		{"arrival", store.Query{Text: arrival}, []string{id}},
		{"arrival not yet read", store.Query{Text: waiting}, []string{waiting}},
		{"hold", store.Query{Text: hold.ID}, []string{held}},
		{"control id", store.Query{Text: "MSG-first"}, []string{id}},
		{"meter and sequence", store.Query{Text: "Q:1:7"}, []string{id}},
		{"meter", store.Query{Text: "Q:1"}, []string{held, id}},
		{"record id", store.Query{Text: "Observation/12"}, []string{id}},
		{"another record id", store.Query{Text: "DiagnosticReport/9"}, []string{id}},
		{"record id without its type", store.Query{Text: "12"}, []string{id}},
		{"identifier in the record", store.Query{Text: "urn:uuid:9"}, []string{id}},
		{"address in the record", store.Query{Text: "https://record.example/fhir/Observation/12"}, []string{id}},
		{"address of a version", store.Query{Text: "https://record.example/fhir/DiagnosticReport/9/_history/2"}, []string{id}},
		{"a record's other id", store.Query{Text: "13"}, nil},
		{"patient", store.Query{Patient: "40721"}, []string{held, id}},
		{"patient under an authority", store.Query{Patient: "40721", Authority: "MILLRACE"}, []string{held, id}},
		{"patient under another authority", store.Query{Patient: "40721", Authority: "ELSEWHERE"}, nil},
		{"patient with birth date", store.Query{Patient: "40721", BirthDate: "1951-04-02"}, []string{held, id}},
		{"patient with another birth date", store.Query{Patient: "40721", BirthDate: "1951-04-03"}, nil},
		{"limit", store.Query{Patient: "40721", Limit: 1}, []string{held}},
		{"part of an id", store.Query{Text: id[:20]}, nil},
		{"a patient's number is no text", store.Query{Text: "40721"}, nil},
		{"nothing", store.Query{}, nil},
	} {
		got, err := w.Find(w.Ctx, c.query)
		require.NoError(t, err, c.name)
		assert.Equal(t, c.want, got, c.name)
	}
	tr, err := w.Trace(w.Ctx, waiting)
	require.NoError(t, err)
	assert.Equal(t, poct.Waiting, tr.State)
	assert.Equal(t, waiting, tr.ID)
	require.Len(t, tr.Events, 1)
	_, err = w.Trace(w.Ctx, "nothing")
	assert.ErrorIs(t, err, poct.ErrNotFound)

	require.NoError(t, w.Look(w.Ctx, "r.ito", []string{id, waiting, hold.ID}, []string{"patient"}))
	assert.ErrorIs(t, w.Look(w.Ctx, "r.ito", []string{"nothing"}, nil), poct.ErrNotFound)
	assert.Equal(t, "received read released sending delivered looked", w.Kinds(id))
	assert.Equal(t, "received looked", w.Kinds(waiting))
	assert.Equal(t, "received read held looked", w.Kinds(held))
	tr, err = w.Trace(w.Ctx, id)
	require.NoError(t, err)
	last := tr.Events[len(tr.Events)-1]
	assert.Equal(t, "r.ito", last.Actor)
	assert.Equal(t, []string{"patient"}, ledger.ReadPayload(last).Fields)
	assert.Equal(t, "Q:1|7|"+Begin.Add(-10*time.Minute).Format("20060102150405"), tr.Key)
	assert.Equal(t, []byte(fmt.Sprintf("create of %s v1 filing 0", id)), tr.Versions[0].Sent[0].Body)
	w.Verifies()
}

func (w *World) ok2(_, _ int, err error) {
	w.Helper()
	w.ok(err)
}

func testBook(t *testing.T, open Open) {
	w := NewWorld(t, open)
	at := func(minutes int) time.Time { return Begin.Add(time.Duration(minutes) * time.Minute) }
	for i := range 4 {
		w.Take(Control("Q1", fmt.Sprint("c", i), at(i*10)))
	}
	w.Take(Control("Q2", "c9", at(10)))
	failed := Control("Q1", "c5", at(15))
	failed.QCPassed = false
	w.Take(failed)
	controls, err := w.Book().Controls("Q1", at(10), at(20))
	require.NoError(t, err)
	assert.Equal(t, []string{"c1 true", "c5 false", "c2 true"}, pasts(controls))

	a, b := Released("Q1", "1", "2.5"), Released("Q2", "2", "2.7")
	b.Result.Reading.TestedAt.At = Begin
	w.Take(a)
	w.Take(b)
	h := Held("Q1", "3", "2.9")
	held := w.Take(h)[0]
	other := Released("Q3", "1", "2.0")
	other.Result.Patient.ID = "99999"
	w.Take(other)
	results, err := w.Book().PatientResults(poct.PatientRef{Authority: "MILLRACE", ID: "40721"}, at(-60), time.Time{}, 0)
	require.NoError(t, err)
	assert.Equal(t, []string{"2 false", "1 false"}, pasts(results), "newest first; held ones are none yet")
	results, err = w.Book().PatientResults(poct.PatientRef{ID: "40721"}, at(-60), at(-5), 0)
	require.NoError(t, err)
	assert.Equal(t, []string{"1 false"}, pasts(results))

	newest, err := w.Book().MeterResults("Q1", 2)
	require.NoError(t, err)
	assert.Equal(t, []string{"3 false", "1 false"}, pasts(newest))
	assert.Equal(t, held, newest[0].Result)
	assert.Equal(t, poct.Held, newest[0].State)
	assert.Equal(t, poct.Content(h.Result.Reading), newest[0].Digest)

	past, ok, err := w.Book().ByKey(a.Result.Key)
	require.NoError(t, err)
	require.True(t, ok)
	assert.Equal(t, a.Result.Reading.TestedAt.At, past.Tested)
	assert.Equal(t, "2.5", past.Reading.Measurements[0].RawValue)
	for _, key := range []string{"", "none"} {
		_, ok, err = w.Book().ByKey(key)
		require.NoError(t, err)
		assert.False(t, ok)
	}
}

func pasts(list []poct.Past) (out []string) {
	for _, p := range list {
		out = append(out, fmt.Sprint(p.Reading.Sequence, " ", p.QCPassed))
	}
	return out
}

func testRegistry(t *testing.T, open Open) {
	w := NewWorld(t, open)
	rows := poct.RegistryRows{
		Sites:     []poct.Site{{ID: "saltmarsh", Name: "Saltmarsh Clinic", TimeZone: "Europe/London", QCInterval: 24 * time.Hour}},
		Meters:    []poct.Meter{{Serial: "Q1", Model: "Quill 3", Site: "saltmarsh", State: "in-use"}},
		Operators: []poct.Operator{{ID: "118", Name: "R. Ito", Sites: []string{"*"}, CertifiedUntil: "2027-01-31"}},
		StripLots: []poct.StripLot{{Lot: "7K40231", Model: "Quill 3", Expires: "2026-11-30", ISI: poct.MustNumber("1.01")}, {Lot: "6A1", Model: "Quill 3"}},
		ControlLots: []poct.ControlLot{{Lot: "C1", Level: "2", Low: poct.MustNumber("2.1"), High: poct.MustNumber("3.1")},
			{Lot: "C1", Level: "1", StripLot: "7K40231"}, {Lot: "C10", Level: "1"}},
		Patients: []poct.Patient{{Authority: "MILLRACE", ID: "40721", Family: "Example", BirthDate: "1951-04-02"},
			{Authority: "HARBOUR", ID: "40721", Family: "Other"}, {Authority: "MILLRACE", ID: "407210", Family: "Longer"}},
		Visits: []poct.Visit{{ID: "V1", Authority: "MILLRACE", Patient: "40721", Site: "saltmarsh", Start: Begin}},
	}
	added, changed, err := w.Upsert(w.Ctx, "r.ito", rows)
	require.NoError(t, err)
	assert.Equal(t, []int{12, 0}, []int{added, changed})
	added, changed, err = w.Upsert(w.Ctx, "r.ito", rows)
	require.NoError(t, err)
	assert.Equal(t, []int{0, 0}, []int{added, changed})
	rows.Meters[0].State = "withdrawn"
	rows.Patients = append(rows.Patients, poct.Patient{Authority: "MILLRACE", ID: "1"})
	added, changed, err = w.Upsert(w.Ctx, "k.osei", rows)
	require.NoError(t, err)
	assert.Equal(t, []int{1, 1}, []int{added, changed})

	b := w.Book()
	site, ok, err := b.Site("saltmarsh")
	require.NoError(t, err)
	assert.True(t, ok)
	assert.Equal(t, rows.Sites[0], site)
	meter, ok, _ := b.Meter("Q1")
	assert.True(t, ok)
	assert.Equal(t, "withdrawn", meter.State)
	operator, ok, _ := b.Operator("118")
	assert.True(t, ok)
	assert.Equal(t, rows.Operators[0], operator)
	lot, ok, _ := b.StripLot("7K40231")
	assert.True(t, ok)
	assert.Equal(t, rows.StripLots[0], lot)
	_, ok, _ = b.StripLot("7K4O231")
	assert.False(t, ok)
	lots, _ := b.StripLotNumbers()
	assert.Equal(t, []string{"6A1", "7K40231"}, lots)
	controls, _ := b.ControlLots("C1")
	assert.ElementsMatch(t, rows.ControlLots[:2], controls)
	patients, err := b.Patients("MILLRACE", "40721")
	require.NoError(t, err)
	assert.Equal(t, rows.Patients[:1], patients)
	patients, _ = b.Patients("", "40721")
	assert.ElementsMatch(t, rows.Patients[:2], patients)
	patients, _ = b.Patients("", "4072")
	assert.Empty(t, patients)
	visits, err := b.Visits("MILLRACE", "40721")
	require.NoError(t, err)
	assert.Equal(t, rows.Visits, visits)

	var all []poct.Patient
	for after, pages := "", 1; ; pages++ {
		page, next, err := w.Registry(w.Ctx, poct.Patients, after, 3)
		require.NoError(t, err)
		all = append(all, page.Patients...)
		if next == "" {
			assert.Equal(t, 2, pages)
			break
		}
		after = next
	}
	assert.ElementsMatch(t, rows.Patients, all)

	events, err := w.Events(w.Ctx, 0, 10)
	require.NoError(t, err)
	require.Len(t, events, 2, "rows that did not change are no event")
	assert.Equal(t, "k.osei", events[1].Actor)
	assert.Equal(t, []string{"meters", "patients"}, ledger.ReadPayload(events[1]).Fields)
	w.Verifies()
}

func testLedger(t *testing.T, open Open) {
	private, public, err := ledger.NewKey("millrace.example/1", rand.Reader)
	require.NoError(t, err)
	key, err := ledger.ParseKey(private)
	require.NoError(t, err)

	t.Run("empty", func(t *testing.T) {
		w := NewWorld(t, open)
		note, err := w.Seal(w.Ctx, key)
		require.NoError(t, err)
		assert.Nil(t, note)
		_, err = w.Checkpoint(w.Ctx)
		assert.ErrorIs(t, err, poct.ErrNotFound)
		_, err = w.Event(w.Ctx, 0)
		assert.ErrorIs(t, err, poct.ErrNotFound)
		w.Verifies()
	})
	t.Run("proofs under growing heads", func(t *testing.T) {
		w := NewWorld(t, open)
		for i := range 70 { // beyond one tile of 256
			w.Take(Released("Q1", fmt.Sprint(i), "2.5"))
			w.Drain()
			if i%20 == 0 {
				_, err := w.Seal(w.Ctx, key)
				require.NoError(t, err)
			}
		}
		_, err := w.Proof(w.Ctx, 349)
		assert.ErrorIs(t, err, store.ErrUnsigned)
		note, err := w.Seal(w.Ctx, key)
		require.NoError(t, err)
		again, err := w.Seal(w.Ctx, key)
		require.NoError(t, err)
		assert.Equal(t, note, again, "a head is signed once")
		newest, err := w.Checkpoint(w.Ctx)
		require.NoError(t, err)
		assert.Equal(t, note, newest)
		for index := range int64(350) {
			p, err := w.Proof(w.Ctx, index)
			require.NoError(t, err)
			require.NoError(t, ledger.CheckInclusion(p.Head, index, ledger.LeafHash(p.Event), p.Path))
		}
		v, err := w.Verify(w.Ctx, public, nil)
		require.NoError(t, err)
		assert.True(t, v.Verified, "%v", v.Faults)
		assert.True(t, v.Trusted)
		assert.EqualValues(t, 350, v.Events)
	})
	t.Run("events as written", func(t *testing.T) {
		w := NewWorld(t, open)
		require.NoError(t, w.Record(w.Ctx, poct.EventStarted, poct.System, "0.1"))
		id := w.Take(Released("Q1", "1", "2.5"))[0]
		events, err := w.Events(w.Ctx, 0, 100)
		require.NoError(t, err)
		for i, e := range events {
			assert.EqualValues(t, i, e.Index)
			assert.True(t, len(e.Payload) == 0 && len(e.Salt) == 0 || len(e.Salt) == ledger.SaltSize)
			one, err := w.Event(w.Ctx, e.Index)
			require.NoError(t, err)
			assert.Equal(t, e, one)
		}
		tail, err := w.Events(w.Ctx, 2, 1)
		require.NoError(t, err)
		assert.Equal(t, events[2:3], tail)
		assert.Equal(t, id, events[3].Result)
	})
	t.Run("pack", func(t *testing.T) {
		w := NewWorld(t, open)
		other := w.Take(Released("Q2", "1", "3.5"))[0]
		_, err := w.Seal(w.Ctx, key)
		require.NoError(t, err)
		id := w.Take(Released("Q1", "1", "2.5"))[0]
		w.Drain()
		_, err = w.Seal(w.Ctx, key)
		require.NoError(t, err)
		p, err := w.Pack(w.Ctx, id, other, id)
		require.NoError(t, err)
		assert.Len(t, p.Items, 10)
		assert.Len(t, p.Anchors, 1)
		var zip bytes.Buffer
		require.NoError(t, ledger.WritePack(&zip, p, key))
		v := ledger.VerifyPack(bytes.NewReader(zip.Bytes()), int64(zip.Len()), public)
		assert.True(t, v.Verified, "%v", v.Faults)
		assert.EqualValues(t, 10, v.Events)
	})
}
