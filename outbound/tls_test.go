package outbound

import (
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
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/rs/zerolog"
	"github.com/stretchr/testify/require"

	"tidegate/outbound/outlettest"
	"tidegate/standin"
)

// authority makes a certificate authority in a folder, and certificates by it.
type authority struct {
	dir  string
	cert *x509.Certificate
	key  *ecdsa.PrivateKey
}

func newAuthority(t *testing.T) *authority {
	a := &authority{dir: t.TempDir()}
	a.cert, a.key = a.issue(t, "ca", true)
	return a
}

func (a *authority) path(name string) string { return filepath.Join(a.dir, name) }

func (a *authority) issue(t *testing.T, name string, ca bool) (*x509.Certificate, *ecdsa.PrivateKey) {
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	require.NoError(t, err)
	serial, err := rand.Int(rand.Reader, big.NewInt(1<<62))
	require.NoError(t, err)
	c := &x509.Certificate{
		SerialNumber: serial, Subject: pkix.Name{CommonName: name}, NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour),
		IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}, IsCA: ca, BasicConstraintsValid: true,
		ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth, x509.ExtKeyUsageClientAuth},
	}
	parent, signer := a.cert, a.key
	if ca {
		c.KeyUsage = x509.KeyUsageCertSign
		parent, signer = c, key
	}
	der, err := x509.CreateCertificate(rand.Reader, c, parent, key.Public(), signer)
	require.NoError(t, err)
	keyDER, err := x509.MarshalPKCS8PrivateKey(key)
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(a.path(name+".pem"), pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}), 0o644))
	require.NoError(t, os.WriteFile(a.path(name+".key"), pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: keyDER}), 0o600))
	cert, err := x509.ParseCertificate(der)
	require.NoError(t, err)
	return cert, key
}

// A record system that demands a client certificate gets ours, and only one
// that its authority vouches for gets our results.
func TestMutualTLS(t *testing.T) {
	ours, theirs := newAuthority(t), newAuthority(t)
	ours.issue(t, "client", false)
	theirs.issue(t, "client", false)
	ours.issue(t, "server", false)
	pair, err := tls.LoadX509KeyPair(ours.path("server.pem"), ours.path("server.key"))
	require.NoError(t, err)
	pool := x509.NewCertPool()
	pool.AddCert(ours.cert)
	server := httptest.NewUnstartedServer(http.StripPrefix("/fhir", standin.NewRecord(standin.Options{})))
	server.TLS = &tls.Config{Certificates: []tls.Certificate{pair}, ClientAuth: tls.RequireAndVerifyClientCert, ClientCAs: pool}
	server.Config.ErrorLog = nil
	server.StartTLS()
	t.Cleanup(server.Close)
	try := func(f TLS) error {
		r, err := newRecordSystem(Config{ID: "record", Sites: []string{"*"}, FHIR: FHIR{BaseURL: server.URL + "/fhir", TLS: f}}.WithDefaults(),
			Settings{ID: "record", Log: zerolog.New(io.Discard), Now: time.Now, Store: outlettest.NewStore(time.Now)})
		if err != nil {
			return err
		}
		return r.Refresh(t.Context())
	}
	require.NoError(t, try(TLS{CAFile: ours.path("ca.pem"), CertFile: ours.path("client.pem"), KeyFile: ours.path("client.key")}))
	require.ErrorContains(t, try(TLS{CAFile: ours.path("ca.pem")}), "tls")
	require.Error(t, try(TLS{CAFile: ours.path("ca.pem"), CertFile: theirs.path("client.pem"), KeyFile: theirs.path("client.key")}))
	require.ErrorContains(t, try(TLS{CAFile: theirs.path("ca.pem"), CertFile: ours.path("client.pem"), KeyFile: ours.path("client.key")}), "certificate")
	require.ErrorContains(t, try(TLS{CertFile: ours.path("client.pem"), KeyFile: ours.path("client.key")}), "certificate", "the machine's own authorities know nothing of it")
	require.NoError(t, os.Chmod(ours.path("client.key"), 0o644))
	require.ErrorContains(t, try(TLS{CAFile: ours.path("ca.pem"), CertFile: ours.path("client.pem"), KeyFile: ours.path("client.key")}), "chmod 600")
	require.ErrorContains(t, try(TLS{CAFile: ours.path("client.key")}), "no certificate")
}
