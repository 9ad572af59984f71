package config_test

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"math/big"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidegate/config"
)

// writePair writes a certificate and its key as PEM.
func writePair(t *testing.T, dir string) {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	require.NoError(t, err)
	tmpl := &x509.Certificate{SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "tidegate.millrace.example"}, NotAfter: time.Now().Add(time.Hour), DNSNames: []string{"tidegate.millrace.example"}}
	der, err := x509.CreateCertificate(rand.Reader, tmpl, tmpl, &key.PublicKey, key)
	require.NoError(t, err)
	pkcs8, err := x509.MarshalPKCS8PrivateKey(key)
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(filepath.Join(dir, "pages.pem"), pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}), 0o644))
	require.NoError(t, os.WriteFile(filepath.Join(dir, "pages.key"), pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: pkcs8}), 0o600))
}

// What may be listened on, and what the rest is told to write.
func TestWebBeyondThisMachine(t *testing.T) {
	for name, tc := range map[string]struct {
		web   string // in place of the example's address
		fault string // "" if it may
	}{
		"this machine":         {"listen: 127.0.0.1:8460", ""},
		"by its name":          {"listen: localhost:8460", ""},
		"bare":                 {"listen: 0.0.0.0:8460", "web.listen: is reachable from other machines, and nothing protects what is sent; write web.tls"},
		"with TLS":             {"listen: 0.0.0.0:8460\n  tls: {cert_file: pages.pem, key_file: pages.key}", ""},
		"behind a proxy":       {"listen: 192.0.2.7:8460\n  behind: {proxies: [192.0.2.10, \"2001:db8::/64\"]}", ""},
		"behind nobody":        {"listen: 192.0.2.7:8460\n  behind: {proxies: []}", "web.behind.proxies: names no proxy"},
		"another's key":        {"listen: 0.0.0.0:8460\n  tls: {cert_file: pages.pem, key_file: s/ito}", "web.tls.cert_file: certificate and key are not a pair in PEM"},
		"a key others read":    {"tls: {cert_file: pages.pem, key_file: pages.pem}", "web.tls.key_file: the file may be read by others"},
		"an identity provider": {"oidc: {issuer: \"https://id.millrace.example\", client_id: tidegate, address: \"https://tidegate.millrace.example\", claim_roles: groups, roles: {tide-reviewers: reviewer}, sites: [millrace]}", ""},
		"for an unknown site":  {"oidc: {issuer: \"https://id.millrace.example\", client_id: tidegate, address: \"https://tidegate.millrace.example\", claim_roles: groups, roles: {tide-reviewers: reviewer}, sites: [millrice]}", "\"millrice\" is no site in the sites file"},
	} {
		t.Run(name, func(t *testing.T) {
			dir := example(t)
			writePair(t, dir)
			path := filepath.Join(dir, "tidegate.yaml")
			data, err := os.ReadFile(path)
			require.NoError(t, err)
			require.Contains(t, string(data), "\n  listen: 127.0.0.1:8460\n")
			data = []byte(strings.Replace(string(data), "\n  listen: 127.0.0.1:8460\n", "\n  "+tc.web+"\n", 1))
			require.NoError(t, os.WriteFile(path, data, 0o600))
			c, faults := config.Load(path)
			if tc.fault == "" {
				require.Empty(t, faults)
				require.Equal(t, 6000, c.Web.Limits.PerAddress)
				return
			}
			require.Len(t, faults, 1)
			require.Contains(t, faults[0].String(), tc.fault)
		})
	}
}
