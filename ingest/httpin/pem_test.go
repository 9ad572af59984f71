package httpin_test

import (
	"crypto/tls"
	"crypto/x509"
	"encoding/pem"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"
)

// pemFiles writes a certificate and its key as an operator has them.
func pemFiles(t *testing.T, c tls.Certificate) (cert, key string) {
	t.Helper()
	dir := t.TempDir()
	cert, key = filepath.Join(dir, "cert.pem"), filepath.Join(dir, "key.pem")
	der, err := x509.MarshalPKCS8PrivateKey(c.PrivateKey)
	require.NoError(t, err)
	for file, block := range map[string]*pem.Block{
		cert: {Type: "CERTIFICATE", Bytes: c.Certificate[0]},
		key:  {Type: "PRIVATE KEY", Bytes: der},
	} {
		require.NoError(t, os.WriteFile(file, pem.EncodeToMemory(block), 0o600))
	}
	return cert, key
}
