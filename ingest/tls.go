package ingest

import (
	"crypto/tls"
	"crypto/x509"
	"fmt"
	"os"

	"tidegate/poct"
)

// TLS is a certificate of an inlet's own, and the authority whose client
// certificates it demands. Files are PEM.
type TLS struct {
	CertFile     string `yaml:"cert_file"`
	KeyFile      string `yaml:"key_file"`
	ClientCAFile string `yaml:"client_ca_file,omitempty"`
}

// Validate finds what is missing, without looking at files; keys are relative
// to the inlet. Nil is plain TCP, of which there is nothing to say.
func (t *TLS) Validate() []poct.KeyFault {
	var faults []poct.KeyFault
	if t != nil && t.CertFile == "" {
		faults = append(faults, poct.KeyFault{Key: "tls.cert_file", What: "is missing", Instead: "write the path of the PEM certificate"})
	}
	if t != nil && t.KeyFile == "" {
		faults = append(faults, poct.KeyFault{Key: "tls.key_file", What: "is missing", Instead: "write the path of the PEM private key"})
	}
	return faults
}

// Load reads the files; nil if there is no TLS.
func (t *TLS) Load() (*tls.Config, error) {
	if t == nil {
		return nil, nil
	}
	cert, err := tls.LoadX509KeyPair(t.CertFile, t.KeyFile)
	if err != nil {
		return nil, fmt.Errorf("tls: %w", err)
	}
	cfg := &tls.Config{MinVersion: tls.VersionTLS12, Certificates: []tls.Certificate{cert}}
	if t.ClientCAFile == "" {
		return cfg, nil
	}
	pem, err := os.ReadFile(t.ClientCAFile)
	if err != nil {
		return nil, fmt.Errorf("tls: client_ca_file: %w", err)
	}
	cfg.ClientCAs = x509.NewCertPool()
	if !cfg.ClientCAs.AppendCertsFromPEM(pem) {
		return nil, fmt.Errorf("tls: client_ca_file %s holds no certificate", t.ClientCAFile)
	}
	cfg.ClientAuth = tls.RequireAndVerifyClientCert
	return cfg, nil
}
