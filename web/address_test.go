package web_test

import (
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"io"
	"math/big"
	"net"
	"net/http"
	"net/http/httptest"
	"net/netip"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidegate/testkit/clinic"
	"tidegate/web"
)

// writePair writes a certificate for this machine under a name.
func writePair(t *testing.T, files web.TLSFiles, name string) {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	require.NoError(t, err)
	tmpl := &x509.Certificate{SerialNumber: big.NewInt(time.Now().UnixNano()), Subject: pkix.Name{CommonName: name}, NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour),
		IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}, IsCA: true, BasicConstraintsValid: true, KeyUsage: x509.KeyUsageDigitalSignature | x509.KeyUsageCertSign}
	der, err := x509.CreateCertificate(rand.Reader, tmpl, tmpl, &key.PublicKey, key)
	require.NoError(t, err)
	pkcs8, err := x509.MarshalPKCS8PrivateKey(key)
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(files.Cert, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}), 0o644))
	require.NoError(t, os.WriteFile(files.Key, pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: pkcs8}), 0o600))
}

func TestPagesOverTLS(t *testing.T) {
	files := web.TLSFiles{Cert: filepath.Join(t.TempDir(), "c.pem"), Key: filepath.Join(t.TempDir(), "k.pem")}
	writePair(t, files, "first")
	log := &lines{}
	s := clinic.New().Settings(log)
	s.TLS = &files
	w, err := web.New(s)
	require.NoError(t, err)
	require.NoError(t, w.Listen())
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- w.Run(ctx) }()
	t.Cleanup(func() { cancel(); assert.NoError(t, <-done) })
	assert.True(t, strings.HasPrefix(w.URL(), "https://127.0.0.1:"))

	// Trust is not what is tested here, so the client takes any certificate
	// and tells whose it was.
	get := func(change func(*tls.Config)) (*http.Response, error) {
		conf := &tls.Config{InsecureSkipVerify: true} //nolint:gosec // see above
		if change != nil {
			change(conf)
		}
		c := &http.Client{CheckRedirect: stay, Transport: &http.Transport{TLSClientConfig: conf, DisableKeepAlives: true, ForceAttemptHTTP2: true}}
		res, err := c.PostForm(w.URL()+"sign-in", url.Values{"token": {clinic.Tokens["reviewer"]}})
		if err == nil {
			_, _ = io.Copy(io.Discard, res.Body)
			_ = res.Body.Close()
		}
		return res, err
	}
	res, err := get(nil)
	require.NoError(t, err)
	assert.Equal(t, "first", res.TLS.PeerCertificates[0].Subject.CommonName)
	assert.Equal(t, "max-age=31536000", res.Header.Get("Strict-Transport-Security"))
	require.Len(t, res.Cookies(), 1)
	k := res.Cookies()[0]
	assert.Equal(t, "__Host-tidegate", k.Name) // RFC 6265bis 4.1.3.2: Secure, Path=/ and no Domain
	assert.True(t, k.Secure && k.HttpOnly)
	assert.Equal(t, "/", k.Path)
	assert.Empty(t, k.Domain)
	assert.Equal(t, http.SameSiteLaxMode, k.SameSite)

	_, err = get(func(c *tls.Config) { c.MinVersion, c.MaxVersion = tls.VersionTLS10, tls.VersionTLS11 })
	assert.ErrorContains(t, err, "protocol version", "TLS 1.1 is refused")

	writePair(t, files, "second")
	res, err = get(nil)
	require.NoError(t, err)
	assert.Equal(t, "second", res.TLS.PeerCertificates[0].Subject.CommonName, "renewed without a stop")
	require.NoError(t, os.WriteFile(files.Cert, []byte("half writ"), 0o644))
	res, err = get(nil)
	require.NoError(t, err)
	assert.Equal(t, "second", res.TLS.PeerCertificates[0].Subject.CommonName, "the old one stays")
	assert.Contains(t, log.String(), "the old one stays")

	s.TLS = &web.TLSFiles{Cert: files.Key, Key: files.Key}
	_, err = web.New(s)
	assert.Error(t, err)
}

func TestBehindAProxy(t *testing.T) {
	s := clinic.New().Settings(io.Discard)
	s.Behind = []netip.Prefix{netip.MustParsePrefix("192.0.2.10/32"), netip.MustParsePrefix("10.0.0.0/28")}
	s.Limits.Address = 3
	w, err := web.New(s)
	require.NoError(t, err)
	ask := func(peer string, header ...string) *http.Response {
		r := httptest.NewRequest(http.MethodPost, "/sign-in", strings.NewReader("token="+clinic.Tokens["nurse"]))
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		r.RemoteAddr = peer
		for i := 0; i < len(header); i += 2 {
			r.Header.Add(header[i], header[i+1])
		}
		rec := httptest.NewRecorder()
		w.Handler().ServeHTTP(rec, r)
		return rec.Result()
	}
	cookie := func(r *http.Response) string {
		if len(r.Cookies()) == 0 {
			return ""
		}
		return r.Cookies()[0].Name
	}
	const proto, from = "X-Forwarded-Proto", "X-Forwarded-For"
	for _, tc := range []struct {
		name, peer string
		header     []string
		status     int
		cookie     string
	}{
		{"by the proxy over TLS", "192.0.2.10:4000", []string{proto, "https", from, "198.51.100.1"}, 303, "__Host-tidegate"},
		{"by two of them", "192.0.2.10:4000", []string{proto, "https", from, "198.51.100.2, 10.0.0.3"}, 303, "__Host-tidegate"},
		{"by the proxy in the clear", "192.0.2.10:4000", []string{proto, "http", from, "198.51.100.3"}, 403, ""},
		{"the proxy does not say", "192.0.2.10:4000", []string{from, "198.51.100.3"}, 403, ""},
		{"said twice", "192.0.2.10:4000", []string{proto, "https", proto, "http", from, "198.51.100.3"}, 403, ""},
		{"past the proxy", "198.51.100.4:4000", []string{proto, "https", from, "127.0.0.1"}, 403, ""},
		{"somebody else's word for it", "10.0.0.16:4000", []string{proto, "https"}, 403, ""},
		{"on this machine", "127.0.0.1:4000", nil, 303, "tidegate"},
		{"claims to be this machine", "192.0.2.10:4000", []string{proto, "http", from, "127.0.0.1, 198.51.100.5"}, 403, ""},
	} {
		got := ask(tc.peer, tc.header...)
		assert.Equal(t, tc.status, got.StatusCode, tc.name)
		assert.Equal(t, tc.cookie, cookie(got), tc.name)
		assert.Equal(t, tc.cookie == "__Host-tidegate", got.Header.Get("Strict-Transport-Security") != "" && got.StatusCode == 303, tc.name)
	}
	// One address is counted whoever forwards it, and no other pays for it.
	for range 2 {
		assert.Equal(t, 303, ask("192.0.2.10:4000", proto, "https", from, "198.51.100.1").StatusCode)
	}
	assert.Equal(t, http.StatusTooManyRequests, ask("10.0.0.1:4000", proto, "https", from, "203.0.113.9, 198.51.100.1").StatusCode, "what stands before is the client's own word")
	assert.Equal(t, 303, ask("192.0.2.10:4000", proto, "https", from, "198.51.100.6").StatusCode)
}

func TestTooManyRequestsOfOnePerson(t *testing.T) {
	h := serve(t, clinic.New(), func(s *web.Settings) { s.Limits.Person = 5 })
	for range 5 {
		assert.Equal(t, http.StatusOK, h.api("reviewer", "GET", "/api/v1/meters", "").StatusCode)
	}
	got := h.api("reviewer", "GET", "/api/v1/meters", "")
	assert.Equal(t, http.StatusTooManyRequests, got.StatusCode)
	assert.Contains(t, got.body, "Too many requests came in your name.")
	assert.Equal(t, http.StatusOK, h.api("auditor", "GET", "/api/v1/meters", "").StatusCode)
	h.Pass(time.Minute)
	assert.Equal(t, http.StatusOK, h.api("reviewer", "GET", "/api/v1/meters", "").StatusCode)
}

func TestMetricsFromElsewhereAskWhoItIs(t *testing.T) {
	s := clinic.New().Settings(io.Discard)
	s.Metrics = http.HandlerFunc(func(rw http.ResponseWriter, _ *http.Request) { _, _ = io.WriteString(rw, "tidegate_build_info 1\n") })
	w, err := web.New(s)
	require.NoError(t, err)
	for _, tc := range []struct {
		peer, token string
		status      int
	}{{"127.0.0.1:4000", "", 200}, {"198.51.100.1:4000", "", 401}, {"198.51.100.1:4000", clinic.Tokens["nurse"], 401}, {"198.51.100.1:4000", clinic.Tokens["engineer"], 200}} {
		r := httptest.NewRequest(http.MethodGet, "/metrics", nil)
		r.RemoteAddr = tc.peer
		if tc.token != "" {
			r.Header.Set("Authorization", "Bearer "+tc.token)
		}
		rec := httptest.NewRecorder()
		w.Handler().ServeHTTP(rec, r)
		assert.Equal(t, tc.status, rec.Code, "%s %s", tc.peer, tc.token)
	}
}
