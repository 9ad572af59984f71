package web_test

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"html"
	"io"
	"maps"
	"net/http"
	"net/http/cookiejar"
	"net/http/httptest"
	"net/url"
	"regexp"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidegate/poct"
	"tidegate/testkit/clinic"
	"tidegate/web"
)

// house is a clinic served over HTTP, with its log.
type house struct {
	*clinic.Clinic
	t   *testing.T
	srv *httptest.Server
	web *web.Server
	log *lines
}

// lines is a log that can be read while it is written.
type lines struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (l *lines) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(p)
}

func (l *lines) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.String()
}

func serve(t *testing.T, c *clinic.Clinic, change ...func(*web.Settings)) *house {
	t.Helper()
	h := &house{Clinic: c, t: t, log: &lines{}}
	s := c.Settings(h.log)
	for _, f := range change {
		f(&s)
	}
	w, err := web.New(s)
	require.NoError(t, err)
	h.web, h.srv = w, httptest.NewServer(w.Handler())
	t.Cleanup(h.srv.Close)
	return h
}

// reply is an answer, read whole.
type reply struct {
	*http.Response
	body string
}

// api asks with a token.
func (h *house) api(role, method, path, body string) reply {
	h.t.Helper()
	req, err := http.NewRequest(method, h.srv.URL+path, strings.NewReader(body))
	require.NoError(h.t, err)
	if role != "" {
		req.Header.Set("Authorization", "Bearer "+clinic.Tokens[role])
	}
	if body != "" {
		req.Header.Set("Content-Type", "application/json")
	}
	return h.do(&http.Client{CheckRedirect: stay}, req)
}

func stay(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }

func (h *house) do(c *http.Client, req *http.Request) reply {
	h.t.Helper()
	res, err := c.Do(req)
	require.NoError(h.t, err)
	b, err := io.ReadAll(res.Body)
	require.NoError(h.t, err)
	require.NoError(h.t, res.Body.Close())
	return reply{res, string(b)}
}

// visitor is a person with a browser.
type visitor struct {
	h *house
	c *http.Client
}

func (h *house) signIn(role string) *visitor {
	h.t.Helper()
	jar, err := cookiejar.New(nil)
	require.NoError(h.t, err)
	v := &visitor{h, &http.Client{Jar: jar, CheckRedirect: stay}}
	got := v.post("/sign-in", url.Values{"token": {clinic.Tokens[role]}})
	require.Equal(h.t, http.StatusSeeOther, got.StatusCode)
	return v
}

func (v *visitor) get(path string) reply {
	v.h.t.Helper()
	req, err := http.NewRequest(http.MethodGet, v.h.srv.URL+path, nil)
	require.NoError(v.h.t, err)
	return v.h.do(v.c, req)
}

func (v *visitor) post(path string, form url.Values) reply {
	v.h.t.Helper()
	req, err := http.NewRequest(http.MethodPost, v.h.srv.URL+path, strings.NewReader(form.Encode()))
	require.NoError(v.h.t, err)
	req.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	return v.h.do(v.c, req)
}

func (r reply) heading() string {
	m := regexp.MustCompile(`(?s)<h1[^>]*>(.*?)</h1>`).FindStringSubmatch(r.body)
	if m == nil {
		return ""
	}
	return strings.TrimSpace(html.UnescapeString(regexp.MustCompile(`(?s)<svg.*?</svg>|<[^>]+>`).ReplaceAllString(m[1], "")))
}

func (r reply) title() string {
	m := regexp.MustCompile(`<title>(.*?)</title>`).FindStringSubmatch(r.body)
	if m == nil {
		return ""
	}
	return m[1]
}

func TestHeadingIsTheAnswer(t *testing.T) {
	h := serve(t, clinic.New())
	v := h.signIn("reviewer")
	cause := regexp.MustCompile(`/holds/causes/[0-9a-f]+`).FindAllString(v.get("/holds").body, -1)[0]
	for _, tc := range []struct {
		name, path, heading string
		has                 []string
	}{
		{"today", "/", "412 went through to the record, 16 wait.", []string{"It adds up: nothing is lost.", "What needs a person", "The record system answers 503.", "tidegate started"}},
		{"holds", "/holds", "16 wait here, for 5 causes. Two of the patients are still in the clinic.", []string{"I.S. 1948", "3 more with this cause", "for the coordinator", "73 bytes came", "patient still here 2"}},
		{"holds of one kind", "/holds?show=critical", "16 wait here, for 5 causes. Two of the patients are still in the clinic.", []string{"critical 1"}},
		{"holds of one site", "/holds?site=harbour", "1 waits here, for 1 cause.", []string{"Harbour Street"}},
		{"cause", cause, "Strip lot 7K4O231 is not in the registry. 6 results wait for it.", []string{"tidegate import --config FILE strip_lots", "Check these 6 again"}},
		{"hold", "/holds/" + clinic.ID("c", 1), "INR 2.6 is held: strip lot 7K4O231 is not in the registry.", []string{"born 14 Mar 1948", "Nothing has been sent.", "byte 243 is 4F, the letter O", "the figure zero", "<mark>O</mark>", "(1 of 6)", "Release as it is", "L. Farrow, certified to 3 Mar 2027", "2 checks wait"}},
		{"hold in hex", "/holds/" + clinic.ID("c", 1) + "?bytes=hex", "INR 2.6 is held: strip lot 7K4O231 is not in the registry.", []string{"<mark>4F</mark>", "4D 53 48 7C"}},
		{"unread", "/holds/" + clinic.ID("c", 15), "An arrival is held: the message ends before the value.", []string{"‹0B›MSH", "There is no value that could be released."}},
		{"settled", "/holds/" + clinic.ID("c", 900), "INR 2.6 was held. It is settled.", []string{"r.ito corrected this at 09:32"}},
		{"result", "/results/" + clinic.DeliveredID, "In the record since 09:32:19, as version 2. One version was held, none was lost.", []string{"<s>7K4O231</s>", "<ins>7K40231</ins>", "Patient details hidden", "hidden</td>", "201 Created", "millrace.example/1"}},
		{"result with patient", "/results/" + clinic.DeliveredID + "?patient=show", "In the record since 09:32:19, as version 2. One version was held, none was lost.", []string{"T-100482, Sample, Iris"}},
		{"bytes that came", "/results/" + clinic.DeliveredID + "?part=came", "In the record since 09:32:19, as version 2. One version was held, none was lost.", []string{"PID|1||T-100482"}},
		{"bytes sent", "/results/" + clinic.DeliveredID + "?part=sent", "In the record since 09:32:19, as version 2. One version was held, none was lost.", []string{`&#34;resourceType&#34;: &#34;Bundle&#34;`}},
		{"every check", "/results/" + clinic.DeliveredID + "?part=checks", "In the record since 09:32:19, as version 2. One version was held, none was lost.", []string{"Every check of the newest version", "Meter unknown"}},
		{"held result", "/results/" + clinic.ID("b", 1), "Held since 08:06:26: strip lot 7K4O231 is not in the registry.", []string{"Settle it"}},
		{"find", "/find", "Where is it?", []string{"Birth date"}},
		{"nothing there", "/results/none", "Nothing here has this id.", nil},
		{"no such address", "/elsewhere", "Nothing is at this address.", nil},
	} {
		t.Run(tc.name, func(t *testing.T) {
			got := v.get(tc.path)
			assert.Equal(t, tc.heading, got.heading())
			for _, w := range tc.has {
				assert.Contains(t, got.body, w)
			}
		})
	}
}

func TestEmptyStates(t *testing.T) {
	v := serve(t, clinic.Empty()).signIn("reviewer")
	assert.Equal(t, "Nothing has come in yet.", v.get("/").heading())
	assert.Equal(t, "Nothing waits.", v.get("/holds").heading())
	found := v.get(v.post("/find", url.Values{"text": {"nowhere"}}).Header.Get("Location"))
	assert.Equal(t, "Nothing here.", found.heading())
	assert.Contains(t, found.body, "That is not “never measured”")
}

func TestSumThatDoesNotAddUpSaysSo(t *testing.T) {
	c := clinic.New()
	c.SetAccount(poct.Account{Arrivals: 10, Ends: poct.Ends{Delivered: 8}, Lost: 2})
	got := serve(t, c).signIn("reviewer").get("/")
	assert.Contains(t, got.body, "This does not add up: 10 came in, 8 are accounted for, 2 in no state at all.")
	assert.NotContains(t, got.body, "nothing is lost")
}

func TestBrokenPartIsSaidNotAssumed(t *testing.T) {
	c := clinic.New()
	h := serve(t, c)
	v := h.signIn("reviewer")
	c.BookDown = true
	got := v.get("/holds/" + clinic.ID("c", 1))
	assert.Equal(t, http.StatusOK, got.StatusCode)
	assert.Contains(t, got.body, "The registry has not answered.")
	assert.Contains(t, got.body, "no answer")
	assert.NotContains(t, got.body, "same number")
	list := v.get("/holds")
	assert.Equal(t, http.StatusOK, list.StatusCode)
	assert.Contains(t, list.body, "What it would have told is missing below, not assumed.")
}

func TestEveryAnswerIsGuarded(t *testing.T) {
	h := serve(t, clinic.New())
	v := h.signIn("reviewer")
	for _, path := range []string{"/", "/holds", "/holds/" + clinic.ID("c", 1), "/results/" + clinic.DeliveredID, "/find", "/sign-in", "/results/none", "/api/v1/account", "/api/v1/none", "/healthz"} {
		got := v.get(path)
		assert.Equal(t, "no-store", got.Header.Get("Cache-Control"), path)
		assert.Equal(t, "no-referrer", got.Header.Get("Referrer-Policy"), path)
		assert.Equal(t, "nosniff", got.Header.Get("X-Content-Type-Options"), path)
		csp := got.Header.Get("Content-Security-Policy")
		assert.Contains(t, csp, "default-src 'none'", path)
		assert.NotContains(t, csp, "unsafe", path)
		assert.NotRegexp(t, `(?i)<script>|<style|\sstyle=|\son[a-z]+=|javascript:`, got.body, path)
		assert.NotRegexp(t, `(?i)\b(error|invalid|please|oops)\b`, got.body, path)
	}
}

func TestNoPatientInAddressTitleOrLog(t *testing.T) {
	h := serve(t, clinic.New())
	v := h.signIn("auditor")
	canaries := []string{"Sample", "Iris", "SAMPLE", "IRIS", "T-100482", "1948", "19480314", "Kelmscote", "T-100720", "Aldergrove", "Tarnbeck", "T-100805"}
	clean := func(where, text string) {
		t.Helper()
		for _, c := range canaries {
			if strings.Contains(text, c) {
				t.Errorf("%s holds %q: %s", where, c, text)
			}
		}
	}
	queue, seen := []string{"/", "/holds", "/find"}, map[string]bool{}
	found := v.post("/find", url.Values{"patient": {"T-100482"}, "birth_date": {"1948-03-14"}})
	require.Equal(t, http.StatusSeeOther, found.StatusCode)
	queue = append(queue, found.Header.Get("Location"))
	for len(queue) > 0 {
		path := queue[0]
		queue = queue[1:]
		if seen[path] || len(seen) > 400 {
			continue
		}
		seen[path] = true
		got := v.get(path)
		clean("address", path)
		clean("title of "+path, got.title())
		for _, m := range regexp.MustCompile(`(?:href|action)="(/[^"#]*)`).FindAllStringSubmatch(got.body, -1) {
			queue = append(queue, html.UnescapeString(m[1]))
		}
	}
	assert.Greater(t, len(seen), 60, "the crawl must reach the pages")
	refused := h.api("reviewer", "POST", "/api/v1/find", `{"patient": "T-100482", "birth_date": "14 Iris"}`)
	assert.Equal(t, 422, refused.StatusCode)
	clean("a problem report", refused.body)
	clean("a problem report", h.api("reviewer", "POST", "/api/v1/find", `{"patient": T-100482}`).body)
	clean("the log", h.log.String())
	assert.Contains(t, h.log.String(), `"kind":"patient"`, "a search is logged, without its words")
}

// Typed on the page, a number stands beside a birth date: a slip in the number
// alone shows somebody else's results.
func TestFindPageAsksForTheBirthDate(t *testing.T) {
	h := serve(t, clinic.New())
	typed := h.signIn("reviewer").post("/find", url.Values{"patient": {"T-100482"}, "birth_date": {""}})
	assert.Equal(t, http.StatusUnprocessableEntity, typed.StatusCode)
	assert.Contains(t, typed.body, "Type the birth date as year, month, day: 1950-12-31.")
	assert.Equal(t, http.StatusForbidden, h.signIn("engineer").post("/find", url.Values{"patient": {"T-100482"}}).StatusCode)
}

func TestLooksComeFirst(t *testing.T) {
	c := clinic.New()
	broken := false
	h := serve(t, c, func(s *web.Settings) { s.Desk = deskThatCannotWrite{s.Desk, &broken} })
	v := h.signIn("reviewer")
	for _, tc := range []struct {
		path   string
		fields []string
	}{
		{"/holds", []string{"initials", "birth year", "inr"}},
		{"/holds/" + clinic.ID("c", 1), []string{"patient", "bytes", "history"}},
		{"/results/" + clinic.DeliveredID, []string{"timeline", "inr"}},
		{"/results/" + clinic.DeliveredID + "?patient=show", []string{"timeline", "inr", "patient"}},
		{"/results/" + clinic.DeliveredID + "?print=yes", []string{"timeline", "inr", "printed"}},
		{"/raw/holds/" + clinic.ID("c", 1), []string{"bytes"}},
		{"/raw/results/" + clinic.DeliveredID + "/" + clinic.ID("a", 900), []string{"bytes"}},
		{"/api/v1/holds", []string{"reading"}},
		{"/api/v1/holds/" + clinic.ID("c", 1), []string{"reading"}},
		{"/api/v1/results/" + clinic.DeliveredID, []string{"result", "patient"}},
		{"/api/v1/results/" + clinic.DeliveredID + "/trace", []string{"every version", "patient"}},
		{"/api/v1/arrivals/" + clinic.ID("a", 900) + "/raw", []string{"bytes"}},
	} {
		before := len(c.Looks())
		broken = false
		require.Equal(t, http.StatusOK, v.get(tc.path).StatusCode, tc.path)
		looks := c.Looks()[before:]
		require.Len(t, looks, 1, tc.path)
		assert.Equal(t, tc.fields, looks[0].Fields, tc.path)
		assert.Equal(t, "r.ito", looks[0].Actor)
		broken = true
		got := v.get(tc.path)
		assert.Equal(t, http.StatusInternalServerError, got.StatusCode, tc.path)
		for _, shown := range []string{"Sample", "T-100482", "I.S. 1948", "SAMPLE"} {
			assert.NotContains(t, got.body, shown, "%s: a look that cannot be written down shows nothing", tc.path)
		}
	}
}

type deskThatCannotWrite struct {
	web.Desk
	broken *bool
}

func (d deskThatCannotWrite) Look(ctx context.Context, a poct.Actor, ids, fields []string) error {
	if *d.broken {
		return errors.New("disk full")
	}
	return d.Desk.Look(ctx, a, ids, fields)
}

func TestCriticalStandsFirstUntilAPersonWasTold(t *testing.T) {
	h := serve(t, clinic.New())
	v := h.signIn("clinician")
	for _, path := range []string{"/", "/holds"} {
		body := v.get(path).body
		at := strings.Index(body, "Critical: INR 6.1")
		require.Positive(t, at, path)
		assert.Less(t, at, strings.Index(body, `class="panel`), "before everything else on %s", path)
	}
	id := clinic.ID("b", 0)
	wrong := v.post("/results/"+id+"/acknowledge", url.Values{"hold": {clinic.ID("c", 0)}, "read_back": {"1.6"}, "to": {"Nurse at Quay House"}, "comment": {"By phone 10:02"}})
	assert.Equal(t, http.StatusUnprocessableEntity, wrong.StatusCode)
	assert.Contains(t, wrong.body, "They read back 1.6; the result is 6.1. Say it again.")
	assert.Contains(t, wrong.body, "Nurse at Quay House", "what was typed survives")
	short := v.post("/results/"+id+"/acknowledge", url.Values{"read_back": {"6.1"}, "comment": {"told"}})
	assert.Contains(t, short.body, "Write whom you called")
	good := v.post("/results/"+id+"/acknowledge", url.Values{"hold": {clinic.ID("c", 0)}, "read_back": {"6,1"}, "to": {"Nurse at Quay House"}, "comment": {"By phone 10:02"}})
	assert.Equal(t, http.StatusSeeOther, good.StatusCode)
	assert.Equal(t, "/holds/"+clinic.ID("c", 0), good.Header.Get("Location"))
	assert.NotContains(t, v.get("/holds").body, "Critical: INR 6.1")
	again := v.post("/results/"+id+"/acknowledge", url.Values{"read_back": {"6.1"}, "to": {"Nurse at Quay House, once more"}})
	assert.Equal(t, http.StatusConflict, again.StatusCode)
}

// The list that programs read shows it first too, however young it is, and on
// the first page alone.
func TestCriticalStandsFirstInTheAPI(t *testing.T) {
	c := clinic.New()
	c.Crowd(300) // all of them days older
	h := serve(t, c)
	type page struct {
		Holds []poct.HoldRecord `json:"holds"`
		Total int               `json:"total"`
		Next  string            `json:"next"`
	}
	read := func(query string) (p page) {
		got := h.api("clinician", "GET", "/api/v1/holds"+query, "")
		require.Equal(t, http.StatusOK, got.StatusCode, got.body)
		require.NoError(t, json.Unmarshal([]byte(got.body), &p))
		return p
	}
	first := read("?limit=10")
	require.Equal(t, clinic.ID("c", 0), first.Holds[0].ID)
	seen := map[string]int{}
	for p := first; ; p = read("?limit=10&after=" + p.Next) {
		for _, hold := range p.Holds {
			seen[hold.ID]++
		}
		if p.Next == "" {
			break
		}
	}
	assert.Len(t, seen, first.Total, "every hold on some page")
	assert.Equal(t, 1, seen[clinic.ID("c", 0)])

	told := h.api("clinician", "POST", "/api/v1/results/"+clinic.ID("b", 0)+"/acknowledge", `{"to":"Nurse at Quay House","read_back":"6.1","comment":"By phone"}`)
	require.Equal(t, http.StatusOK, told.StatusCode, told.body)
	assert.NotEqual(t, clinic.ID("c", 0), read("?limit=10").Holds[0].ID, "once told, it waits by age")
}

func TestTenThousandHolds(t *testing.T) {
	c := clinic.New()
	c.Crowd(10000)
	v := serve(t, c).signIn("reviewer")
	seen := map[string]bool{}
	pages := 0
	for path := "/holds"; path != ""; pages++ {
		got := v.get(path)
		assert.Equal(t, "10\u202f016 wait here, for 1\u202f005 causes.", got.heading())
		groups := regexp.MustCompile(`<tr class="group">`).FindAllString(got.body, -1)
		assert.LessOrEqual(t, len(groups), 100)
		for _, m := range regexp.MustCompile(`/holds/causes/[0-9a-f]+">\d`).FindAllString(got.body, -1) {
			assert.False(t, seen[m], "a cause stands on one page only")
			seen[m] = true
		}
		path = ""
		if m := regexp.MustCompile(`href="([^"]+)">The next 100 causes`).FindStringSubmatch(got.body); m != nil {
			path = html.UnescapeString(m[1])
		}
	}
	assert.Equal(t, 11, pages)
	assert.Len(t, seen, 1002, "every cause with more than three holds was listed")

	total, next := 0, ""
	for {
		got := v.get("/api/v1/holds?limit=1000&after=" + next)
		var page struct {
			Holds []poct.HoldRecord `json:"holds"`
			Total int               `json:"total"`
			Next  string            `json:"next"`
		}
		require.NoError(t, json.Unmarshal([]byte(got.body), &page))
		require.Equal(t, 10016, page.Total)
		if total += len(page.Holds); page.Next == "" {
			break
		}
		next = page.Next
	}
	assert.Equal(t, 10016, total)
}

func BenchmarkHoldsPage10000(b *testing.B) {
	c := clinic.New()
	c.Crowd(10000)
	w, err := web.New(c.Settings(io.Discard))
	if err != nil {
		b.Fatal(err)
	}
	for b.Loop() {
		req := httptest.NewRequest(http.MethodGet, "/holds", nil)
		req.Header.Set("Authorization", "Bearer "+clinic.Tokens["reviewer"])
		rec := httptest.NewRecorder()
		w.Handler().ServeHTTP(rec, req)
		if rec.Code != http.StatusOK {
			b.Fatal(rec.Code)
		}
	}
}

func TestPanicTellsNothing(t *testing.T) {
	h := serve(t, clinic.New())
	web.Handle(h.web, func() error { panic("Iris Sample T-100482") })
	rec := httptest.NewRecorder()
	h.web.Handler().ServeHTTP(rec, httptest.NewRequest(http.MethodGet, "/test", nil))
	assert.Equal(t, http.StatusInternalServerError, rec.Code)
	assert.NotContains(t, rec.Body.String(), "Iris")
	assert.NotContains(t, h.log.String(), "Iris")
	assert.Contains(t, h.log.String(), "a page stopped half way")
}

func TestListenKeepsToThisMachine(t *testing.T) {
	for addr, ok := range map[string]bool{"127.0.0.1:0": true, "0.0.0.0:0": false, ":0": false, "192.0.2.7:8460": false, "nonsense": false} {
		s := clinic.New().Settings(io.Discard)
		s.Listen = addr
		w, err := web.New(s)
		require.NoError(t, err)
		err = w.Listen()
		assert.Equal(t, ok, err == nil, addr)
		if ok {
			ctx, cancel := context.WithCancel(t.Context())
			done := make(chan error, 1)
			go func() { done <- w.Run(ctx) }()
			res, err := http.Get("http://" + w.Addr() + "/healthz")
			require.NoError(t, err)
			require.NoError(t, res.Body.Close())
			cancel()
			assert.NoError(t, <-done)
			assert.NoError(t, w.Close())
			assert.NoError(t, w.Close())
		}
	}
}

func TestReadiness(t *testing.T) {
	var why []string
	h := serve(t, clinic.New(), func(s *web.Settings) {
		s.Ready = func(context.Context) []string { return why }
		s.Metrics = http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { _, _ = io.WriteString(w, "tidegate_build_info 1\n") })
	})
	assert.Equal(t, http.StatusOK, h.api("", "GET", "/healthz", "").StatusCode)
	assert.JSONEq(t, `{"ready": true, "why": []}`, h.api("", "GET", "/readyz", "").body)
	why = []string{"the disk is nearly full"}
	got := h.api("", "GET", "/readyz", "")
	assert.Equal(t, http.StatusServiceUnavailable, got.StatusCode)
	assert.JSONEq(t, `{"ready": false, "why": ["the disk is nearly full"]}`, got.body)
	assert.Contains(t, h.api("", "GET", "/metrics", "").body, "tidegate_build_info")
}

func TestWeakTokensAndUnknownRolesAreRefusedAtStart(t *testing.T) {
	for name, p := range map[string]web.Person{
		"short token":  {Token: "short", Actor: poct.Actor{Name: "a", Role: "reviewer"}},
		"unknown role": {Token: strings.Repeat("x", 20), Actor: poct.Actor{Name: "a", Role: "owner"}},
		"no name":      {Token: strings.Repeat("x", 20), Actor: poct.Actor{Role: "reviewer"}},
		"the system":   {Token: strings.Repeat("x", 20), Actor: poct.Actor{Name: poct.System, Role: "reviewer"}},
	} {
		s := clinic.New().Settings(io.Discard)
		s.People = []web.Person{p}
		_, err := web.New(s)
		require.Error(t, err, name)
		assert.NotContains(t, err.Error(), p.Token+" ", name)
	}
}

func TestSession(t *testing.T) {
	c := clinic.New()
	h := serve(t, c)
	v := h.signIn("reviewer")
	u, err := url.Parse(h.srv.URL)
	require.NoError(t, err)
	require.Len(t, v.c.Jar.Cookies(u), 1)

	raw := h.api("", "POST", "/sign-in", "")
	assert.Equal(t, http.StatusForbidden, raw.StatusCode, "no token, no session")
	assert.Contains(t, raw.body, "This token is not known here.")

	c.Pass(14 * time.Minute)
	assert.Contains(t, v.get("/live").body, `"left":60`, "asking for counts keeps nothing alive")
	assert.Equal(t, http.StatusNoContent, v.post("/stay", nil).StatusCode)
	c.Pass(14 * time.Minute)
	assert.Equal(t, http.StatusOK, v.get("/holds").StatusCode)
	c.Pass(14 * time.Minute)
	v.get("/live")
	c.Pass(2 * time.Minute)
	got := v.get("/holds")
	assert.Equal(t, http.StatusSeeOther, got.StatusCode, "idle for 16 minutes")
	assert.Equal(t, "/sign-in?to=/holds", got.Header.Get("Location"))
	assert.Equal(t, http.StatusUnauthorized, v.get("/live").StatusCode)

	v = h.signIn("reviewer")
	for range 80 { // active all day
		c.Pass(10 * time.Minute)
		got = v.get("/holds")
	}
	assert.Equal(t, http.StatusSeeOther, got.StatusCode, "twelve hours end a session")

	v = h.signIn("reviewer")
	v.post("/sign-out", nil)
	assert.Equal(t, http.StatusSeeOther, v.get("/holds").StatusCode)
}

func TestCookieIsForThisHostAndNoScript(t *testing.T) {
	h := serve(t, clinic.New())
	req, err := http.NewRequest(http.MethodPost, h.srv.URL+"/sign-in", strings.NewReader(url.Values{"token": {clinic.Tokens["nurse"]}, "to": {"//elsewhere.example/"}}.Encode()))
	require.NoError(t, err)
	req.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	got := h.do(&http.Client{CheckRedirect: stay}, req)
	assert.Equal(t, "/meters", got.Header.Get("Location"), "never to another host; a nurse's first page")
	require.Len(t, got.Cookies(), 1)
	k := got.Cookies()[0]
	assert.True(t, k.HttpOnly)
	assert.Equal(t, http.SameSiteLaxMode, k.SameSite)
	assert.Equal(t, "/", k.Path)
	assert.Empty(t, k.Domain)
}

func TestPostsFromOtherSitesAreRefused(t *testing.T) {
	h := serve(t, clinic.New())
	v := h.signIn("reviewer")
	for name, header := range map[string]http.Header{"cross-site": {"Sec-Fetch-Site": {"cross-site"}}, "same-site": {"Sec-Fetch-Site": {"same-site"}}, "foreign origin": {"Origin": {"https://elsewhere.example"}}} {
		req, err := http.NewRequest(http.MethodPost, h.srv.URL+"/holds/"+clinic.ID("c", 1)+"/settle", strings.NewReader("act=discard&version=1&reason=a+long+enough+reason"))
		require.NoError(t, err)
		req.Header = header
		req.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		assert.Equal(t, http.StatusForbidden, h.do(v.c, req).StatusCode, name)
	}
	hold, err := h.Hold(t.Context(), clinic.ID("c", 1))
	require.NoError(t, err)
	assert.True(t, hold.Open)
}

func TestRolesRefused(t *testing.T) {
	h := serve(t, clinic.New())
	roles := []string{"nurse", "clinician", "reviewer", "coordinator", "engineer", "auditor", "admin"}
	fill := strings.NewReplacer("{$}", "", "{id}", "none", "{serial}", "none", "{result}", "none", "{meter}", "none", "{lot}", "none", "{n}", "0", "{kind}", "sites", "{token}", "none", "{arrival}", "none")
	for _, r := range web.Routes() {
		path := fill.Replace(r.Path)
		if r.May == nil {
			continue
		}
		nobody := h.api("", r.Method, path, "")
		if r.Page {
			assert.Equal(t, http.StatusSeeOther, nobody.StatusCode, "%s %s without sign-in", r.Method, r.Path)
		} else {
			assert.Equal(t, http.StatusUnauthorized, nobody.StatusCode, "%s %s without a token", r.Method, r.Path)
			assert.NotEmpty(t, nobody.Header.Get("WWW-Authenticate"))
		}
		for _, role := range roles {
			got := h.api(role, r.Method, path, "").StatusCode
			if may := slices.Contains(r.May, role); may && got == http.StatusUnauthorized || !may && got != http.StatusForbidden {
				t.Errorf("%s %s as %s: status %d, allowed %v", r.Method, r.Path, role, got, may)
			}
		}
	}
}

// TestWhoMay writes the table down a second time, as whoever answers for it
// would: a row changed by accident shows here.
func TestWhoMay(t *testing.T) {
	staff, read := "clinician coordinator reviewer", "auditor clinician coordinator reviewer"
	want := map[string]string{
		"GET /api/v1/account": "auditor clinician coordinator engineer reviewer", "GET /api/v1/listeners": "auditor clinician coordinator engineer reviewer",
		"GET /api/v1/holds": read, "GET /api/v1/holds/{id}": read, "POST /api/v1/holds/{id}/settle": staff,
		"GET /api/v1/arrivals/{id}": "auditor clinician coordinator engineer reviewer", "GET /api/v1/arrivals/{id}/raw": "auditor clinician coordinator engineer reviewer",
		"GET /api/v1/outlets": "auditor clinician coordinator engineer reviewer", "POST /api/v1/outlets/{id}/pause": "coordinator engineer", "POST /api/v1/outlets/{id}/resume": "coordinator engineer",
		"GET /api/v1/results/{id}": read, "GET /api/v1/results/{id}/trace": read, "POST /api/v1/results/{id}/acknowledge": staff,
		"GET /api/v1/meters":            "auditor clinician coordinator engineer nurse reviewer",
		"GET /api/v1/ledger/checkpoint": "auditor clinician coordinator engineer reviewer", "GET /api/v1/ledger/proof/{n}": read,
		"POST /api/v1/find": "auditor clinician coordinator engineer reviewer", "POST /api/v1/registry/{kind}": "coordinator engineer",
		"GET /api/v1/quality/controls/{meter}": read, "POST /api/v1/quality/controls/{meter}/actions": "coordinator",
		"GET /api/v1/quality/lots/{lot}": read, "POST /api/v1/quality/lots/{lot}/read-back": staff, "POST /api/v1/quality/lots/{lot}/decide": "coordinator",
		"GET /api/v1/quality/comparison": read, "GET /api/v1/quality/device-errors": read, "POST /api/v1/quality/time-in-range": "auditor clinician coordinator",
		"GET /api/v1/meters/{serial}/readiness": "auditor clinician coordinator engineer nurse reviewer", "GET /api/v1/checks": "admin auditor clinician coordinator engineer nurse reviewer",
		"GET /api/v1/lookbacks": read, "GET /api/v1/lookbacks/{id}": read, "POST /api/v1/lookbacks/{id}/items/{result}": "clinician coordinator", "POST /api/v1/lookbacks/{id}/widen": "clinician coordinator",
		"GET /api/v1/calls": read, "POST /api/v1/results/{id}/call": staff, "POST /api/v1/results/{id}/withdraw": staff,
		"POST /api/v1/export": "auditor", "GET /api/v1/openapi.json": "admin auditor clinician coordinator engineer nurse reviewer",
	}
	maps.Copy(want, whoMayAdminister)
	got := map[string]string{}
	for _, r := range web.Routes() {
		if r.API {
			may := slices.Clone(r.May)
			slices.Sort(may)
			got[r.Method+" "+r.Path] = strings.Join(may, " ")
		}
	}
	assert.Equal(t, want, got)
}
