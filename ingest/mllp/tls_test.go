package mllp

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
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidegate/ingest"
)

// authority is an invented certificate authority.
type authority struct {
	cert *x509.Certificate
	key  *ecdsa.PrivateKey
	pem  []byte
}

func newAuthority(t *testing.T, name string) authority {
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	require.NoError(t, err)
	tmpl := &x509.Certificate{SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: name}, IsCA: true, BasicConstraintsValid: true,
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour), KeyUsage: x509.KeyUsageCertSign}
	der, err := x509.CreateCertificate(rand.Reader, tmpl, tmpl, &key.PublicKey, key)
	require.NoError(t, err)
	cert, err := x509.ParseCertificate(der)
	require.NoError(t, err)
	return authority{cert, key, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der})}
}

// issue makes a certificate valid until an instant, as PEM files in dir.
func (a authority) issue(t *testing.T, dir, name string, until time.Time) (certFile, keyFile string) {
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	require.NoError(t, err)
	tmpl := &x509.Certificate{SerialNumber: big.NewInt(2), Subject: pkix.Name{CommonName: name}, IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)},
		NotBefore: time.Now().Add(-2 * time.Hour), NotAfter: until, ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth, x509.ExtKeyUsageClientAuth}}
	der, err := x509.CreateCertificate(rand.Reader, tmpl, a.cert, &key.PublicKey, a.key)
	require.NoError(t, err)
	private, err := x509.MarshalPKCS8PrivateKey(key)
	require.NoError(t, err)
	certFile, keyFile = filepath.Join(dir, name+".pem"), filepath.Join(dir, name+".key")
	require.NoError(t, os.WriteFile(certFile, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}), 0o600))
	require.NoError(t, os.WriteFile(keyFile, pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: private}), 0o600))
	return certFile, keyFile
}

func TestMutualTLS(t *testing.T) {
	dir := t.TempDir()
	ours, foreign := newAuthority(t, "Millrace devices"), newAuthority(t, "Somebody else")
	caFile := filepath.Join(dir, "ca.pem")
	require.NoError(t, os.WriteFile(caFile, ours.pem, 0o600))
	serverCert, serverKey := ours.issue(t, dir, "inlet", time.Now().Add(time.Hour))
	b := newBox()
	l := serve(t, Config{TLS: &ingest.TLS{CertFile: serverCert, KeyFile: serverKey, ClientCAFile: caFile}}, b, io.Discard)
	roots := x509.NewCertPool()
	roots.AddCert(ours.cert)

	client := func(cfg *tls.Config) *meter {
		cfg.RootCAs = roots
		raw, err := net.Dial("tcp", l.Addr())
		require.NoError(t, err)
		return newMeter(t, tls.Client(raw, cfg))
	}
	pair := func(a authority, name string, until time.Time) []tls.Certificate {
		cert, err := tls.LoadX509KeyPair(a.issue(t, dir, name, until))
		require.NoError(t, err)
		return []tls.Certificate{cert}
	}

	good := client(&tls.Config{ServerName: "127.0.0.1", Certificates: pair(ours, "SN0042", time.Now().Add(time.Hour))})
	good.send(r01("1", "2.4"))
	assert.Equal(t, "AA 1", good.code())
	require.Len(t, b.stored(), 1)
	assert.Equal(t, "SN0042", b.stored()[0].Peer, "the name in the certificate")

	for name, certs := range map[string][]tls.Certificate{
		"absent":  nil,
		"expired": pair(ours, "SN0043", time.Now().Add(-time.Hour)),
		"foreign": pair(foreign, "SN0044", time.Now().Add(time.Hour)),
	} {
		t.Run(name, func(t *testing.T) {
			// Whatever the authorities that the server asks for, this certificate is sent.
			cfg := &tls.Config{ServerName: "127.0.0.1", GetClientCertificate: func(*tls.CertificateRequestInfo) (*tls.Certificate, error) {
				if len(certs) == 0 {
					return &tls.Certificate{}, nil
				}
				return &certs[0], nil
			}}
			m := client(cfg)
			_, _ = m.conn.Write([]byte(frame(r01("2", "2.4")))) // with TLS 1.3 the refusal comes at the first read
			m.ended()
			assert.Contains(t, (<-b.noticed).What, "no certificate that is accepted here")
		})
	}
	t.Run("TLS 1.1", func(t *testing.T) {
		m := client(&tls.Config{ServerName: "127.0.0.1", MinVersion: tls.VersionTLS10, MaxVersion: tls.VersionTLS11})
		m.ended()
		<-b.noticed
	})
	t.Run("no TLS at all", func(t *testing.T) {
		m := dial(t, l)
		m.send(r01("3", "2.4"))
		_, err := m.in.Next()
		require.Error(t, err)
		<-b.noticed
	})
	assert.Len(t, b.stored(), 1)
	good.send(r01("4", "2.5"))
	assert.Equal(t, "AA 4", good.code(), "those inside are served on")
}

func TestTLSWithoutClientCertificates(t *testing.T) {
	dir := t.TempDir()
	ours := newAuthority(t, "Millrace devices")
	cert, key := ours.issue(t, dir, "inlet", time.Now().Add(time.Hour))
	b := newBox()
	l := serve(t, Config{TLS: &ingest.TLS{CertFile: cert, KeyFile: key}}, b, io.Discard)
	roots := x509.NewCertPool()
	roots.AddCert(ours.cert)
	raw, err := net.Dial("tcp", l.Addr())
	require.NoError(t, err)
	m := newMeter(t, tls.Client(raw, &tls.Config{RootCAs: roots, ServerName: "127.0.0.1"}))
	m.send(r01("1", "2.4"))
	assert.Equal(t, "AA 1", m.code())
	assert.Equal(t, raw.LocalAddr().String(), b.stored()[0].Peer)

	// A stop in the middle of a handshake does not wait for it: see Cleanup of serve.
	_, err = net.Dial("tcp", l.Addr())
	require.NoError(t, err)
}

func TestTLSFiles(t *testing.T) {
	dir := t.TempDir()
	cert, key := newAuthority(t, "A").issue(t, dir, "inlet", time.Now().Add(time.Hour))
	empty := filepath.Join(dir, "empty.pem")
	require.NoError(t, os.WriteFile(empty, nil, 0o600))
	for _, c := range []struct {
		name string
		tls  ingest.TLS
	}{
		{"no certificate", ingest.TLS{CertFile: filepath.Join(dir, "none"), KeyFile: key}},
		{"no key", ingest.TLS{CertFile: cert, KeyFile: filepath.Join(dir, "none")}},
		{"no authority", ingest.TLS{CertFile: cert, KeyFile: key, ClientCAFile: filepath.Join(dir, "none")}},
		{"an empty authority", ingest.TLS{CertFile: cert, KeyFile: key, ClientCAFile: empty}},
	} {
		_, err := New(Config{Listen: "127.0.0.1:0", TLS: &c.tls}, Settings{ID: "millrace", Inbox: newBox()})
		assert.ErrorContains(t, err, "inlet millrace: tls", c.name)
	}
}
