//go:build peers

// Package oidc lets a person sign in through an identity provider that nobody
// here wrote (npm oidc-provider), which demands PKCE. It promises that what the
// provider and the pages say to each other is OpenID Connect, and not merely
// what one side believes it to be.
package oidc

import (
	"bufio"
	"io"
	"net"
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"os"
	"os/exec"
	"strings"
	"testing"
	"time"

	"github.com/rs/zerolog"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidegate/testkit/clinic"
	"tidegate/web"
)

// provider starts the identity provider and returns its issuer.
func provider(t *testing.T, id, secret, redirect string) string {
	t.Helper()
	if _, err := os.Stat("node_modules/.package-lock.json"); err != nil {
		t.Fatal("the provider is not installed: run ./test.sh in the root once, or npm ci here")
	}
	cmd := exec.CommandContext(t.Context(), "node", "provider.js", id, secret, redirect)
	in, err := cmd.StdinPipe()
	require.NoError(t, err)
	out, err := cmd.StdoutPipe()
	require.NoError(t, err)
	cmd.Stderr = os.Stderr
	require.NoError(t, cmd.Start())
	t.Cleanup(func() { _ = in.Close(); _ = cmd.Wait() })
	line, err := bufio.NewReader(out).ReadString('\n')
	require.NoError(t, err)
	return strings.TrimSpace(line)
}

// pages serves the invented clinic at an address that is known before.
func pages(t *testing.T, secret string) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	address := "http://" + l.Addr().String()
	issuer := provider(t, "tidegate", "the client's own secret", address+"/sign-in/answer")
	c := clinic.New()
	s := c.Settings(zerolog.NewTestWriter(t))
	s.Now = time.Now // the provider's clock is the machine's
	s.Provider = &web.Provider{Issuer: issuer, ClientID: "tidegate", ClientSecret: secret, Address: address, Label: "Sign in with your work account",
		ClaimName: "preferred_username", ClaimRoles: "groups", Roles: map[string]string{"tide-reviewers": "reviewer"}, Sites: []string{"*"}, ClaimOperator: "meter_number"}
	w, err := web.New(s)
	require.NoError(t, err)
	srv := &http.Server{Handler: w.Handler(), ReadHeaderTimeout: time.Second}
	go func() { _ = srv.Serve(l) }()
	t.Cleanup(func() { _ = srv.Close() })
	return address
}

// browse follows every redirect, as a browser does, and returns the last page.
func browse(t *testing.T, at string) (*http.Client, *http.Response, string) {
	t.Helper()
	jar, err := cookiejar.New(nil)
	require.NoError(t, err)
	c := &http.Client{Jar: jar, Timeout: time.Minute}
	res, err := c.Get(at)
	require.NoError(t, err)
	body, err := io.ReadAll(res.Body)
	require.NoError(t, err)
	require.NoError(t, res.Body.Close())
	return c, res, string(body)
}

func TestAPersonSignsIn(t *testing.T) {
	address := pages(t, "the client's own secret")
	c, res, body := browse(t, address+"/sign-in/provider?to=/keys")
	require.Equal(t, http.StatusOK, res.StatusCode, body)
	assert.Equal(t, address+"/keys", res.Request.URL.String(), "where the person wanted to go")
	assert.Contains(t, body, "o.quist")
	u, err := url.Parse(address)
	require.NoError(t, err)
	var names []string
	for _, k := range c.Jar.Cookies(u) {
		names = append(names, k.Name)
	}
	assert.Contains(t, names, "tidegate")
	assert.NotContains(t, names, "tidegate-way", "the way is over")
}

func TestAWrongSecretSignsNobodyIn(t *testing.T) {
	_, res, body := browse(t, pages(t, "another secret altogether")+"/sign-in/provider")
	assert.Equal(t, http.StatusForbidden, res.StatusCode)
	assert.Contains(t, body, "cannot be trusted")
}
