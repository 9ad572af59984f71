package web_test

import (
	"context"
	"crypto/sha256"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"net/http/httptest"
	"net/url"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidegate/poct"
	"tidegate/registry"
	"tidegate/review"
	"tidegate/store"
	"tidegate/testkit/clinic"
	"tidegate/validate"
	"tidegate/web"
)

// reader shows the real store to the pages, as the daemon does.
type reader struct{ *store.Store }

func (r reader) Holds(ctx context.Context, f web.HoldFilter) ([]poct.HoldRecord, error) {
	limit := f.Limit
	if limit == 0 {
		limit = -1
	}
	return r.Store.Holds(ctx, store.HoldFilter{Open: !f.Settled, Settled: f.Settled, Result: f.Result, After: f.After, Limit: limit})
}

func (r reader) Find(ctx context.Context, q web.Query) ([]string, error) {
	return r.Store.Find(ctx, store.Query{Text: q.Text, Patient: q.Patient, BirthDate: q.BirthDate})
}

func (r reader) Meters(ctx context.Context) ([]poct.Meter, error) {
	rows, _, err := r.Store.Registry(ctx, poct.Meters, "", 1000)
	return rows.Meters, err
}

// rules judges a reading with the real checks.
type rules struct{ *validate.Rules }

func (r rules) judge(book poct.Book, reading poct.Reading, a poct.Arrival, now time.Time) (poct.Outcome, error) {
	f, err := registry.Facts(book, reading, a.Received, now)
	if err != nil {
		return poct.Outcome{}, err
	}
	res := poct.Result{Key: reading.Key(), Reading: reading}
	if f.Site != nil {
		res.Site, res.SiteName = f.Site.ID, f.Site.Name
	}
	if f.Patient != nil {
		res.Patient = *f.Patient
	}
	found := r.Check(res, f, nil)
	o := poct.Outcome{Result: res, Verdict: found.Verdict, Rule: found.Rule, Problems: found.Problems, Checks: found.Answers, Cause: found.Cause, Critical: found.Critical, QCPassed: found.QCPassed}
	if f.Owner != nil {
		o.Owner = f.Owner.Result
	}
	for _, p := range o.Problems {
		if p.Code == "conflicting-resend" {
			o.Result.Key, o.Owner = "", "" // the key stays with its owner
		}
	}
	if o.Verdict == poct.Release {
		o.Outlets, o.Action = []string{"record"}, poct.Create
	}
	return o, nil
}

func (r rules) Again(book poct.Book, h poct.HoldRecord, a poct.Arrival, st poct.Settlement) (poct.Decision, error) {
	reading, err := validate.CorrectReading(h.Reading, st.Changes)
	if err != nil {
		return poct.Decision{}, err
	}
	o, err := r.judge(book, reading, a, st.At)
	o.Owner = h.Result
	return poct.Decision{Arrival: a.ID, Outcomes: []poct.Outcome{o}}, err
}

func openReal(t testing.TB, people []web.Person) (*store.Store, web.Settings, *review.Desk, rules) {
	t.Helper()
	now := func() time.Time { return time.Date(2026, 11, 25, 10, 0, 0, 0, time.UTC) }
	s, err := store.Open(t.TempDir(), store.Options{Now: now})
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, s.Close()) })
	_, _, err = s.Upsert(t.Context(), "k.osei", poct.RegistryRows{
		Sites:     []poct.Site{{ID: "millrace", Name: "Millrace Surgery", TimeZone: "Europe/London", QCInterval: 8 * time.Hour}},
		Meters:    []poct.Meter{{Serial: "M-2041", Model: "Quill 3", Site: "millrace", State: "in-use"}},
		Operators: []poct.Operator{{ID: "118", Name: "L. Farrow", Sites: []string{"*"}, CertifiedUntil: "2027-03-03"}},
		StripLots: []poct.StripLot{{Lot: "7K40231", Model: "Quill 3", Expires: "2027-06-30", ISI: poct.MustNumber("1.00"), MNPT: poct.MustNumber("12.0")}},
		Patients:  patients(),
	})
	require.NoError(t, err)
	compiled, faults := validate.Compile(validate.Config{})
	require.Empty(t, faults)
	j := rules{compiled}
	d, err := review.New(review.Settings{Store: s, Judge: j, May: validate.May, Correct: validate.CorrectReading, Now: now})
	require.NoError(t, err)
	co, err := review.NewCoordinator(reader{s}, compiled, now)
	require.NoError(t, err)
	set := web.Settings{Reader: reader{s}, Desk: d, Coordinator: co, People: people, Now: now, Facts: registry.Facts, Group: "Millrace district",
		Readiness: func(_ context.Context, serial string) (poct.Readiness, error) {
			facts, lot, err := registry.ReadyFacts(s.Book(), serial, now())
			return compiled.Ready(facts, lot, 12*time.Hour), err
		}}
	for _, c := range validate.Checks() {
		set.Checks = append(set.Checks, web.CheckInfo{Number: c.Number, Code: c.Code, Title: c.Title, Asks: c.Asks, Acts: c.Acts, Desk: c.Desk})
	}
	return s, set, d, j
}

// patients are a thousand people named by their number, and one by name.
func patients() []poct.Patient {
	out := []poct.Patient{{Authority: "MILLRACE", ID: "T-100482", Family: "Sample", Given: "Iris", BirthDate: "1948-03-14", Sex: "F"}}
	for i := range 1000 {
		out = append(out, poct.Patient{Authority: "MILLRACE", ID: fmt.Sprintf("T-2%05d", i), Family: "Sample", Given: fmt.Sprint("Number ", i), BirthDate: "1948-03-14", Sex: "F"})
	}
	return out
}

// who runs test i: the first is Iris, a crowd takes turns.
func who(i int) string {
	if i < 2 {
		return "T-100482"
	}
	return fmt.Sprintf("T-2%05d", i%1000)
}

// arrive stores and judges n tests with a strip lot each.
func arrive(t testing.TB, s *store.Store, j rules, n int, lot func(int) string) {
	t.Helper()
	readings := map[string]poct.Reading{}
	for i := range n {
		at := time.Date(2026, 11, 25, 8, 0, 0, 0, time.UTC).Add(time.Duration(i) * time.Second / 4)
		raw := fmt.Appendf(nil, "MSH|^~\\&|M-2041|MILLRACE|||%s\rPID|1||%s||SAMPLE^IRIS||19480314|F\rOBX|3|ST|STRIPLOT||%s||%d\r", at.Format("20060102150405"), who(i), lot(i), i)
		got, err := s.Accept(t.Context(), poct.Arrival{Inlet: "millrace", Source: "millrace", Digest: sha256.Sum256(raw), Received: at.Add(20 * time.Second), Peer: "192.0.2.41:4011", Format: "hl7v2", Raw: raw})
		require.NoError(t, err)
		from := strings.Index(string(raw), lot(i)+"||")
		readings[got.Arrival] = poct.Reading{Arrival: got.Arrival, Profile: "quill-hl7", Model: "Quill 3", Kind: poct.KindPatient, Status: poct.StatusFinal, Meter: "M-2041", Sequence: fmt.Sprint(1000 + i),
			TestedAt: poct.Stamp{Raw: at.Format("20060102150405"), At: at, Precision: "second"}, Operator: "118", Patient: poct.PatientRef{Authority: "MILLRACE", ID: who(i)}, BirthDate: "1948-03-14", StripLot: lot(i), Specimen: "capillary", Processing: "P",
			Measurements: []poct.Measurement{{Analyte: "inr", Value: poct.MustNumber("2.6"), RawValue: "2.6", Unit: "{INR}", RawUnit: "{INR}", Code: "46418-0", LOINC: "46418-0"}},
			Where:        map[string]poct.Span{poct.FieldStripLot: {From: from, To: from + len(lot(i))}}, NotSent: []string{"pt"}}
	}
	decideAll(t, s, func(b poct.Book, a poct.Arrival) (poct.Outcome, error) {
		return j.judge(b, readings[a.ID], a, a.Received)
	})
}

// decideAll decides every arrival that waits.
func decideAll(t testing.TB, s *store.Store, of func(poct.Book, poct.Arrival) (poct.Outcome, error)) {
	t.Helper()
	for {
		claims, err := s.ClaimArrivals(t.Context(), "test", 512, time.Minute)
		require.NoError(t, err)
		if len(claims) == 0 {
			return
		}
		_, errs, err := s.Decide(t.Context(), claims, func(b poct.Book, a poct.Arrival) (poct.Decision, error) {
			o, err := of(b, a)
			return poct.Decision{Arrival: a.ID, Outcomes: []poct.Outcome{o}}, err
		})
		require.NoError(t, err)
		require.NoError(t, errors.Join(errs...))
	}
}

// TestPagesOverTheRealStore takes a held result through the pages: seen,
// corrected, held again for what was hidden behind the lot, discarded, traced.
func TestPagesOverTheRealStore(t *testing.T) {
	s, set, _, j := openReal(t, clinic.People())
	arrive(t, s, j, 2, func(int) string { return "7K4O231" })
	h := &house{Clinic: clinic.Empty(), t: t, log: &lines{}}
	w, err := web.New(set)
	require.NoError(t, err)
	h.web, h.srv = w, httptest.NewServer(w.Handler())
	t.Cleanup(h.srv.Close)
	v := h.signIn("coordinator")

	list := v.get("/holds")
	assert.Equal(t, "2 wait here, for 1 cause.", list.heading())
	assert.Contains(t, list.body, "I.S. 1948")
	hold := regexp.MustCompile(`/holds/[0-9a-z-]{20,}`).FindString(list.body)
	require.NotEmpty(t, hold, list.body)
	page := v.get(hold)
	assert.Regexp(t, `^INR 2.6 is held: .*7K4O231`, page.heading())
	assert.Contains(t, page.body, "<mark>O</mark>", "the one byte that differs from the nearest lot")

	settle := v.post(hold+"/settle", url.Values{"act": {"correct"}, "version": {"1"}, "change-strip_lot": {"7K40231"}, "reason": {"Vial read aloud on the phone"}})
	require.Equal(t, http.StatusSeeOther, settle.StatusCode, settle.body)
	said := v.get(settle.Header.Get("Location")).body
	assert.Contains(t, said, "is still held: ", "no control ran on this meter: the lot was not all")
	result := regexp.MustCompile(`/results/[0-9a-z-]{20,}`).FindString(said)
	require.NotEmpty(t, result)

	trace := v.get(result)
	assert.Equal(t, http.StatusOK, trace.StatusCode)
	for _, want := range []string{"Strip lot corrected by k.osei", "“Vial read aloud on the phone”", "<s>7K4O231</s>", "<ins>7K40231</ins>", "Opened by k.osei", "Settle it"} {
		assert.Contains(t, trace.body, want)
	}
	late := v.post(hold+"/settle", url.Values{"act": {"discard"}, "version": {"1"}, "reason": {"I had typed all of this"}})
	assert.Equal(t, http.StatusConflict, late.StatusCode)

	again := regexp.MustCompile(`/holds/[0-9a-z-]{20,}`).FindString(trace.body)
	gone := v.post(again+"/settle", url.Values{"act": {"discard"}, "version": {version(t, v.get(again))}, "reason": {"Sample was clotted, says the nurse"}})
	require.Equal(t, http.StatusSeeOther, gone.StatusCode, gone.body)
	assert.Equal(t, "Discarded by a person; it stays readable here. Two versions were held, none was lost.", v.get(result).heading())
	account := h.api("coordinator", "GET", "/api/v1/account", "").body
	assert.Contains(t, account, `"discarded":1`)
	assert.Contains(t, account, `"held":1`)
	assert.Contains(t, v.get("/").body, "It adds up: nothing is lost.")
	for _, who := range []string{`{"patient":"T-100482","birth_date":"1948-03-14"}`, `{"patient":"T-100482"}`} {
		assert.Contains(t, h.api("auditor", "POST", "/api/v1/find", who).body, strings.TrimPrefix(result, "/results/"), who)
	}
}

// TestQualityOverTheRealStore: a control fails after two patients were
// measured; the meter is locked, the chart says so, both are judged by page.
func TestQualityOverTheRealStore(t *testing.T) {
	s, set, _, _ := openReal(t, clinic.People())
	number := poct.MustNumber
	_, _, err := s.Upsert(t.Context(), "k.osei", poct.RegistryRows{
		ControlLots: []poct.ControlLot{{Lot: "CA-117", Level: "1", StripLot: "7K40231", Low: number("0.9"), High: number("1.4"), Expires: "2027-05-31", Mean: number("1.17"), SD: number("0.08")},
			{Lot: "CA-117", Level: "2", StripLot: "7K40231", Low: number("2.5"), High: number("3.6"), Expires: "2027-05-31", Mean: number("3.08"), SD: number("0.19")}},
		Shipments: []poct.Shipment{{ID: "S-1", StripLot: "7K40231", Site: "millrace", Arrived: "2026-11-02"}},
	})
	require.NoError(t, err)
	readings := map[string]poct.Reading{}
	for i, x := range []struct{ hour, level, inr string }{{"06", "1", "1.2"}, {"06", "2", "3.1"}, {"07", "", "2.7"}, {"08", "", "2.2"}, {"09", "2", "3.8"}} {
		at := time.Date(2026, 11, 25, int(x.hour[1]-'0'), i, 0, 0, time.UTC)
		raw := fmt.Appendf(nil, "run %d", i)
		got, err := s.Accept(t.Context(), poct.Arrival{Inlet: "millrace", Source: "millrace", Digest: sha256.Sum256(raw), Received: at.Add(20 * time.Second), Format: "hl7v2", Raw: raw})
		require.NoError(t, err)
		r := poct.Reading{Arrival: got.Arrival, Kind: poct.KindPatient, Status: poct.StatusFinal, Meter: "M-2041", Sequence: fmt.Sprint(i), TestedAt: poct.Stamp{Raw: at.Format("20060102150405"), At: at, Precision: "second"},
			Operator: "118", StripLot: "7K40231", Measurements: []poct.Measurement{{Analyte: "inr", Value: number(x.inr), RawValue: x.inr, Unit: "{INR}"}}}
		if x.level != "" {
			r.Kind, r.ControlLot, r.ControlLevel = poct.KindControl, "CA-117", x.level
		} else {
			r.Patient = poct.PatientRef{Authority: "MILLRACE", ID: who(i)}
		}
		readings[got.Arrival] = r
	}
	decideAll(t, s, func(_ poct.Book, a poct.Arrival) (poct.Outcome, error) {
		r := readings[a.ID]
		o := poct.Outcome{Result: poct.Result{Key: r.Key(), Reading: r, Site: "millrace"}, Verdict: poct.File, QCPassed: r.Measurements[0].RawValue != "3.8"}
		if r.Kind == poct.KindPatient {
			o.Verdict, o.Outlets, o.Action = poct.Release, []string{"record"}, poct.Create
		}
		return o, nil
	})
	w, err := web.New(set)
	require.NoError(t, err)
	h := &house{Clinic: clinic.Empty(), t: t, log: &lines{}, web: w, srv: httptest.NewServer(w.Handler())}
	t.Cleanup(h.srv.Close)
	v := h.signIn("coordinator")

	assert.Equal(t, "Not now: do not use meter M-2041.", v.get("/meters/M-2041").heading())
	chart := v.get("/quality/controls/M-2041")
	assert.Equal(t, "Meter M-2041 failed its level 2 control at 09:04 and is locked.", chart.heading())
	assert.Contains(t, chart.body, "Judge these 2")
	entry := v.get("/quality")
	assert.Contains(t, entry.body, "Strip lot 7K40231 is not accepted at Millrace Surgery")
	list := regexp.MustCompile(`/quality/lookbacks/[0-9a-z-]{20,}`).FindString(entry.body)
	require.NotEmpty(t, list, entry.body)
	item := regexp.MustCompile(list + `/items/[0-9a-z-]{20,}`)
	for judged := range 2 {
		page := v.get(list)
		assert.Contains(t, page.heading(), itoa(int64(2-judged))+" result", judged)
		form := url.Values{"version": {version(t, page)}, "judged": {"repeat-asked"}, "carry": {"yes"}}
		if judged == 0 {
			form.Set("reason", "Drawn again in the room")
		}
		got := v.post(item.FindString(page.body), form)
		require.Equal(t, http.StatusSeeOther, got.StatusCode, got.body)
	}
	done := v.get(list)
	assert.Contains(t, done.heading(), "all 2 results on the list are judged")
	assert.Equal(t, 2, strings.Count(done.body, "Drawn again in the room"))
	for _, path := range []string{"/quality/lots/7K40231?site=millrace", "/quality/comparisons", "/quality/errors", "/quality/errors?by=strip_lot", "/quality/lookbacks", "/calls", "/meters"} {
		assert.Equal(t, http.StatusOK, v.get(path).StatusCode, path)
	}
	report := v.post("/quality/time-in-range", url.Values{"patient": {who(2)}, "birth_date": {"1948-03-14"}})
	assert.Equal(t, http.StatusOK, report.StatusCode)
	assert.Contains(t, report.heading(), "No share can be told")
}

// TestTheQueueFollowsTheLedger: what is kept in memory is what the store
// holds, after every kind of act and arrival.
func TestTheQueueFollowsTheLedger(t *testing.T) {
	s, set, d, j := openReal(t, clinic.People())
	w, err := web.New(set)
	require.NoError(t, err)
	h := &house{Clinic: clinic.Empty(), t: t, log: &lines{}, web: w, srv: httptest.NewServer(w.Handler())}
	t.Cleanup(h.srv.Close)
	actor := poct.Actor{Name: "k.osei", Role: "coordinator", Sites: []string{"*"}}
	same := func(after string) []poct.HoldRecord {
		t.Helper()
		want, err := s.Holds(t.Context(), store.HoldFilter{Open: true, Limit: -1})
		require.NoError(t, err)
		var got struct{ Holds []poct.HoldRecord }
		require.NoError(t, json.Unmarshal([]byte(h.api("coordinator", "GET", "/api/v1/holds?limit=1000", "").body), &got))
		require.Len(t, got.Holds, len(want), after)
		for i := range want {
			assert.Equal(t, want[i].ID, got.Holds[i].ID, after)
			assert.Equal(t, want[i].Version, got.Holds[i].Version, after)
			assert.Equal(t, want[i].Called, got.Holds[i].Called, after)
		}
		return want
	}
	same("nothing came yet")
	arrive(t, s, j, 12, func(i int) string { return "LOT" + fmt.Sprint(i/4) })
	holds := same("twelve came")
	require.Len(t, holds, 12)
	for i, st := range []poct.Settlement{{Act: poct.ActDiscard}, {Act: poct.ActCorrect, Changes: map[string]string{poct.FieldStripLot: "7K40231"}}, {Act: poct.ActRetry}} {
		st.Version, st.Reason = 1, "A reason that is long enough"
		_, err := d.Settle(t.Context(), actor, holds[i].ID, st)
		require.NoError(t, err)
		same(string(st.Act))
	}
	arrive(t, s, j, 20, func(i int) string { return "LOT" + fmt.Sprint(i) })
	assert.Greater(t, len(same("more came")), 12)
}

func version(t *testing.T, page reply) string {
	t.Helper()
	m := regexp.MustCompile(`name="version" value="(\d+)"`).FindStringSubmatch(page.body)
	require.NotNil(t, m, page.body)
	return m[1]
}

// BenchmarkHoldsPageStore10000 is the holds page over the real store with
// 10,000 open holds of 1,000 causes, looks written down and synced.
func BenchmarkHoldsPageStore10000(b *testing.B) {
	s, set, _, j := openReal(b, clinic.People())
	arrive(b, s, j, 10000, func(i int) string { return fmt.Sprintf("L%05d", i/10) })
	w, err := web.New(set)
	if err != nil {
		b.Fatal(err)
	}
	for b.Loop() {
		req := httptest.NewRequest(http.MethodGet, "/holds", nil)
		req.Header.Set("Authorization", "Bearer "+clinic.Tokens["reviewer"])
		rec := httptest.NewRecorder()
		w.Handler().ServeHTTP(rec, req)
		if rec.Code != http.StatusOK || !strings.Contains(rec.Body.String(), "10\u202f000 wait here") {
			b.Fatal(rec.Code)
		}
	}
}

// BenchmarkQualityPageStore10000 is the entry of quality over the real store
// with 10,000 tests: what is in doubt, lots, and rates by four groupings.
func BenchmarkQualityPageStore10000(b *testing.B) {
	s, set, _, j := openReal(b, clinic.People())
	arrive(b, s, j, 10000, func(i int) string { return fmt.Sprintf("L%05d", i/1000) })
	w, err := web.New(set)
	if err != nil {
		b.Fatal(err)
	}
	for b.Loop() {
		req := httptest.NewRequest(http.MethodGet, "/quality", nil)
		req.Header.Set("Authorization", "Bearer "+clinic.Tokens["coordinator"])
		rec := httptest.NewRecorder()
		w.Handler().ServeHTTP(rec, req)
		if rec.Code != http.StatusOK {
			b.Fatal(rec.Code)
		}
	}
}
