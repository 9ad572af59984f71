package web_test

import (
	"context"
	"encoding/json"
	"net/http"
	"net/url"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidegate/poct"
	"tidegate/testkit/clinic"
	"tidegate/web"
)

// TestMayIUseThisMeter asks the pages of meters as a nurse, over the real gate.
func TestMayIUseThisMeter(t *testing.T) {
	h := serve(t, clinic.Supervised())
	v := h.signIn("room")
	got := v.get("/meters")
	require.Equal(t, http.StatusOK, got.StatusCode)
	assert.Equal(t, "May I use this meter now? 5 of 7 at Millrace Surgery: yes.", got.heading())
	assert.NotContains(t, got.body, "M-2019", "another site's meter")
	assert.NotContains(t, got.body, "Holds", "a nurse sees meters alone")
	no, yes := strings.Index(got.body, "Not now"), strings.Index(got.body, "<b>Yes</b>")
	assert.True(t, no > 0 && no < yes, "those not to be used stand first")
	for _, want := range []string{"Control level 2 failed", "until both levels pass", "Not heard from for", "until it connects", "Controls passed 07:31. Lot 7K40231.", "15:29, controls due", "the meter’s own display comes first", `data-stale="300"`} {
		assert.Contains(t, got.body, want)
	}
	for _, tc := range []struct{ name, path, heading, has string }{
		{"yes", "/meters/M-2041", "Yes, use meter M-2041 now, until 15:29.", "Level 2 passed last"},
		{"not now", "/meters/M-2058", "Not now: do not use meter M-2058.", `Meter <a href="/meters/M-2041">`},
		{"another site's", "/meters/M-2019", "Nothing here has this id.", ""},
		{"print", "/meters?print=yes", got.heading(), "valid until"},
		{"a number that is none", "/meters?serial=M-1", got.heading(), "no meter of your sites has this number"},
	} {
		page := v.get(tc.path)
		assert.Equal(t, tc.heading, page.heading(), tc.name)
		assert.Contains(t, page.body, tc.has, tc.name)
	}
	scanned := v.get("/meters?serial=" + url.QueryEscape(" m-2041 "))
	assert.Equal(t, "/meters/M-2041", scanned.Header.Get("Location"))
	assert.Empty(t, h.Looks(), "nothing about people is shown, so nothing is logged")

	var ready poct.Readiness
	require.NoError(t, json.Unmarshal([]byte(h.api("room", "GET", "/api/v1/meters/M-2058/readiness", "").body), &ready))
	assert.False(t, ready.Ready)
	assert.Equal(t, "qc-failed", ready.Why[0].Code)
	assert.Equal(t, http.StatusNotFound, h.api("room", "GET", "/api/v1/meters/M-2019/readiness", "").StatusCode)
	assert.Contains(t, h.api("room", "GET", "/api/v1/meters", "").body, `"readiness":{"meter":"M-2041"`)
}

// What cannot be looked up is not assumed: not known is not now.
func TestNotKnownIsNotNow(t *testing.T) {
	c := clinic.Supervised()
	h := serve(t, c)
	v := h.signIn("room")
	c.BookDown = true
	got := v.get("/meters")
	assert.Equal(t, http.StatusOK, got.StatusCode)
	assert.Equal(t, "May I use this meter now? None of 7 at millrace: not now.", got.heading())
	assert.Equal(t, 7, strings.Count(got.body, "The registry has not answered."))
	assert.Contains(t, got.body, "not assumed")
	assert.NotContains(t, got.body, "<b>Yes</b>")
}

// A yes may end for another reason than that controls are due.
func TestAYesEndsWithTheStrips(t *testing.T) {
	c := clinic.Supervised()
	h := serve(t, c)
	c.Pass(10 * time.Hour)
	c.Passes("M-2070", clinic.LotOld) // its last day
	assert.Contains(t, h.signIn("nurse").get("/meters").body, "<b>26 Nov 00:00, strips expire</b>")
}

func TestCalls(t *testing.T) {
	h := serve(t, clinic.New())
	v := h.signIn("clinician")
	id := clinic.ID("b", 0)
	list := v.get("/calls")
	assert.Equal(t, "1 critical result: nobody was told yet, the longest for 33 min.", list.heading())
	page := v.get("/calls/" + id)
	assert.Equal(t, "INR 6.1 was tested 34 min ago, and nobody was told yet.", page.heading())
	assert.Contains(t, page.body, "Kelmscote, Dov")
	looks := h.Looks()
	assert.Equal(t, []string{"inr", "patient", "calls"}, looks[len(looks)-1].Fields)
	post := func(form url.Values) reply { return v.post("/results/"+id+"/acknowledge", form) }
	wrong := post(url.Values{"from": {"calls"}, "reached": {"yes"}, "to": {"Nurse at ten"}, "read_back": {"1.6"}})
	assert.Equal(t, http.StatusUnprocessableEntity, wrong.StatusCode)
	assert.Contains(t, wrong.body, "They read back 1.6; the result is 6.1. Say it again.")
	tried := post(url.Values{"from": {"calls"}, "reached": {"no"}, "to": {"Quay House desk"}, "comment": {"Rang out"}})
	require.Equal(t, http.StatusSeeOther, tried.StatusCode, tried.body)
	again := v.get(tried.Header.Get("Location"))
	for _, want := range []string{"not reached", "Quay House desk", "Rang out", "try the next on your list", "Record the call"} {
		assert.Contains(t, again.body, want)
	}
	assert.Equal(t, http.StatusSeeOther, post(url.Values{"from": {"calls"}, "reached": {"yes"}, "to": {"Nurse at ten"}, "read_back": {"6.1"}}).StatusCode)
	assert.Equal(t, "INR 6.1: clinician.one told Nurse at ten at 09:58.", v.get("/calls/"+id).heading())
	assert.Equal(t, http.StatusConflict, post(url.Values{"to": {"Nurse at ten"}, "read_back": {"6.1"}}).StatusCode)
	assert.Equal(t, "Nobody has to be called.", v.get("/calls").heading())
	assert.Equal(t, http.StatusNotFound, h.signIn("harbour").get("/calls/"+id).StatusCode)
}

func TestCallsByAPI(t *testing.T) {
	h := serve(t, clinic.New())
	path := "/api/v1/results/" + clinic.ID("b", 0) + "/call"
	for _, tc := range []struct {
		name, body string
		status     int
		has        string
	}{
		{"whether reached is not said", `{"to":"Nurse at ten","read_back":"6.1"}`, 422, "true or false"},
		{"misheard", `{"to":"Nurse at ten","reached":true,"read_back":"1.6"}`, 422, "Say it again."},
		{"not reached", `{"to":"Quay House desk","reached":false}`, 200, `"told":""`},
		{"told", `{"to":"Nurse at ten","reached":true,"read_back":"6.1"}`, 200, `"told":"clinician.one"`},
		{"told before", `{"to":"Nurse at ten","reached":true,"read_back":"6.1"}`, 409, "overtaken"},
	} {
		got := h.api("clinician", "POST", path, tc.body)
		assert.Equal(t, tc.status, got.StatusCode, "%s: %s", tc.name, got.body)
		assert.Contains(t, got.body, tc.has, tc.name)
	}
	assert.JSONEq(t, `{"calls":[]}`, h.api("auditor", "GET", "/api/v1/calls", "").body)
	assert.Contains(t, h.api("auditor", "GET", "/api/v1/calls?state=all", "").body, `"tries":[{`)
	assert.JSONEq(t, `{"calls":[]}`, h.api("harbour", "GET", "/api/v1/calls?state=all", "").body)
}

func TestLookBackIsJudgedOneByOne(t *testing.T) {
	h := serve(t, clinic.Supervised())
	v := h.signIn("coordinator")
	assert.Equal(t, "3 results wait to be judged, on 2 lists.", v.get("/quality/lookbacks").heading())
	at := "/quality/lookbacks/" + clinic.DoubtID
	page := v.get(at)
	assert.Equal(t, "A control failed on meter M-2058: 2 results of 3 wait to be judged.", page.heading())
	assert.Contains(t, page.body, "repeat asked")
	assert.Contains(t, page.body, "From 07:20, the last pass of both levels, on; both levels have not passed again yet.")
	looks := h.Looks()
	assert.Len(t, looks[len(looks)-1].IDs, 3, "the values shown are a look")
	item := func(n int) string { return at + "/items/" + clinic.ID("d", n) }

	short := v.post(item(910), url.Values{"version": {"1"}, "judged": {"withdraw"}, "reason": {"no"}})
	assert.Equal(t, http.StatusUnprocessableEntity, short.StatusCode)
	assert.Contains(t, short.body, `href="#f-reason-`+clinic.ID("d", 910), "the summary leads to the field")
	assert.Contains(t, short.body, `value="withdraw" checked`, "what was chosen survives")
	none := v.post(item(910), url.Values{"version": {"1"}, "reason": {"Nothing was chosen here"}})
	assert.Contains(t, none.body, "Choose what becomes of it")
	assert.Equal(t, http.StatusSeeOther, v.post(item(910), url.Values{"version": {"1"}, "judged": {"withdraw"}, "reason": {"Repeated on M-2041: 2.1"}}).StatusCode)
	late := v.post(item(910), url.Values{"version": {"1"}, "judged": {"stands"}, "reason": {"Typed all of this"}})
	assert.Equal(t, http.StatusConflict, late.StatusCode)
	carried := v.post(item(911), url.Values{"version": {"1"}, "judged": {"repeat-asked"}, "carry": {"yes"}})
	require.Equal(t, http.StatusSeeOther, carried.StatusCode, carried.body)
	done := v.get(at)
	assert.Equal(t, "A control failed on meter M-2058: all 3 results on the list are judged.", done.heading())
	assert.Equal(t, 2, strings.Count(done.body, "Repeated on M-2041: 2.1"), "the reason was carried over on request")

	forward := v.post(at+"/widen", url.Values{"from": {"2026-11-25 08:00"}, "reason": {"The vial was warm"}})
	assert.Equal(t, http.StatusUnprocessableEntity, forward.StatusCode)
	assert.Equal(t, http.StatusSeeOther, v.post(at+"/widen", url.Values{"from": {"2026-11-24 15:34"}, "reason": {"The pass at 07:20 had a warning"}}).StatusCode)
	assert.Contains(t, v.get(at).body, "From 24 Nov 15:34")

	assert.Equal(t, http.StatusForbidden, h.signIn("reviewer").post(item(911), url.Values{"version": {"1"}, "judged": {"stands"}}).StatusCode)
	other := h.signIn("harbour")
	assert.Equal(t, http.StatusNotFound, other.get(at).StatusCode)
	recall := other.get("/quality/lookbacks/" + clinic.RecallID)
	assert.Equal(t, "Strip lot 7K11907 was recalled: 1 result of 1 waits to be judged.", recall.heading())
}

// A long list is judged page by page; whoever judges stays on their page.
func TestALongLookBackIsJudgedPageByPage(t *testing.T) {
	c := clinic.Supervised()
	long := poct.LookBack{ID: clinic.ID("k", 9), Kind: poct.LookBackRecalled, StripLot: "7K11907", Why: "The maker recalls it."}
	for i := range 120 {
		long.Items = append(long.Items, poct.LookBackItem{Result: clinic.ID("w", i), Version: 1, State: poct.Delivered, Stands: true, Value: "2.5", Site: "harbour", Meter: "M-2052"})
	}
	c.Doubt(long)
	v := serve(t, c).signIn("coordinator")
	seen, path := 0, "/quality/lookbacks/"+long.ID
	for path != "" {
		page := v.get(path)
		seen += strings.Count(page.body, `class="doubtful"`)
		next := regexp.MustCompile(`href="([^"]+)">The next 50`).FindStringSubmatch(page.body)
		if next == nil {
			after := regexp.MustCompile(`name="after" value="([^"]+)"`).FindStringSubmatch(page.body)
			require.NotNil(t, after)
			got := v.post("/quality/lookbacks/"+long.ID+"/items/"+clinic.ID("w", 119), url.Values{"version": {"1"}, "after": {after[1]}, "judged": {"repeat-asked"}, "reason": {"Called back for a repeat"}})
			assert.Equal(t, path, got.Header.Get("Location"))
			break
		}
		path = next[1]
	}
	assert.Equal(t, 120, seen)
}

func TestLookBackByAPI(t *testing.T) {
	h := serve(t, clinic.Supervised())
	open := h.api("coordinator", "GET", "/api/v1/lookbacks", "")
	assert.Contains(t, open.body, clinic.DoubtID)
	assert.Contains(t, open.body, `"left":2`)
	assert.NotContains(t, h.api("harbour", "GET", "/api/v1/lookbacks", "").body, clinic.DoubtID)
	at := "/api/v1/lookbacks/" + clinic.DoubtID
	var page struct {
		Items []poct.LookBackItem `json:"items"`
		Next  string              `json:"next"`
	}
	require.NoError(t, json.Unmarshal([]byte(h.api("coordinator", "GET", at+"?limit=2", "").body), &page))
	assert.Len(t, page.Items, 2)
	require.NotEmpty(t, page.Next)
	require.NoError(t, json.Unmarshal([]byte(h.api("coordinator", "GET", at+"?limit=2&after="+page.Next, "").body), &page))
	assert.Len(t, page.Items, 1)
	for _, tc := range []struct {
		name, role, path, body string
		status                 int
		has                    string
	}{
		{"no reason", "coordinator", at + "/items/" + clinic.ID("d", 910), `{"judged":"stands","version":1}`, 422, "10 characters"},
		{"judged", "coordinator", at + "/items/" + clinic.ID("d", 910), `{"judged":"stands","version":1,"reason":"Both repeats agreed"}`, 200, `"left":1`},
		{"judged before", "coordinator", at + "/items/" + clinic.ID("d", 910), `{"judged":"stands","version":1,"reason":"Both repeats agreed"}`, 409, "overtaken"},
		{"carried", "coordinator", at + "/items/" + clinic.ID("d", 911), `{"judged":"repeat-asked","version":1,"carry":true}`, 200, `"left":0`},
		{"not on the list", "coordinator", at + "/items/none", `{"judged":"stands","version":1,"reason":"Both repeats agreed"}`, 404, ""},
		{"no such time", "coordinator", at + "/widen", `{"from":"yesterday","reason":"The vial was warm"}`, 422, "from when on"},
		{"widened", "clinician", at + "/widen", `{"from":"2026-11-24T15:34:00Z","reason":"The vial was warm"}`, 200, "2026-11-24T15:34:00Z"},
	} {
		got := h.api(tc.role, "POST", tc.path, tc.body)
		assert.Equal(t, tc.status, got.StatusCode, "%s: %s", tc.name, got.body)
		assert.Contains(t, got.body, tc.has, tc.name)
	}
}

func TestWithdraw(t *testing.T) {
	h := serve(t, clinic.New())
	v := h.signIn("reviewer")
	at := "/results/" + clinic.DeliveredID
	assert.Contains(t, v.get(at).body, "Withdraw version 2")
	assert.NotContains(t, v.get("/results/"+clinic.ID("b", 1)).body, "Withdraw version", "what no record has is not withdrawn")
	assert.NotContains(t, h.signIn("auditor").get(at).body, "Withdraw version")
	short := v.post(at+"/withdraw", url.Values{"version": {"2"}, "reason": {"wrong"}})
	assert.Equal(t, http.StatusUnprocessableEntity, short.StatusCode)
	assert.Contains(t, short.body, "#f-withdraw-reason")
	late := v.post(at+"/withdraw", url.Values{"version": {"1"}, "reason": {"Not this patient's blood"}})
	assert.Equal(t, http.StatusConflict, late.StatusCode)
	assert.Contains(t, late.body, "Not this patient&#39;s blood", "what was typed survives")
	assert.Equal(t, http.StatusSeeOther, v.post(at+"/withdraw", url.Values{"version": {"2"}, "reason": {"Not this patient's blood"}}).StatusCode)
	assert.Contains(t, v.get(at).body, "Not this patient&#39;s blood")
	byAPI := h.api("reviewer", "POST", "/api/v1"+at+"/withdraw", `{"version":3,"reason":"Not this patient's blood"}`)
	assert.Equal(t, http.StatusOK, byAPI.StatusCode, byAPI.body)
	assert.Contains(t, byAPI.body, `"version":4`)
}

// A local rule stands on a result's page like the checks that are built in.
func TestATraceShowsLocalRules(t *testing.T) {
	c := clinic.New()
	h := serve(t, c, func(s *web.Settings) {
		s.Checks = append(s.Checks, web.CheckInfo{Number: "local", Code: "local-night", Title: "Tested at night", Acts: "RD", Local: true})
		s.Reader = nightReader{c}
	})
	got := h.signIn("reviewer").get("/results/" + clinic.DeliveredID + "?part=checks")
	assert.Contains(t, got.body, "<td>Tested at night</td>")
	assert.Contains(t, got.body, "between 6 and 22 h")
}

// nightReader adds the answer of a local rule to each version.
type nightReader struct{ *clinic.Clinic }

func (r nightReader) Trace(ctx context.Context, id string) (poct.Trace, error) {
	t, err := r.Clinic.Trace(ctx, id)
	for i := range t.Versions {
		t.Versions[i].Checks = append(slices.Clone(t.Versions[i].Checks), poct.CheckAnswer{Check: "local", Code: "local-night", Answer: poct.Pass, Limit: "between 6 and 22 h"})
	}
	return t, err
}

func TestChecksAreListedWithLocalRules(t *testing.T) {
	h := serve(t, clinic.New(), func(s *web.Settings) {
		s.Checks = append(s.Checks, web.CheckInfo{Number: "local", Code: "local-night", Title: "Tested at night", Acts: "RD", Desk: "reviewer", Local: true})
	})
	assert.Contains(t, h.api("nurse", "GET", "/api/v1/checks", "").body, `{"number":"local","code":"local-night","title":"Tested at night","acts":"RD","desk":"reviewer","local":true}`)
}
