package poct1a

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"math/big"
	"net"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidegate/ingest"
)

// authority signs invented certificates.
type authority struct {
	cert *x509.Certificate
	key  *ecdsa.PrivateKey
}

func newAuthority(t *testing.T) authority {
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	require.NoError(t, err)
	cert := &x509.Certificate{
		SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "Millrace meters"}, NotBefore: time.Now().Add(-time.Hour),
		NotAfter: time.Now().AddDate(1, 0, 0), IsCA: true, BasicConstraintsValid: true, KeyUsage: x509.KeyUsageCertSign,
	}
	raw, err := x509.CreateCertificate(rand.Reader, cert, cert, &key.PublicKey, key)
	require.NoError(t, err)
	cert, err = x509.ParseCertificate(raw)
	require.NoError(t, err)
	return authority{cert, key}
}

func (a authority) sign(t *testing.T, name string) tls.Certificate {
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	require.NoError(t, err)
	cert := &x509.Certificate{
		SerialNumber: big.NewInt(2), Subject: pkix.Name{CommonName: name}, NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().AddDate(1, 0, 0),
		IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}, ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageClientAuth, x509.ExtKeyUsageServerAuth},
	}
	raw, err := x509.CreateCertificate(rand.Reader, cert, a.cert, &key.PublicKey, a.key)
	require.NoError(t, err)
	return tls.Certificate{Certificate: [][]byte{raw}, PrivateKey: key}
}

func write(t *testing.T, kind string, raw []byte) string {
	path := filepath.Join(t.TempDir(), "x.pem")
	require.NoError(t, os.WriteFile(path, pem.EncodeToMemory(&pem.Block{Type: kind, Bytes: raw}), 0o600))
	return path
}

func TestTLS(t *testing.T) {
	ca, stranger := newAuthority(t), newAuthority(t)
	server := ca.sign(t, "tidegate")
	key, err := x509.MarshalPKCS8PrivateKey(server.PrivateKey)
	require.NoError(t, err)
	b := &box{}
	r := run(t, Config{TLS: &ingest.TLS{
		CertFile: write(t, "CERTIFICATE", server.Certificate[0]), KeyFile: write(t, "PRIVATE KEY", key), ClientCAFile: write(t, "CERTIFICATE", ca.cert.Raw),
	}}, Settings{Inbox: b}, nil)
	dial := func(cert tls.Certificate) *meter {
		m := r.dial()
		roots := x509.NewCertPool()
		roots.AddCert(ca.cert)
		m.conn = tls.Client(m.conn, &tls.Config{RootCAs: roots, ServerName: "127.0.0.1", Certificates: []tls.Certificate{cert}})
		return m
	}
	m := dial(ca.sign(t, "meter SD-0042"))
	m.say(hel("SD-0042"), obs("41"))
	m.expect("ACK.R01 AA 1", "ACK.R01 AA 41")
	bad := dial(stranger.sign(t, "meter SD-0042"))
	_, _ = bad.conn.Write([]byte(hel("SD-0042") + obs("42")))
	require.Equal(t, byte('('), bad.next()[0], "no answer")
	plain := r.dial()
	plain.say(hel("SD-0042"))
	require.NotContains(t, plain.next(), "ACK.R01")
	r.end()
	require.Len(t, b.arrivals, 1)
	require.Equal(t, "meter SD-0042", b.arrivals[0].Peer)
}
