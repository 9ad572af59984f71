package web_test

import (
	"encoding/json"
	"flag"
	"net/http"
	"net/url"
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidegate/poct"
	"tidegate/testkit/clinic"
	"tidegate/web"
)

var update = flag.Bool("update", false, "write golden files again")

func TestSitesAreKeptApart(t *testing.T) {
	h := serve(t, clinic.New())
	v := h.signIn("harbour") // a reviewer of Harbour Street alone
	list := v.get("/holds")
	assert.Equal(t, "1 waits here, for 1 cause.", list.heading())
	assert.NotContains(t, list.body, "Millrace Surgery")
	assert.NotContains(t, list.body, "Critical: INR 6.1", "another site's critical result")
	assert.Contains(t, list.body, `data-waiting="1"`)
	assert.NotContains(t, v.get("/").body, "Strip lot 7K4O231")

	other, arrival, result := clinic.ID("c", 1), clinic.ID("a", 1), clinic.ID("b", 1)
	events, err := h.Events(t.Context(), 0, 10)
	require.NoError(t, err)
	var foreign string
	for _, e := range events {
		if e.Result == clinic.ID("b", 0) {
			foreign = itoa(e.Index)
		}
	}
	require.NotEmpty(t, foreign)
	for _, path := range []string{"/holds/" + other, "/raw/holds/" + other, "/results/" + result, "/raw/results/" + result + "/" + arrival,
		"/api/v1/holds/" + other, "/api/v1/arrivals/" + arrival, "/api/v1/arrivals/" + arrival + "/raw", "/api/v1/results/" + result, "/api/v1/results/" + result + "/trace",
		"/api/v1/ledger/proof/" + foreign, "/holds/" + clinic.ID("c", 15)} {
		got := v.get(path)
		assert.Equal(t, http.StatusNotFound, got.StatusCode, path)
		assert.NotContains(t, got.body, "T-100482", path)
	}
	assert.Equal(t, http.StatusNotFound, v.post("/holds/"+other+"/settle", url.Values{"act": {"discard"}, "version": {"1"}, "reason": {"not mine to discard"}}).StatusCode)
	settle := h.api("harbour", "POST", "/api/v1/holds/"+other+"/settle", `{"act":"discard","version":1,"reason":"not mine to discard"}`)
	assert.Equal(t, http.StatusNotFound, settle.StatusCode)
	assert.Equal(t, http.StatusNotFound, h.api("harbour", "POST", "/api/v1/results/"+clinic.ID("b", 0)+"/acknowledge", `{"to":"nurse at ten","read_back":"6.1"}`).StatusCode)
	assert.JSONEq(t, `{"ids": []}`, h.api("harbour", "POST", "/api/v1/find", `{"text":"M-2041"}`).body)
	assert.Contains(t, h.api("harbour", "POST", "/api/v1/find", `{"text":"M-2052"}`).body, clinic.ID("b", 7))

	var holds struct {
		Total int `json:"total"`
	}
	require.NoError(t, json.Unmarshal([]byte(h.api("harbour", "GET", "/api/v1/holds", "").body), &holds))
	assert.Equal(t, 1, holds.Total)
	var meters struct {
		Meters []struct{ Serial, Site string } `json:"meters"`
	}
	require.NoError(t, json.Unmarshal([]byte(h.api("harbour", "GET", "/api/v1/meters", "").body), &meters))
	assert.Equal(t, []struct{ Serial, Site string }{{"M-2052", "harbour"}}, meters.Meters)
}

func itoa(n int64) string { b, _ := json.Marshal(n); return string(b) }

// problemOf reads an RFC 9457 problem report and checks its form (section 3.1).
func problemOf(t *testing.T, r reply) (code, detail string) {
	t.Helper()
	assert.Equal(t, "application/problem+json", r.Header.Get("Content-Type"))
	var p struct {
		Type, Title, Detail, Code string
		Status                    int
	}
	require.NoError(t, json.Unmarshal([]byte(r.body), &p))
	assert.Equal(t, r.StatusCode, p.Status)
	assert.NotEmpty(t, p.Title)
	if p.Type == "about:blank" {
		assert.Equal(t, http.StatusText(p.Status), p.Title, "RFC 9457 4.2.1")
	} else {
		_, err := url.Parse(p.Type)
		assert.NoError(t, err)
	}
	return p.Code, p.Detail
}

func TestSettleByAPI(t *testing.T) {
	for _, tc := range []struct {
		name, role, hold, body string
		status                 int
		code, detail           string
	}{
		{"discard", "reviewer", clinic.ID("c", 1), `{"act":"discard","version":1,"reason":"Sample was clotted, says the nurse"}`, 200, "", ""},
		{"correct", "reviewer", clinic.ID("c", 1), `{"act":"correct","version":1,"changes":{"strip_lot":"7K40231"},"reason":"Vial read aloud on the phone"}`, 200, "", ""},
		{"overtaken", "reviewer", clinic.ID("c", 1), `{"act":"discard","version":7,"reason":"Sample was clotted"}`, 409, "overtaken", "Nothing of yours was sent."},
		{"settled long ago", "reviewer", clinic.ID("c", 900), `{"act":"discard","version":2,"reason":"Sample was clotted"}`, 409, "overtaken", ""},
		{"nobody may", "coordinator", clinic.ID("c", 7), `{"act":"release","version":1,"reason":"The patient says so"}`, 422, "not-allowed", "Nobody may release this; correct it or discard it."},
		{"not this person", "reviewer", clinic.ID("c", 8), `{"act":"release","version":1,"reason":"Controls passed since"}`, 403, "forbidden", "This is for the coordinator."},
		{"reason too short", "reviewer", clinic.ID("c", 1), `{"act":"discard","version":1,"reason":"  clotted  "}`, 422, "form", "10 characters or more"},
		{"no such act", "reviewer", clinic.ID("c", 1), `{"act":"approve","version":1,"reason":"A reason that is long enough"}`, 422, "form", "correct, release, discard or retry"},
		{"value is never edited", "reviewer", clinic.ID("c", 1), `{"act":"correct","version":1,"changes":{"inr":"2.5"},"reason":"A reason that is long enough"}`, 422, "form", "never changed by hand"},
		{"device time is never edited", "reviewer", clinic.ID("c", 1), `{"act":"correct","version":1,"changes":{"tested_at":"20261125"},"reason":"A reason that is long enough"}`, 422, "form", "never changed by hand"},
		{"unknown member", "reviewer", clinic.ID("c", 1), `{"act":"discard","version":1,"why":"x"}`, 400, "", "openapi.json"},
		{"two values", "reviewer", clinic.ID("c", 1), `{"act":"discard","version":1,"reason":"A reason that is long enough"} {}`, 400, "", "Send one."},
		{"unknown hold", "reviewer", "none", `{"act":"discard","version":1,"reason":"A reason that is long enough"}`, 404, "not-found", ""},
		{"auditor settles nothing", "auditor", clinic.ID("c", 1), `{"act":"discard","version":1,"reason":"A reason that is long enough"}`, 403, "", "clinician, reviewer or coordinator"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			h := serve(t, clinic.New())
			got := h.api(tc.role, "POST", "/api/v1/holds/"+tc.hold+"/settle", tc.body)
			require.Equal(t, tc.status, got.StatusCode, got.body)
			if tc.status != http.StatusOK {
				code, detail := problemOf(t, got)
				assert.Equal(t, tc.code, code)
				assert.Contains(t, detail, tc.detail)
				if hold, err := h.Hold(t.Context(), tc.hold); err == nil && tc.name != "settled long ago" {
					assert.True(t, hold.Open, "nothing was done")
				}
				return
			}
			var hold poct.HoldRecord
			require.NoError(t, json.Unmarshal([]byte(got.body), &hold))
			assert.False(t, hold.Open)
			assert.Equal(t, "r.ito", hold.Settled.Actor)
		})
	}
}

func TestSettleByForm(t *testing.T) {
	h := serve(t, clinic.New())
	v := h.signIn("reviewer")
	one, two := clinic.ID("c", 1), clinic.ID("c", 2)
	page := v.get("/holds/" + one)
	assert.NotContains(t, page.body, "checked>", "no act is chosen beforehand")
	assert.NotContains(t, page.body, `value="7K40231"`, "nothing is filled in beforehand")

	short := v.post("/holds/"+one+"/settle", url.Values{"act": {"correct"}, "version": {"1"}, "change-strip_lot": {"7K40231"}, "reason": {"read it"}})
	assert.Equal(t, http.StatusUnprocessableEntity, short.StatusCode)
	assert.Contains(t, short.body, `<a href="#f-reason">Write what you checked: 10 characters or more.</a>`)
	assert.Contains(t, short.body, `id="f-reason"`)
	assert.Contains(t, short.body, `value="7K40231"`, "what was typed survives")
	assert.Contains(t, short.body, ">read it</textarea>")
	assert.Regexp(t, `id="act-correct" value="correct" required checked`, short.body)

	empty := v.post("/holds/"+one+"/settle", url.Values{"act": {"correct"}, "version": {"1"}, "reason": {"I looked at the vial"}})
	assert.Equal(t, http.StatusUnprocessableEntity, empty.StatusCode)
	assert.Contains(t, empty.body, `href="#f-change-strip_lot"`)

	good := v.post("/holds/"+one+"/settle", url.Values{"act": {"correct"}, "version": {"1"}, "change-strip_lot": {" 7K40231 "}, "reason": {"Vial read aloud on the phone"}})
	require.Equal(t, http.StatusSeeOther, good.StatusCode, good.body)
	assert.Equal(t, "/holds/"+two, good.Header.Get("Location"), "the next of the cause")
	next := v.get("/holds/" + two)
	assert.Contains(t, next.body, "Version 2 passed. On its way.")
	assert.NotContains(t, v.get("/holds/"+two).body, "Version 2 passed.", "said once")

	still := v.post("/holds/"+two+"/settle", url.Values{"act": {"correct"}, "version": {"1"}, "change-strip_lot": {"7K49999"}, "reason": {"Vial read aloud on the phone"}})
	require.Equal(t, http.StatusSeeOther, still.StatusCode)
	assert.Contains(t, v.get(still.Header.Get("Location")).body, "Version 2 is still held: strip lot 7K49999 is not in the registry.")

	late := v.post("/holds/"+one+"/settle", url.Values{"act": {"discard"}, "version": {"1"}, "reason": {"I had typed all of this"}})
	assert.Equal(t, http.StatusConflict, late.StatusCode)
	assert.Contains(t, late.body, "r.ito settled this at 09:58. Nothing of yours was sent.")
	assert.Contains(t, late.body, "I had typed all of this")

	refused := v.post("/holds/"+clinic.ID("c", 8)+"/settle", url.Values{"act": {"release"}, "version": {"1"}, "reason": {"Controls passed since"}})
	assert.Equal(t, http.StatusForbidden, refused.StatusCode)
	assert.Contains(t, refused.body, "This is for the coordinator.")
}

func TestCauseIsSettledOnceAndEachByItself(t *testing.T) {
	h := serve(t, clinic.New())
	v := h.signIn("coordinator")
	name := regexp.MustCompile(`/holds/causes/[0-9a-f]+`).FindString(v.get("/holds").body)
	short := v.post(name+"/again", url.Values{"reason": {"done"}})
	assert.Equal(t, http.StatusUnprocessableEntity, short.StatusCode)
	assert.Contains(t, short.body, "10 characters or more")
	before, err := h.Size(t.Context())
	require.NoError(t, err)
	got := v.post(name+"/again", url.Values{"reason": {"Lot registered from the maker's sheet"}})
	require.Equal(t, http.StatusSeeOther, got.StatusCode)
	assert.Contains(t, v.get("/holds").body, "6 results checked again: 0 passed, 6 stay held.", "the lot is not registered: nothing passes in bulk")
	events, err := h.Events(t.Context(), before, 1000)
	require.NoError(t, err)
	n := 0
	for _, e := range events {
		if e.Kind == poct.EventRetried {
			n++
			assert.Equal(t, "k.osei", e.Actor)
		}
	}
	assert.Equal(t, 6, n, "each is logged by itself")
	assert.Equal(t, http.StatusNotFound, v.get("/holds/causes/0000000000000000").StatusCode)
}

func TestEngineerSeesBytesWithoutThePatient(t *testing.T) {
	h := serve(t, clinic.New())
	got := h.api("engineer", "GET", "/api/v1/arrivals/"+clinic.ID("a", 1)+"/raw", "")
	require.Equal(t, http.StatusOK, got.StatusCode)
	assert.Contains(t, got.body, "OBX|1|NM|46418-0||2.6|{INR}")
	for _, gone := range []string{"SAMPLE", "IRIS", "T-100482", "19480314"} {
		assert.NotContains(t, got.body, gone)
	}
	whole := h.api("reviewer", "GET", "/api/v1/arrivals/"+clinic.ID("a", 1)+"/raw", "")
	assert.Contains(t, whole.body, "SAMPLE^IRIS")
	assert.Equal(t, http.StatusForbidden, h.api("engineer", "POST", "/api/v1/find", `{"patient":"T-100482","birth_date":"1948-03-14"}`).StatusCode)
	assert.Contains(t, h.api("engineer", "POST", "/api/v1/find", `{"text":"M-2041"}`).body, clinic.ID("b", 1))
	found := h.signIn("engineer")
	page := found.get(found.post("/find", url.Values{"text": {"M-2041"}}).Header.Get("Location"))
	assert.NotContains(t, page.body, "INR 2.6", "an engineer is not told values of patients")
}

func TestShapesOfTheAPI(t *testing.T) {
	h := serve(t, clinic.New())
	get := func(role, path string) map[string]any {
		t.Helper()
		r := h.api(role, "GET", path, "")
		require.Equal(t, http.StatusOK, r.StatusCode, path)
		var v map[string]any
		require.NoError(t, json.Unmarshal([]byte(r.body), &v), path)
		return v
	}
	has := func(v map[string]any, names string) {
		t.Helper()
		for _, n := range strings.Fields(names) {
			assert.Contains(t, v, n)
		}
	}
	has(get("auditor", "/api/v1/account"), "arrivals delivered filed held duplicate ignored discarded lost resends readings")
	assert.Equal(t, map[string]any{"millrace-tcp": "127.0.0.1:2575"}, get("engineer", "/api/v1/listeners"))
	trace := get("reviewer", "/api/v1/results/"+clinic.DeliveredID+"/trace")
	has(trace, "id state versions events receipts")
	has(trace["events"].([]any)[0].(map[string]any), "index time kind actor")
	byArrival := get("reviewer", "/api/v1/results/"+clinic.ID("a", 900)+"/trace")
	assert.Equal(t, trace["id"], byArrival["id"], "an arrival's id finds its result")
	has(get("reviewer", "/api/v1/results/"+clinic.DeliveredID), "id state version result verdict problems checks deliveries")
	arrival := get("engineer", "/api/v1/arrivals/"+clinic.ID("a", 900))
	has(arrival, "id state inlet received peer bytes sha256 result")
	assert.Len(t, arrival["sha256"], 64)
	hold := get("reviewer", "/api/v1/holds/"+clinic.ID("c", 1))
	has(hold["problems"].([]any)[0].(map[string]any), "check code severity field text remedy limit")
	has(get("nurse", "/api/v1/meters"), "meters")
	has(get("auditor", "/api/v1/ledger/proof/0"), "index leaf leaf_hash size root path key checkpoint")
	assert.Contains(t, h.api("auditor", "GET", "/api/v1/ledger/checkpoint", "").body, "millrace.example/1\n")
	assert.Equal(t, http.StatusBadRequest, h.api("auditor", "GET", "/api/v1/ledger/proof/-1", "").StatusCode)
	assert.Equal(t, http.StatusNotFound, h.api("auditor", "GET", "/api/v1/ledger/proof/999999", "").StatusCode)
	assert.Equal(t, http.StatusBadRequest, h.api("auditor", "GET", "/api/v1/holds?limit=5000", "").StatusCode)
	pack := h.api("auditor", "POST", "/api/v1/export", `{"ids":["`+clinic.DeliveredID+`"]}`)
	assert.Equal(t, "pack of 1", pack.body)
	assert.Equal(t, http.StatusNotFound, h.api("auditor", "POST", "/api/v1/export", `{"ids":["none"]}`).StatusCode)
	assert.Equal(t, http.StatusUnprocessableEntity, h.api("auditor", "POST", "/api/v1/export", `{"ids":[]}`).StatusCode)
}

func TestRegistryRows(t *testing.T) {
	h := serve(t, clinic.New())
	post := func(role, kind, media, body string) reply {
		t.Helper()
		req, err := http.NewRequest(http.MethodPost, h.srv.URL+"/api/v1/registry/"+kind, strings.NewReader(body))
		require.NoError(t, err)
		req.Header.Set("Authorization", "Bearer "+clinic.Tokens[role])
		req.Header.Set("Content-Type", media)
		return h.do(http.DefaultClient, req)
	}
	got := post("coordinator", "strip_lots", "text/csv; charset=utf-8", "lot,model\n")
	require.Equal(t, http.StatusOK, got.StatusCode, got.body)
	assert.JSONEq(t, `{"added":1,"changed":0,"refused":[{"line":3,"column":"expires","reason":"write a date as YYYY-MM-DD"}]}`, got.body)
	assert.Equal(t, http.StatusOK, post("engineer", "patients", "application/json", "[]").StatusCode)
	assert.Equal(t, http.StatusForbidden, post("engineer", "strip_lots", "text/csv", "x").StatusCode)
	assert.Equal(t, http.StatusForbidden, post("reviewer", "strip_lots", "text/csv", "x").StatusCode)
	assert.Equal(t, http.StatusNotFound, post("coordinator", "rooms", "text/csv", "x").StatusCode)
	assert.Equal(t, http.StatusUnsupportedMediaType, post("coordinator", "sites", "text/html", "x").StatusCode)
	assert.Equal(t, http.StatusRequestEntityTooLarge, post("coordinator", "sites", "text/csv", strings.Repeat("x", 33<<20)).StatusCode)
}

func TestAsNeedsNoToken(t *testing.T) {
	c := clinic.New()
	h := serve(t, c)
	as := h.web.As(poct.Actor{Name: "someone at this machine", Role: "auditor", Sites: []string{"*"}})
	h.srv.Config.Handler = as
	got := h.api("", "GET", "/api/v1/results/"+clinic.DeliveredID+"/trace", "")
	assert.Equal(t, http.StatusOK, got.StatusCode)
	looks := c.Looks()
	assert.Equal(t, "someone at this machine", looks[len(looks)-1].Actor)
	assert.Equal(t, http.StatusForbidden, h.api("", "POST", "/api/v1/holds/"+clinic.ID("c", 1)+"/settle", `{}`).StatusCode)
}

// TestOpenAPI: the description names every route of the API and nothing else,
// and each schema that it refers to is there. OpenAPI 3.1.0.
func TestOpenAPI(t *testing.T) {
	doc, err := json.MarshalIndent(web.OpenAPI(), "", "  ")
	require.NoError(t, err)
	var d struct {
		OpenAPI    string
		Paths      map[string]map[string]struct{ OperationID string }
		Components struct{ Schemas map[string]any }
	}
	require.NoError(t, json.Unmarshal(doc, &d))
	assert.Equal(t, "3.1.0", d.OpenAPI)
	var described, registered, ids []string
	for path, item := range d.Paths {
		for method, op := range item {
			described, ids = append(described, strings.ToUpper(method)+" "+path), append(ids, op.OperationID)
		}
	}
	for _, r := range web.Routes() {
		assert.Equal(t, strings.HasPrefix(r.Path, "/api/"), r.API, "%s %s", r.Method, r.Path)
		if r.API {
			registered = append(registered, r.Method+" "+r.Path)
		}
	}
	assert.ElementsMatch(t, registered, described)
	slices.Sort(ids)
	assert.Len(t, slices.Compact(ids), len(registered), "operation ids are unique")
	for _, m := range regexp.MustCompile(`#/components/schemas/(\w+)`).FindAllStringSubmatch(string(doc), -1) {
		assert.Contains(t, d.Components.Schemas, m[1])
	}
	for name := range d.Components.Schemas {
		assert.Contains(t, string(doc), "#/components/schemas/"+name, "an unused schema")
	}
	const golden = "testdata/openapi.json"
	if *update {
		require.NoError(t, os.MkdirAll("testdata", 0o755))
		require.NoError(t, os.WriteFile(golden, append(doc, '\n'), 0o644))
	}
	want, err := os.ReadFile(golden)
	require.NoError(t, err, "write it with -update")
	assert.Equal(t, string(want), string(doc)+"\n")
	h := serve(t, clinic.New())
	assert.Contains(t, h.api("nurse", "GET", "/api/v1/openapi.json", "").body, `"openapi":"3.1.0"`)
}

// TestAnswersFitTheirDescription: every member that the description requires is
// in the answer, and every member of the answer has the described type.
func TestAnswersFitTheirDescription(t *testing.T) {
	h := serve(t, clinic.New())
	b, err := json.Marshal(web.OpenAPI())
	require.NoError(t, err)
	var doc map[string]any
	require.NoError(t, json.Unmarshal(b, &doc))
	schemas := doc["components"].(map[string]any)["schemas"].(map[string]any)
	for schema, path := range map[string]string{
		"Account": "/api/v1/account", "Listeners": "/api/v1/listeners", "HoldList": "/api/v1/holds", "Hold": "/api/v1/holds/" + clinic.ID("c", 1), "Arrival": "/api/v1/arrivals/" + clinic.ID("a", 1),
		"Result": "/api/v1/results/" + clinic.DeliveredID, "Trace": "/api/v1/results/" + clinic.DeliveredID + "/trace", "Meters": "/api/v1/meters", "Proof": "/api/v1/ledger/proof/0",
	} {
		var v any
		require.NoError(t, json.Unmarshal([]byte(h.api("auditor", "GET", path, "").body), &v), path)
		fits(t, schemas, schema, schemas[schema].(map[string]any), v)
	}
}

func fits(t *testing.T, all map[string]any, where string, schema map[string]any, v any) {
	t.Helper()
	if ref, ok := schema["$ref"].(string); ok {
		name := strings.TrimPrefix(ref, "#/components/schemas/")
		fits(t, all, where+"/"+name, all[name].(map[string]any), v)
		return
	}
	switch schema["type"] {
	case "object":
		o, ok := v.(map[string]any)
		if !ok {
			t.Errorf("%s is %T, not an object", where, v)
			return
		}
		required, _ := schema["required"].([]any)
		for _, r := range required {
			if _, ok := o[r.(string)]; !ok {
				t.Errorf("%s lacks %s", where, r)
			}
		}
		members, _ := schema["properties"].(map[string]any)
		for name, m := range members {
			if x, ok := o[name]; ok {
				fits(t, all, where+"."+name, m.(map[string]any), x)
			}
		}
	case "array":
		a, ok := v.([]any)
		if !ok {
			t.Errorf("%s is %T, not an array", where, v)
			return
		}
		for _, x := range a {
			fits(t, all, where+"[]", schema["items"].(map[string]any), x)
		}
	case "string":
		if _, ok := v.(string); !ok {
			t.Errorf("%s is %T, not a string", where, v)
		}
	case "integer":
		if n, ok := v.(float64); !ok || n != float64(int64(n)) {
			t.Errorf("%s is %v, not a whole number", where, v)
		}
	case "boolean":
		if _, ok := v.(bool); !ok {
			t.Errorf("%s is %T, not true or false", where, v)
		}
	}
}

func TestFontsCarryTheirLicence(t *testing.T) {
	h := serve(t, clinic.New())
	css := h.api("", "GET", "/static/tidegate.css", "")
	for _, m := range regexp.MustCompile(`url\((fonts/[a-z-]+\.woff2)\)`).FindAllStringSubmatch(css.body, -1) {
		got := h.api("", "GET", "/static/"+m[1], "")
		assert.Equal(t, http.StatusOK, got.StatusCode, m[1])
		assert.Equal(t, "wOF2", got.body[:4])
	}
	assert.Contains(t, h.api("", "GET", "/static/fonts/LICENSE", "").body, "SIL OPEN FONT LICENSE Version 1.1")
	assert.Equal(t, http.StatusNotFound, h.api("", "GET", "/static/fonts/", "").StatusCode, "no listing")
}
