package httpin

import (
	"net"
	"strings"

	"tidegate/ingest"
	"tidegate/poct"
)

// Config is what the operator writes for one HTTP inlet.
type Config struct {
	Listen    string `yaml:"listen"`
	Path      string `yaml:"path,omitempty"` // /messages if left out
	TokenFile string `yaml:"token_file"`     // what the sender must show as a bearer token
	MaxBody   int64  `yaml:"max_body,omitempty"`
	TLS       TLS    `yaml:"tls,omitempty"` // needed off loopback
}

// TLS names the server's certificate and key.
type TLS struct {
	CertFile string `yaml:"cert_file,omitempty"`
	KeyFile  string `yaml:"key_file,omitempty"`
}

// WithDefaults fills in what was left out.
func (c Config) WithDefaults() Config {
	if c.Path == "" {
		c.Path = "/messages"
	}
	if c.MaxBody == 0 {
		c.MaxBody = 1 << 20
	}
	return c
}

// Validate lists what cannot work, keys relative to the inlet. It opens no file.
func (c Config) Validate() []poct.KeyFault {
	c = c.WithDefaults()
	var faults []poct.KeyFault
	say := func(key, what, instead string) {
		faults = append(faults, poct.KeyFault{Key: key, What: what, Instead: instead})
	}
	_, _, err := net.SplitHostPort(c.Listen)
	switch {
	case err != nil:
		say("listen", "is not host:port", "write for example 127.0.0.1:8461")
	case !ingest.Loopback(c.Listen) && c.TLS.CertFile == "":
		say("tls", "is missing, and the address can be reached from other machines", "write tls: {cert_file: FILE, key_file: FILE}, or listen on 127.0.0.1")
	}
	if (c.TLS.CertFile == "") != (c.TLS.KeyFile == "") {
		say("tls", "needs both cert_file and key_file", "write both")
	}
	if !strings.HasPrefix(c.Path, "/") || strings.ContainsAny(c.Path, "?# {}") {
		say("path", "is not a path", "write for example /messages")
	}
	if c.TokenFile == "" {
		say("token_file", "is missing", "write the file that holds the sender's token, mode 0600")
	}
	if c.MaxBody < 1024 || c.MaxBody > 256<<20 {
		say("max_body", "is outside 1 KiB to 256 MiB", "write a number of bytes such as 1048576")
	}
	return faults
}
