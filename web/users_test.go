package web_test

import (
	"encoding/json"
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidegate/poct"
	"tidegate/store"
	"tidegate/testkit/clinic"
	"tidegate/web"
)

// whoMayAdminister is a part of the table that TestWhoMay writes down.
var whoMayAdminister = map[string]string{
	"GET /api/v1/users": "admin", "POST /api/v1/users": "admin", "POST /api/v1/users/{id}": "admin", "POST /api/v1/users/{id}/reset": "admin",
	"GET /api/v1/tokens": "admin", "POST /api/v1/tokens": "admin", "POST /api/v1/tokens/{id}/revoke": "admin",
}

const goodPassword = "a kettle on a slow train"

// guarded is a clinic with users, kept in a real store under the clinic's clock.
func guarded(t *testing.T, change ...func(*web.Settings)) (*house, *clinic.Clinic, *store.Store) {
	t.Helper()
	c := clinic.New()
	s, err := store.Open(t.TempDir(), store.Options{Now: c.Now})
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, s.Close()) })
	return serve(t, c, append([]func(*web.Settings){func(x *web.Settings) { x.Access = s }}, change...)...), c, s
}

// stranger is a browser in which nobody is signed in.
func (h *house) stranger() *visitor {
	h.t.Helper()
	jar, err := cookiejar.New(nil)
	require.NoError(h.t, err)
	return &visitor{h, &http.Client{Jar: jar, CheckRedirect: stay}}
}

var shownCode = regexp.MustCompile(`<code class="command">([^<]+)</code>`)

// join adds a user through the pages and sets their password by the code.
func (h *house) join(name string, form url.Values) *visitor {
	h.t.Helper()
	admin := h.signIn("admin")
	form.Set("name", name)
	page := admin.post("/users", form)
	require.Equal(h.t, http.StatusOK, page.StatusCode, page.body)
	code := shownCode.FindStringSubmatch(page.body)[1]
	v := h.stranger()
	got := v.post("/sign-in/set-password", url.Values{"name": {name}, "code": {strings.ToLower(code)}, "password": {goodPassword}, "again": {goodPassword}})
	require.Equal(h.t, http.StatusSeeOther, got.StatusCode, got.body)
	return v
}

func (v *visitor) password(name, password string) reply {
	v.h.t.Helper()
	return v.post("/sign-in", url.Values{"name": {name}, "password": {password}})
}

func TestTheFirstAdministratorByCode(t *testing.T) {
	h, c, _ := guarded(t)
	v := h.stranger()
	assert.Contains(t, v.get("/sign-in").body, "There is no user here yet.")
	old, _, err := h.web.FirstCode(t.Context())
	require.NoError(t, err)
	code, until, err := h.web.FirstCode(t.Context())
	require.NoError(t, err)
	assert.Equal(t, c.Now().Add(24*time.Hour), until)
	assert.Regexp(t, `^([A-Z2-7]{4}-){4}[A-Z2-7]{4}$`, code)

	form := func(code, password, again string) url.Values {
		return url.Values{"name": {"N.Kaya"}, "code": {code}, "password": {password}, "again": {again}}
	}
	for name, tc := range map[string]struct {
		form   url.Values
		status int
		says   string
	}{
		"an earlier code":             {form(old, goodPassword, goodPassword), 403, "This code is not for this name"},
		"a short password":            {form(code, "fourteen chars", "fourteen chars"), 422, "15 characters or more"},
		"not alike":                   {form(code, goodPassword, goodPassword+"s"), 422, "The two are not alike."},
		"a name of the configuration": {url.Values{"name": {"r.ito"}, "code": {code}, "password": {goodPassword}, "again": {goodPassword}}, 422, "nobody else"},
	} {
		got := v.post("/sign-in/set-password", tc.form)
		assert.Equal(t, tc.status, got.StatusCode, name)
		assert.Contains(t, got.body, tc.says, name)
		assert.NotContains(t, got.body, goodPassword, name)
	}
	got := v.post("/sign-in/set-password", form(code, goodPassword, goodPassword))
	require.Equal(t, http.StatusSeeOther, got.StatusCode)
	assert.Equal(t, "/users", got.Header.Get("Location"), "an administrator's first page")
	assert.Equal(t, "1 user may sign in here.", v.get("/users").heading())
	assert.Equal(t, http.StatusForbidden, h.stranger().post("/sign-in/set-password", form(code, goodPassword, goodPassword)).StatusCode, "once")
	code, _, err = h.web.FirstCode(t.Context())
	require.NoError(t, err)
	assert.Empty(t, code, "there is one now")
}

func TestUserFromCodeToLockOut(t *testing.T) {
	h, _, s := guarded(t)
	v := h.join("l.farrow", url.Values{"role": {"clinician", "nurse"}, "sites": {"harbour, millrace"}, "operators": {"204 118"}})
	u, err := s.User(t.Context(), "l.farrow")
	require.NoError(t, err)
	assert.Equal(t, []string{"clinician", "nurse"}, u.Roles)
	assert.Equal(t, "204,118", u.Actor().Operator)
	assert.Equal(t, http.StatusOK, v.get("/holds").StatusCode)
	assert.Equal(t, http.StatusForbidden, v.get("/users").StatusCode)

	v2 := h.stranger()
	assert.Equal(t, http.StatusForbidden, v2.password("l.farrow", goodPassword+".").StatusCode)
	assert.Equal(t, http.StatusSeeOther, v2.password(" L.Farrow", goodPassword).StatusCode)

	other := "another long password"
	got := v2.post("/password", url.Values{"present": {"not the present one"}, "password": {other}, "again": {other}})
	assert.Equal(t, http.StatusForbidden, got.StatusCode)
	got = v2.post("/password", url.Values{"present": {goodPassword}, "password": {other}, "again": {other}})
	assert.Equal(t, http.StatusSeeOther, got.StatusCode)
	assert.Equal(t, http.StatusOK, v2.get("/holds").StatusCode)
	assert.Equal(t, http.StatusSeeOther, v.get("/holds").StatusCode, "signed out elsewhere")
	assert.Equal(t, http.StatusForbidden, v.password("l.farrow", goodPassword).StatusCode)

	admin := h.signIn("admin")
	assert.Equal(t, http.StatusSeeOther, admin.post("/users/l.farrow", url.Values{"role": {"nurse"}, "sites": {"harbour"}}).StatusCode)
	assert.Equal(t, http.StatusForbidden, v2.get("/holds").StatusCode, "a role that is taken away is gone at once")
	assert.Equal(t, http.StatusSeeOther, admin.post("/users/l.farrow", url.Values{"role": {"nurse"}, "sites": {"harbour"}, "disabled": {"yes"}}).StatusCode)
	assert.Equal(t, http.StatusSeeOther, v2.get("/meters").StatusCode)
	assert.Equal(t, http.StatusForbidden, v2.password("l.farrow", other).StatusCode)
	for form, says := range map[string]string{"sites=nowhere&role=nurse": "The registry has no site of this id: nowhere.", "sites=*": "Choose at least one role.", "role=owner&sites=*": "Roles are nurse"} {
		q, err := url.ParseQuery(form)
		require.NoError(t, err)
		got := admin.post("/users/l.farrow", q)
		assert.Equal(t, http.StatusUnprocessableEntity, got.StatusCode, form)
		assert.Contains(t, got.body, says, form)
	}
	assert.NotContains(t, h.log.String(), goodPassword)
}

func TestGuessingIsSlowedAndTellsNothing(t *testing.T) {
	h, c, _ := guarded(t)
	h.join("l.farrow", url.Values{"role": {"clinician"}, "sites": {"*"}})
	v := h.stranger()
	known, unknown := v.password("l.farrow", "a wrong long password"), v.password("m.nobody", "a wrong long password")
	assert.Equal(t, known.StatusCode, unknown.StatusCode)
	assert.Equal(t, strings.ReplaceAll(known.body, "l.farrow", "m.nobody"), unknown.body, "the same answer")
	for range 4 {
		assert.Equal(t, http.StatusForbidden, v.password("l.farrow", "a wrong long password").StatusCode)
		assert.Equal(t, http.StatusForbidden, v.password("m.nobody", "a wrong long password").StatusCode)
	}
	c.Pass(100 * time.Millisecond)
	known, unknown = v.password("l.farrow", goodPassword), v.password("m.nobody", goodPassword)
	assert.Equal(t, http.StatusTooManyRequests, known.StatusCode, "even the right one is not looked at")
	assert.Equal(t, "1", known.Header.Get("Retry-After"))
	assert.Equal(t, strings.ReplaceAll(known.body, "l.farrow", "m.nobody"), unknown.body)
	c.Pass(time.Second)
	assert.Equal(t, http.StatusForbidden, v.password("l.farrow", "a wrong long password").StatusCode)
	assert.Equal(t, "2", v.password("l.farrow", goodPassword).Header.Get("Retry-After"), "twice as long")
	c.Pass(2 * time.Second)
	assert.Equal(t, http.StatusSeeOther, v.password("l.farrow", goodPassword).StatusCode)
	assert.NotContains(t, h.log.String(), "m.nobody", "what was typed as a name may be a password")

	for range 4 { // one address through many names
		for _, name := range []string{"a1", "b1", "c1", "d1", "e1"} {
			v.password(name, "a wrong long password")
		}
	}
	assert.Equal(t, http.StatusTooManyRequests, v.password("f1", "a wrong long password").StatusCode)
}

func TestSessionIsNewAfterSignInAndOutlivesTheServer(t *testing.T) {
	h, c, s := guarded(t)
	v := h.join("l.farrow", url.Values{"role": {"clinician"}, "sites": {"*"}})
	u, err := url.Parse(h.srv.URL)
	require.NoError(t, err)
	first := v.c.Jar.Cookies(u)[0].Value
	require.Equal(t, http.StatusSeeOther, v.password("l.farrow", goodPassword).StatusCode)
	second := v.c.Jar.Cookies(u)[0].Value
	assert.NotEqual(t, first, second)
	req, err := http.NewRequest(http.MethodGet, h.srv.URL+"/holds", nil)
	require.NoError(t, err)
	req.AddCookie(&http.Cookie{Name: "tidegate", Value: first})
	assert.Equal(t, http.StatusSeeOther, h.do(&http.Client{CheckRedirect: stay}, req).StatusCode, "the old one is over")

	byToken := h.signIn("reviewer")
	again := serve(t, c, func(x *web.Settings) { x.Access = s })
	moved := func(v *visitor) *visitor {
		x := again.stranger()
		to, err := url.Parse(again.srv.URL)
		require.NoError(t, err)
		x.c.Jar.SetCookies(to, v.c.Jar.Cookies(u))
		return x
	}
	assert.Equal(t, http.StatusOK, moved(v).get("/holds").StatusCode)
	assert.Equal(t, http.StatusOK, moved(byToken).get("/holds").StatusCode)
	again = serve(t, c, func(x *web.Settings) { x.Access, x.People = s, nil })
	assert.Equal(t, http.StatusSeeOther, moved(byToken).get("/holds").StatusCode, "the token was taken out of the configuration")
	c.Pass(16 * time.Minute)
	assert.Equal(t, http.StatusSeeOther, moved(v).get("/holds").StatusCode)
}

func TestAccessTokenHasScopeAndEnd(t *testing.T) {
	h, c, _ := guarded(t)
	got := h.api("admin", "POST", "/api/v1/tokens", `{"name": "ward board", "roles": ["reviewer"], "sites": ["harbour"], "read_only": true, "days": 2}`)
	require.Equal(t, http.StatusOK, got.StatusCode, got.body)
	token := regexp.MustCompile(`"token":"(tidegate_[^"]+)"`).FindStringSubmatch(got.body)[1]
	id := regexp.MustCompile(`"id":"([^"]+)"`).FindStringSubmatch(got.body)[1]
	ask := func(method, path, body string) int {
		req, err := http.NewRequest(method, h.srv.URL+path, strings.NewReader(body))
		require.NoError(t, err)
		req.Header.Set("Authorization", "Bearer "+token)
		req.Header.Set("Content-Type", "application/json")
		return h.do(&http.Client{CheckRedirect: stay}, req).StatusCode
	}
	assert.Equal(t, http.StatusOK, ask("GET", "/api/v1/holds", ""))
	assert.Equal(t, http.StatusNotFound, ask("GET", "/api/v1/holds/"+clinic.ID("c", 1), ""), "of another site")
	assert.Equal(t, http.StatusOK, ask("POST", "/api/v1/find", `{"text": "M-2041"}`), "a question")
	assert.Equal(t, http.StatusForbidden, ask("POST", "/api/v1/holds/"+clinic.ID("c", 1)+"/settle", `{}`), "an act")
	assert.Equal(t, http.StatusForbidden, ask("GET", "/api/v1/users", ""))
	assert.NotContains(t, h.api("admin", "GET", "/api/v1/tokens", "").body, token)

	c.Pass(48 * time.Hour)
	assert.Equal(t, http.StatusUnauthorized, ask("GET", "/api/v1/holds", ""), "it has ended")
	c.Pass(-time.Hour)
	assert.Equal(t, http.StatusOK, ask("GET", "/api/v1/holds", ""))
	assert.Equal(t, http.StatusOK, h.api("admin", "POST", "/api/v1/tokens/"+id+"/revoke", "").StatusCode)
	assert.Equal(t, http.StatusUnauthorized, ask("GET", "/api/v1/holds", ""))
	assert.Equal(t, http.StatusUnprocessableEntity, h.api("admin", "POST", "/api/v1/tokens", `{"name": "x", "roles": ["admin"], "sites": ["*"]}`).StatusCode)
}

func TestUsersByAPI(t *testing.T) {
	h, _, s := guarded(t)
	added := h.api("admin", "POST", "/api/v1/users", `{"name": "p.lund", "roles": ["coordinator"], "sites": ["millrace"]}`)
	require.Equal(t, http.StatusOK, added.StatusCode, added.body)
	assert.Equal(t, http.StatusUnprocessableEntity, h.api("admin", "POST", "/api/v1/users", `{"name": "p.lund", "roles": ["coordinator"], "sites": ["millrace"]}`).StatusCode, "the name is taken")
	assert.Equal(t, http.StatusUnprocessableEntity, h.api("admin", "POST", "/api/v1/users", `{"name": "r.ito", "roles": ["coordinator"], "sites": ["millrace"]}`).StatusCode, "a token's name")
	changed := h.api("admin", "POST", "/api/v1/users/p.lund", `{"operators": ["7"]}`)
	require.Equal(t, http.StatusOK, changed.StatusCode)
	u, err := s.User(t.Context(), "p.lund")
	require.NoError(t, err)
	assert.Equal(t, poct.User{Name: "p.lund", Roles: []string{"coordinator"}, Sites: []string{"millrace"}, Operators: []string{"7"}, Made: u.Made}, u, "what is left out stays")
	reset := h.api("admin", "POST", "/api/v1/users/p.lund/reset", "")
	require.Equal(t, http.StatusOK, reset.StatusCode)
	assert.NotEqual(t, added.body, reset.body)
	assert.Equal(t, http.StatusNotFound, h.api("admin", "POST", "/api/v1/users/nobody/reset", "").StatusCode)
	assert.Contains(t, h.api("admin", "GET", "/api/v1/users", "").body, `"ready":false`)

	b, err := json.Marshal(web.OpenAPI())
	require.NoError(t, err)
	var doc struct {
		Components struct{ Schemas map[string]any }
	}
	require.NoError(t, json.Unmarshal(b, &doc))
	for name, body := range map[string]string{"UserCode": added.body, "User": changed.body, "Users": h.api("admin", "GET", "/api/v1/users", "").body, "Tokens": h.api("admin", "GET", "/api/v1/tokens", "").body} {
		var v any
		require.NoError(t, json.Unmarshal([]byte(body), &v))
		fits(t, doc.Components.Schemas, name, doc.Components.Schemas[name].(map[string]any), v)
	}
}
