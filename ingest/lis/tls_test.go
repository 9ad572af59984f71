package lis

import (
	"crypto/tls"
	"crypto/x509"
	"encoding/pem"
	"net/http/httptest"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"

	"tidegate/ingest"
)

// Over TLS as without; who shows no certificate where one is demanded is
// refused.
func TestTLS(t *testing.T) {
	web := httptest.NewTLSServer(nil)
	defer web.Close()
	dir := t.TempDir()
	cert := web.TLS.Certificates[0]
	private, err := x509.MarshalPKCS8PrivateKey(cert.PrivateKey)
	require.NoError(t, err)
	files := &ingest.TLS{CertFile: filepath.Join(dir, "cert.pem"), KeyFile: filepath.Join(dir, "key.pem")}
	require.NoError(t, os.WriteFile(files.CertFile, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: cert.Certificate[0]}), 0o600))
	require.NoError(t, os.WriteFile(files.KeyFile, pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: private}), 0o600))
	roots := x509.NewCertPool()
	roots.AddCert(web.Certificate())
	client := &tls.Config{RootCAs: roots, ServerName: "127.0.0.1"}

	b := newBox()
	in := serve(t, Config{TLS: files}, b)
	c, err := tls.Dial("tcp", in.Addr(), client)
	require.NoError(t, err)
	defer c.Close() //nolint:errcheck // all was read
	m := meter{t, c}
	m.ask(enq, ack)
	m.ask(frame(1, all), ack)
	m.ask(eot+enq, ack)
	require.Equal(t, []string{all}, b.raws())

	files.ClientCAFile = files.CertFile
	in = serve(t, Config{TLS: files}, b)
	c, err = tls.Dial("tcp", in.Addr(), client)
	if err == nil { // TLS 1.3: the refusal comes with the first read
		m = meter{t, c}
		_, _ = c.Write([]byte(enq))
		m.ended()
	}
	b.told(t, "no certificate that is accepted here")
}
