package outbound

import (
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"os"
)

// TLS is what an outlet proves itself with, and whom it believes. Files are PEM.
type TLS struct {
	CAFile   string `yaml:"ca_file"`   // believed instead of the machine's own authorities
	CertFile string `yaml:"cert_file"` // certificate of ours, with KeyFile
	KeyFile  string `yaml:"key_file"`  // mode 0600
	// ServerName is the name in the other side's certificate, if it is not that
	// of the address.
	ServerName string `yaml:"server_name"`
}

func (t TLS) validate(say sayFault) {
	if t.CertFile == "" && t.KeyFile != "" {
		say("tls.cert_file", "a key is named without its certificate", "write the path of the PEM certificate")
	}
	if t.CertFile != "" && t.KeyFile == "" {
		say("tls.key_file", "a certificate is named without its key", "write the path of the PEM private key, a file of mode 0600")
	}
}

// Client reads the files for the client's end of a connection.
func (t TLS) Client() (*tls.Config, error) {
	cfg := &tls.Config{MinVersion: tls.VersionTLS12, ServerName: t.ServerName}
	if t.CAFile != "" {
		pem, err := os.ReadFile(t.CAFile)
		if err != nil {
			return nil, fmt.Errorf("tls: ca_file: %w", err)
		}
		cfg.RootCAs = x509.NewCertPool()
		if !cfg.RootCAs.AppendCertsFromPEM(pem) {
			return nil, errors.New("tls: ca_file holds no certificate")
		}
	}
	if t.CertFile == "" {
		return cfg, nil
	}
	cert, err := os.ReadFile(t.CertFile)
	if err != nil {
		return nil, fmt.Errorf("tls: cert_file: %w", err)
	}
	key, err := readPrivate(t.KeyFile)
	if err != nil {
		return nil, fmt.Errorf("tls: key_file: %w", err)
	}
	pair, err := tls.X509KeyPair(cert, key)
	if err != nil {
		return nil, fmt.Errorf("tls: %w", err)
	}
	cfg.Certificates = []tls.Certificate{pair}
	return cfg, nil
}
