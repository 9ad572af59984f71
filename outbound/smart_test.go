package outbound

import (
	"bytes"
	"crypto"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/rsa"
	"crypto/x509"
	"encoding/json"
	"encoding/pem"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/go-jose/go-jose/v4"
	"github.com/go-jose/go-jose/v4/jwt"
	"github.com/rs/zerolog"
	"github.com/stretchr/testify/require"

	"tidegate/poct"
	"tidegate/standin"
)

// issuer is a strict token endpoint beside the record system, by SMART App
// Launch, "Backend Services": it takes what the standard asks of a client and
// nothing less.
type issuer struct {
	t    *testing.T
	wire *wire
	key  crypto.PublicKey
	alg  jose.SignatureAlgorithm

	mu      sync.Mutex
	used    map[string]bool // jti
	issued  int
	asked   int
	expires []time.Duration // how far ahead each assertion's exp was
	// what it does otherwise than it should
	algs   []string
	life   int
	scope  *string
	answer func() *http.Response
}

const clientID = "tidegate-millrace"

// RoundTrip answers for the token endpoint and the discovery document, and
// leaves the rest to the record system.
func (i *issuer) RoundTrip(req *http.Request) (*http.Response, error) {
	w := httptest.NewRecorder()
	switch req.URL.Path {
	case "/fhir/.well-known/smart-configuration":
		require.Empty(i.t, req.Header.Get("Authorization"))
		writeJSON(w, 200, map[string]any{
			"token_endpoint":                                   "http://127.0.0.1:1/token",
			"token_endpoint_auth_methods_supported":            []string{"private_key_jwt"},
			"token_endpoint_auth_signing_alg_values_supported": i.algs,
		})
		return w.Result(), nil
	case "/token":
		i.mu.Lock()
		defer i.mu.Unlock()
		i.asked++
		if i.answer != nil {
			if res := i.answer(); res != nil {
				return res, nil
			}
		}
		i.token(w, req)
		return w.Result(), nil
	}
	return i.wire.RoundTrip(req)
}

func writeJSON(w http.ResponseWriter, status int, v any) {
	w.Header().Set("Content-Type", "application/json")
	w.WriteHeader(status)
	_ = json.NewEncoder(w).Encode(v)
}

func (i *issuer) token(w http.ResponseWriter, req *http.Request) {
	body, err := io.ReadAll(req.Body)
	require.NoError(i.t, err)
	form, err := url.ParseQuery(string(body))
	require.NoError(i.t, err)
	refuse := func(why string) {
		writeJSON(w, 400, map[string]string{"error": "invalid_client", "error_description": why})
	}
	switch {
	case req.Method != http.MethodPost, req.Header.Get("Content-Type") != "application/x-www-form-urlencoded", req.URL.RawQuery != "":
		refuse("form")
		return
	case form.Get("grant_type") != "client_credentials", form.Get("client_assertion_type") != "urn:ietf:params:oauth:client-assertion-type:jwt-bearer":
		refuse("type")
		return
	}
	parsed, err := jwt.ParseSigned(form.Get("client_assertion"), []jose.SignatureAlgorithm{i.alg})
	if err != nil || parsed.Headers[0].KeyID != "k1" || parsed.Headers[0].ExtraHeaders["typ"] != "JWT" {
		refuse("header")
		return
	}
	var c jwt.Claims
	now := time.Now()
	if parsed.Claims(i.key, &c) != nil || c.Issuer != clientID || c.Subject != clientID || c.ID == "" || i.used[c.ID] ||
		len(c.Audience) != 1 || c.Audience[0] != "http://127.0.0.1:1/token" || c.Expiry == nil ||
		!c.Expiry.Time().After(now) || c.Expiry.Time().After(now.Add(5*time.Minute)) {
		refuse("claims")
		return
	}
	i.used[c.ID] = true
	i.expires = append(i.expires, c.Expiry.Time().Sub(now))
	i.issued++
	token := fmt.Sprint("token-", i.issued)
	i.wire.record.SetToken(token)
	out := map[string]any{"access_token": token, "token_type": "bearer", "expires_in": i.life, "scope": form.Get("scope")}
	if i.scope != nil {
		out["scope"] = *i.scope
	}
	writeJSON(w, 200, out)
}

// newKey makes a key, its file, and what the token endpoint knows of it.
func newKey(t *testing.T, alg jose.SignatureAlgorithm) (file string, public crypto.PublicKey) {
	var key crypto.Signer
	var err error
	if alg == jose.RS384 {
		key, err = rsa.GenerateKey(rand.Reader, 2048)
	} else {
		key, err = ecdsa.GenerateKey(elliptic.P384(), rand.Reader)
	}
	require.NoError(t, err)
	der, err := x509.MarshalPKCS8PrivateKey(key)
	require.NoError(t, err)
	file = filepath.Join(t.TempDir(), "key.pem")
	require.NoError(t, os.WriteFile(file, pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: der}), 0o600))
	return file, key.Public()
}

// signedIn is a bench whose record system asks for tokens of an issuer.
func signedIn(t *testing.T, alg jose.SignatureAlgorithm) (*bench, *issuer, *bytes.Buffer) {
	b := newBench(t, standin.Switches{})
	file, public := newKey(t, alg)
	i := &issuer{t: t, wire: b.wire, key: public, alg: alg, used: map[string]bool{}, life: 300, algs: []string{"RS384", "ES384"}}
	b.record.SetToken("none yet")
	b.cfg.FHIR.Auth = Auth{Kind: "smart", ClientID: clientID, KeyFile: file, KeyID: "k1"}
	log := &bytes.Buffer{}
	w, err := New(b.cfg, Settings{ID: outletID, Store: b.store, Log: zerolog.New(zerolog.SyncWriter(log)), Owner: "one", Systems: systems, HTTP: &http.Client{Transport: i}})
	require.NoError(t, err)
	b.worker = w
	return b, i, log
}

// hl7.org/fhir/smart-app-launch/backend-services.html: the client signs with
// RS384 or ES384; exp is no more than five minutes ahead; jti is never used
// twice; a token is used again until it nears its end.
func TestBackendSignIn(t *testing.T) {
	for _, alg := range []jose.SignatureAlgorithm{jose.RS384, jose.ES384} {
		t.Run(string(alg), func(t *testing.T) {
			inBubble(t, func(t *testing.T) {
				b, i, _ := signedIn(t, alg)
				b.known()
				for n := range 20 {
					b.store.Add(outletID, result(n, "2.5"), poct.Create)
				}
				b.run(b.worker, time.Minute)
				b.sound(42, 0)
				require.Equal(t, 1, i.issued, "one token does for all")
				bought := i.wire.record.Requests()
				time.Sleep(269*time.Second - time.Since(time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC)))
				b.store.Add(outletID, result(30, "2.5"), poct.Create)
				b.step(b.worker)
				require.Equal(t, 1, i.issued, "until 30 seconds before its end")
				time.Sleep(2 * time.Second)
				b.store.Add(outletID, result(31, "2.5"), poct.Create)
				b.step(b.worker)
				require.Equal(t, 2, i.issued, "and no longer")
				require.Greater(t, i.wire.record.Requests(), bought)
				for _, e := range i.expires {
					require.LessOrEqual(t, e, 5*time.Minute)
				}
			})
		})
	}
}

// A token that is refused is replaced once, also where several were refused
// together; a second refusal rests the destination.
func TestBackendRefreshesOnceOn401(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		b, i, _ := signedIn(t, jose.ES384)
		b.known()
		time.Sleep(time.Minute)
		b.record.SetToken("revoked")
		for n := range 8 {
			b.store.Add(outletID, result(n, "2.5"), poct.Create)
		}
		b.run(b.worker, time.Minute)
		require.Equal(t, 2, i.issued)
		require.Zero(t, b.store.Open())
		b.sound(18, 0)
		i.answer = func() *http.Response { b.record.SetToken("revoked again"); return nil }
		time.Sleep(time.Minute)
		b.record.SetToken("revoked")
		asked := i.asked
		b.record.Outage(&standin.Fault{Kind: standin.Status, Status: 401})
		b.store.Add(outletID, result(20, "2.5"), poct.Create)
		b.step(b.worker)
		require.Equal(t, asked+1, i.asked, "exactly one")
		require.False(t, b.worker.Health().Up)
		require.Contains(t, b.worker.Health().Reason, string(SignIn))
	})
}

// What the token endpoint does wrong, and what becomes of it. Nothing reaches
// the record system without a token that allows enough; nothing is lost.
func TestBackendTokenTrouble(t *testing.T) {
	word := func(s string) *string { return &s }
	status := func(code int, body string) func() *http.Response {
		return func() *http.Response {
			w := httptest.NewRecorder()
			w.WriteHeader(code)
			_, _ = w.WriteString(body)
			return w.Result()
		}
	}
	tests := []struct {
		name   string
		change func(*issuer)
		class  Class
		most   int // requests to the token endpoint in a minute
	}{
		{"less granted than asked for", func(i *issuer) { i.scope = word("system/Observation.rs system/Patient.rs") }, Forbidden, 10},
		{"nothing granted at all, status 200", func(i *issuer) { i.scope = word("") }, Forbidden, 10},
		{"invalid_client", func(i *issuer) { i.answer = status(401, `{"error":"invalid_client"}`) }, SignIn, 10},
		{"takes no RS384", func(i *issuer) { i.algs = []string{"ES384"} }, SignIn, 0},
		{"503", func(i *issuer) { i.answer = status(503, ``) }, Transient, 30},
		{"a page", func(i *issuer) { i.answer = status(200, `<html>`) }, Transient, 30},
		{"no token", func(i *issuer) { i.answer = status(200, `{"token_type":"bearer"}`) }, Transient, 30},
		{"elsewhere", func(i *issuer) {
			i.answer = func() *http.Response {
				w := httptest.NewRecorder()
				w.Header().Set("Location", "http://elsewhere.example/token")
				w.WriteHeader(307)
				return w.Result()
			}
		}, Transient, 30},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			inBubble(t, func(t *testing.T) {
				b, i, log := signedIn(t, jose.RS384)
				tt.change(i)
				id := b.store.Add(outletID, result(1, "2.5"), poct.Create)
				b.run(b.worker, time.Minute)
				require.Zero(t, b.record.Requests(), "nothing without a token")
				require.False(t, b.worker.Health().Up)
				require.True(t, strings.HasPrefix(b.worker.Health().Reason, string(tt.class)), b.worker.Health().Reason)
				require.LessOrEqual(t, i.asked, tt.most)
				require.NotContains(t, log.String(), "token-1")
				i.scope, i.answer, i.algs = nil, nil, []string{"RS384", "ES384"}
				b.run(b.worker, time.Hour)
				require.Equal(t, poct.DeliveryDone, b.store.Row(id).State)
				b.sound(2, 0)
			})
		})
	}
}

// Scopes of SMART App Launch 2.2, "Scopes for requesting FHIR resources", and
// of version 1.
func TestUngranted(t *testing.T) {
	for _, tt := range []struct{ asked, granted, want string }{
		{"system/Observation.crus", "system/Observation.crus", ""},
		{"system/Observation.crus", "system/Observation.cruds", ""},
		{"system/Observation.crus", "system/Observation.cu system/Observation.rs", ""},
		{"system/Observation.crus", "system/*.cruds", ""},
		{"system/Observation.crus", "system/Observation.read system/Observation.write", ""},
		{"system/Observation.crus", "system/Observation.*", ""},
		{"system/Observation.crus", "system/Observation.rs", "system/Observation.crus"},
		{"system/Observation.crus", "user/Observation.crus", "system/Observation.crus"},
		{"system/Observation.crus system/Patient.rs", "", "system/Observation.crus system/Patient.rs"},
		{"fhir", "fhir", ""},
		{"fhir", "other", "fhir"},
	} {
		require.Equal(t, tt.want, strings.Join(ungranted(tt.asked, tt.granted), " "), tt.granted)
	}
}

// Keys that the two algorithms cannot use are refused at the start.
func TestSigningKeys(t *testing.T) {
	write := func(v any, mode os.FileMode) string {
		der, err := x509.MarshalPKCS8PrivateKey(v)
		require.NoError(t, err)
		file := filepath.Join(t.TempDir(), "key")
		require.NoError(t, os.WriteFile(file, pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: der}), mode))
		return file
	}
	p256, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	require.NoError(t, err)
	p384, err := ecdsa.GenerateKey(elliptic.P384(), rand.Reader)
	require.NoError(t, err)
	_, err = signingKey(write(p256, 0o600), "k1")
	require.ErrorContains(t, err, "P-384")
	_, err = signingKey(write(p384, 0o640), "k1")
	require.ErrorContains(t, err, "chmod 600")
	jwk, err := jose.JSONWebKey{Key: p384, KeyID: "from-file"}.MarshalJSON()
	require.NoError(t, err)
	file := filepath.Join(t.TempDir(), "key.jwk")
	require.NoError(t, os.WriteFile(file, jwk, 0o600))
	k, err := signingKey(file, "")
	require.NoError(t, err)
	require.Equal(t, jose.ES384, k.Algorithm)
	require.Equal(t, "from-file", k.Key.(jose.JSONWebKey).KeyID)
}
