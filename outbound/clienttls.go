package outbound

import (
	"crypto/tls"
	"crypto/x509"
	"fmt"
	"net"
	"net/netip"
	"os"
	"strings"
)

// ClientTLS is how a connection that we open is secured: TLS 1.2 or newer, the
// other side's certificate checked, and one of our own where it asks for it.
// Files are PEM.
type ClientTLS struct {
	CAFile     string `yaml:"ca_file,omitempty"`     // whose certificates are believed; the machine's own list if left out
	CertFile   string `yaml:"cert_file,omitempty"`   // our certificate
	KeyFile    string `yaml:"key_file,omitempty"`    // and its key, mode 0600
	ServerName string `yaml:"server_name,omitempty"` // the name in the other side's certificate, if not that of the address
}

func (t *ClientTLS) validate(say sayFault) {
	if t == nil {
		return
	}
	if t.CertFile != "" && t.KeyFile == "" {
		say("tls.key_file", "a certificate is named, but not its key", "write the path of its PEM key, mode 0600")
	}
	if t.KeyFile != "" && t.CertFile == "" {
		say("tls.cert_file", "a key is named, but not its certificate", "write the path of its PEM certificate")
	}
}

// config reads the files, at each new connection: renewed certificates are
// taken up without a restart.
func (t *ClientTLS) config(host string) (*tls.Config, error) {
	c := &tls.Config{MinVersion: tls.VersionTLS12, ServerName: t.ServerName}
	if c.ServerName == "" {
		c.ServerName = host
	}
	if t.CAFile != "" {
		pem, err := os.ReadFile(t.CAFile)
		if err != nil {
			return nil, fmt.Errorf("tls: ca_file: %w", err)
		}
		c.RootCAs = x509.NewCertPool()
		if !c.RootCAs.AppendCertsFromPEM(pem) {
			return nil, fmt.Errorf("tls: ca_file %s holds no certificate", t.CAFile)
		}
	}
	if t.CertFile != "" {
		cert, err := tls.LoadX509KeyPair(t.CertFile, t.KeyFile)
		if err != nil {
			return nil, fmt.Errorf("tls: %w", err)
		}
		c.Certificates = []tls.Certificate{cert}
	}
	return c, nil
}

// onLoopback tells whether a host, by name or number, is this machine.
func onLoopback(host string) bool {
	ip, err := netip.ParseAddr(host)
	return err == nil && ip.Unmap().IsLoopback() || strings.EqualFold(host, "localhost")
}

// inTheClear says that results would leave this machine without TLS, and
// nobody said that they may.
func inTheClear(host string, t *ClientTLS, plain bool) bool {
	return t == nil && !plain && !onLoopback(host)
}

// hostOf is the host of host:port, "" if it is none.
func hostOf(address string) string {
	host, port, err := net.SplitHostPort(address)
	if err != nil || port == "" {
		return ""
	}
	return host
}
