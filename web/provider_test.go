package web_test

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/go-jose/go-jose/v4"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidegate/testkit/clinic"
	"tidegate/web"
)

// idp is an identity provider in this process that errs on request. It judges
// by OpenID Connect Core 1.0 and RFC 7636 alone and shares no code with ours.
type idp struct {
	t   *testing.T
	srv *httptest.Server
	now func() time.Time
	key *ecdsa.PrivateKey

	mu     sync.Mutex
	asked  map[string]url.Values // by code
	claims map[string]any        // beyond what every id_token has
	spoil  func(claims map[string]any)
	signer *ecdsa.PrivateKey // another key than the published one
	answer func(rw http.ResponseWriter) bool
	tokens int // id_tokens given out
}

func newIDP(t *testing.T, now func() time.Time) *idp {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	require.NoError(t, err)
	p := &idp{t: t, now: now, key: key, asked: map[string]url.Values{}}
	m := http.NewServeMux()
	m.HandleFunc("GET /.well-known/openid-configuration", func(rw http.ResponseWriter, _ *http.Request) {
		p.json(rw, map[string]any{"issuer": p.srv.URL, "authorization_endpoint": p.srv.URL + "/authorize", "token_endpoint": p.srv.URL + "/token", "jwks_uri": p.srv.URL + "/keys",
			"response_types_supported": []string{"code"}, "subject_types_supported": []string{"public"}, "id_token_signing_alg_values_supported": []string{"ES256"}})
	})
	m.HandleFunc("GET /keys", func(rw http.ResponseWriter, _ *http.Request) {
		p.json(rw, jose.JSONWebKeySet{Keys: []jose.JSONWebKey{{Key: &key.PublicKey, KeyID: "k1", Algorithm: "ES256", Use: "sig"}}})
	})
	m.HandleFunc("POST /token", p.token)
	p.srv = httptest.NewServer(m)
	t.Cleanup(p.srv.Close)
	return p
}

func (p *idp) json(rw http.ResponseWriter, v any) {
	rw.Header().Set("Content-Type", "application/json")
	_ = json.NewEncoder(rw).Encode(v)
}

// authorize is what the person does at the provider: it returns where the
// browser is sent.
func (p *idp) authorize(at string) string {
	u, err := url.Parse(at)
	require.NoError(p.t, err)
	require.Equal(p.t, p.srv.URL+"/authorize", u.Scheme+"://"+u.Host+u.Path)
	q := u.Query()
	assert.Equal(p.t, "code", q.Get("response_type"))
	assert.Equal(p.t, "S256", q.Get("code_challenge_method"))
	assert.GreaterOrEqual(p.t, len(q.Get("state")), 22)
	assert.GreaterOrEqual(p.t, len(q.Get("nonce")), 22)
	assert.Contains(p.t, strings.Fields(q.Get("scope")), "openid")
	code := rand.Text()
	p.mu.Lock()
	p.asked[code] = q
	p.mu.Unlock()
	return q.Get("redirect_uri") + "?" + url.Values{"code": {code}, "state": {q.Get("state")}}.Encode()
}

func (p *idp) token(rw http.ResponseWriter, r *http.Request) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.answer != nil && p.answer(rw) {
		return
	}
	_ = r.ParseForm()
	q, ok := p.asked[r.PostForm.Get("code")]
	delete(p.asked, r.PostForm.Get("code"))
	sum := sha256.Sum256([]byte(r.PostForm.Get("code_verifier")))
	id, secret, _ := r.BasicAuth()
	secret, _ = url.QueryUnescape(secret) // RFC 6749 2.3.1: both are form-encoded first
	if !ok || base64.RawURLEncoding.EncodeToString(sum[:]) != q.Get("code_challenge") || r.PostForm.Get("redirect_uri") != q.Get("redirect_uri") || id != "tidegate" || secret != "a client's own secret" {
		rw.WriteHeader(http.StatusBadRequest)
		p.json(rw, map[string]string{"error": "invalid_grant"})
		return
	}
	claims := map[string]any{"iss": p.srv.URL, "sub": "u-1", "aud": "tidegate", "iat": p.now().Unix(), "exp": p.now().Add(time.Minute).Unix(), "nonce": q.Get("nonce")}
	for k, v := range p.claims {
		claims[k] = v
	}
	if p.spoil != nil {
		p.spoil(claims)
	}
	key := p.key
	if p.signer != nil {
		key = p.signer
	}
	s, err := jose.NewSigner(jose.SigningKey{Algorithm: jose.ES256, Key: jose.JSONWebKey{Key: key, KeyID: "k1"}}, nil)
	if err != nil {
		panic(err)
	}
	body, _ := json.Marshal(claims)
	signed, err := s.Sign(body)
	if err != nil {
		panic(err)
	}
	compact, _ := signed.CompactSerialize()
	p.tokens++
	p.json(rw, map[string]any{"access_token": "x", "token_type": "Bearer", "id_token": compact})
}

// withProvider serves a clinic whose people come by way of an idp.
func withProvider(t *testing.T, change ...func(*web.Provider)) (*house, *clinic.Clinic, *idp) {
	t.Helper()
	var p *idp
	h, c, _ := guarded(t, func(s *web.Settings) {
		p = newIDP(t, s.Now)
		s.Provider = &web.Provider{Issuer: p.srv.URL, ClientID: "tidegate", ClientSecret: "a client's own secret", Address: "http://127.0.0.1:1", Label: "Sign in with your work account",
			ClaimName: "preferred_username", ClaimRoles: "groups", Roles: map[string]string{"tide-reviewers": "reviewer", "tide-ward": "nurse"}, Sites: []string{"harbour"}, ClaimOperator: "meter_number"}
		for _, f := range change {
			f(s.Provider)
		}
	})
	p.claims = map[string]any{"preferred_username": "o.quist", "groups": []string{"tide-reviewers", "choir", "tide-ward"}, "meter_number": "204"}
	return h, c, p
}

// answered goes the whole way and returns what the last page says.
func (p *idp) answered(v *visitor, to string) reply {
	v.h.t.Helper()
	way := v.get("/sign-in/provider?to=" + to)
	require.Equal(v.h.t, http.StatusSeeOther, way.StatusCode, way.body)
	back, err := url.Parse(p.authorize(way.Header.Get("Location")))
	require.NoError(v.h.t, err)
	return v.get(back.RequestURI())
}

func TestSignInThroughAProvider(t *testing.T) {
	h, _, p := withProvider(t)
	v := h.stranger()
	assert.Contains(t, v.get("/sign-in").body, "Sign in with your work account")
	got := p.answered(v, "/holds")
	require.Equal(t, http.StatusSeeOther, got.StatusCode, got.body)
	assert.Equal(t, "/holds", got.Header.Get("Location"))
	page := v.get("/holds")
	assert.Contains(t, page.body, "o.quist")
	assert.Equal(t, "1 waits here, for 1 cause.", page.heading(), "the sites of the configuration")
	assert.Contains(t, h.log.String(), `"role":"nurse reviewer"`)
	assert.Equal(t, http.StatusNotFound, v.get("/password").StatusCode, "the password is the provider's")
}

func TestProvidersAnswersThatAreRefused(t *testing.T) {
	h, c, p := withProvider(t)
	other, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	require.NoError(t, err)
	for name, tc := range map[string]struct {
		spoil func(claims map[string]any)
		key   *ecdsa.PrivateKey
		bare  func(rw http.ResponseWriter) bool // the whole answer of the token endpoint
		says  string
	}{
		"another nonce":        {spoil: func(c map[string]any) { c["nonce"] = "of another sign-in" }, says: "cannot be trusted"},
		"no nonce":             {spoil: func(c map[string]any) { delete(c, "nonce") }, says: "cannot be trusted"},
		"for another client":   {spoil: func(c map[string]any) { c["aud"] = "portal" }, says: "cannot be trusted"},
		"for several":          {spoil: func(c map[string]any) { c["aud"] = []string{"tidegate", "portal"}; c["azp"] = "portal" }, says: "cannot be trusted"},
		"of another issuer":    {spoil: func(c map[string]any) { c["iss"] = "https://id.elsewhere.example" }, says: "cannot be trusted"},
		"expired":              {spoil: func(x map[string]any) { x["exp"] = c.Now().Add(-time.Second).Unix() }, says: "cannot be trusted"},
		"signed by a stranger": {key: other, says: "cannot be trusted"},
		"unsigned": {bare: func(rw http.ResponseWriter) bool {
			enc := base64.RawURLEncoding.EncodeToString
			p.json(rw, map[string]any{"access_token": "x", "token_type": "Bearer", "id_token": enc([]byte(`{"alg":"none"}`)) + "." + enc([]byte(`{"iss":"`+p.srv.URL+`","aud":"tidegate"}`)) + "."})
			return true
		}, says: "cannot be trusted"},
		"no id_token": {bare: func(rw http.ResponseWriter) bool {
			p.json(rw, map[string]any{"access_token": "x", "token_type": "Bearer"})
			return true
		}, says: "cannot be trusted"},
		"out of order": {bare: func(rw http.ResponseWriter) bool { rw.WriteHeader(http.StatusInternalServerError); return true }, says: "cannot be trusted"},
		"no role here": {spoil: func(c map[string]any) { c["groups"] = []string{"choir"} }, says: "None of your groups has a role here."},
		"no groups":    {spoil: func(c map[string]any) { delete(c, "groups") }, says: "None of your groups has a role here."},
		"no name":      {spoil: func(c map[string]any) { delete(c, "preferred_username") }, says: "tells no name of yours"},
		"the system's": {spoil: func(c map[string]any) { c["preferred_username"] = "tidegate" }, says: "tells no name of yours"},
		"a token's":    {spoil: func(c map[string]any) { c["preferred_username"] = "R.Ito" }, says: "signs in here otherwise"},
	} {
		t.Run(name, func(t *testing.T) {
			p.mu.Lock()
			p.spoil, p.signer, p.answer = tc.spoil, tc.key, tc.bare
			p.mu.Unlock()
			v := h.stranger()
			got := p.answered(v, "/")
			assert.Equal(t, http.StatusForbidden, got.StatusCode)
			assert.Contains(t, got.body, tc.says)
			assert.Equal(t, http.StatusSeeOther, v.get("/meters").StatusCode, "nobody was signed in")
		})
	}
	assert.NotContains(t, h.log.String(), "o.quist")
}

func TestWayToTheProviderIsOneBrowsersOwnAndOnce(t *testing.T) {
	h, c, p := withProvider(t)
	path := func(at string) string {
		u, err := url.Parse(p.authorize(at))
		require.NoError(t, err)
		return u.RequestURI()
	}
	v, thief := h.stranger(), h.stranger()
	back := path(v.get("/sign-in/provider").Header.Get("Location"))
	thief.get("/sign-in/provider")
	assert.Equal(t, http.StatusForbidden, thief.get(back).StatusCode, "the answer of another browser's sign-in")
	assert.Equal(t, http.StatusForbidden, v.get(back).StatusCode, "a state is good once")
	assert.Equal(t, http.StatusForbidden, v.get("/sign-in/answer?code=x&state=x").StatusCode, "a state that is not ours")

	back = path(v.get("/sign-in/provider").Header.Get("Location"))
	c.Pass(11 * time.Minute)
	assert.Equal(t, http.StatusForbidden, v.get(back).StatusCode, "too late")

	back = path(v.get("/sign-in/provider").Header.Get("Location"))
	assert.Equal(t, http.StatusForbidden, v.get(back+"&iss=https%3A%2F%2Fid.elsewhere.example").StatusCode, "RFC 9207: the answer of another provider")
	back = path(v.get("/sign-in/provider").Header.Get("Location"))
	assert.Contains(t, v.get(strings.Replace(back, "code=", "error=access_denied&was=", 1)).body, "did not sign you in")
	assert.Zero(t, p.tokens, "no code was ever turned into a token")

	assert.Equal(t, "/", p.answered(v, "//elsewhere.example").Header.Get("Location"), "never to another host")
}

func TestProviderThatDoesNotAnswer(t *testing.T) {
	h, _, p := withProvider(t)
	p.srv.Close()
	got := h.stranger().get("/sign-in/provider")
	assert.Equal(t, http.StatusServiceUnavailable, got.StatusCode)
	assert.Contains(t, got.body, "The identity provider does not answer.")
	assert.Equal(t, http.StatusOK, h.stranger().get("/sign-in").StatusCode)
}

func TestSitesThatTheProviderTells(t *testing.T) {
	h, _, p := withProvider(t, func(s *web.Provider) { s.ClaimSites, s.Sites = "clinics", nil })
	got := p.answered(h.stranger(), "/")
	assert.Contains(t, got.body, "No site is told for you.")
	p.claims["clinics"] = []string{"harbour"}
	v := h.stranger()
	require.Equal(t, http.StatusSeeOther, p.answered(v, "/holds").StatusCode)
	assert.Equal(t, "1 waits here, for 1 cause.", v.get("/holds").heading())
}
