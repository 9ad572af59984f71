package outbound

import (
	"crypto/tls"
	"errors"
	"fmt"
	"net"
	"net/http"
	"net/netip"
	"os"
	"strings"
	"sync"
	"syscall"
	"time"
)

// credentials let requests in at the record system.
type credentials interface {
	authorize(req *http.Request) error
	// refresh gets new ones after the old were refused; false if there are none.
	refresh() (changed bool, err error)
}

// newCredentials makes what the configuration asks for. It reads secrets but
// opens no connection.
func newCredentials(a Auth, base string, hc *http.Client, s Settings, wait time.Duration) (credentials, error) {
	if a.Kind == "smart" {
		return newBackend(a, base, hc, s, wait)
	}
	return newSignIn(a)
}

// signIn adds a fixed secret to requests. The secret is read from its file at the
// start and again when the record system no longer takes it.
type signIn struct {
	auth Auth
	mu   sync.Mutex
	word string
}

func newSignIn(a Auth) (*signIn, error) {
	s := &signIn{auth: a}
	_, err := s.refresh()
	return s, err
}

func (s *signIn) file() string {
	switch s.auth.Kind {
	case "bearer":
		return s.auth.TokenFile
	case "basic":
		return s.auth.PasswordFile
	}
	return ""
}

// refresh reads the file and reports whether the secret changed.
func (s *signIn) refresh() (changed bool, err error) {
	path := s.file()
	if path == "" {
		return false, nil
	}
	word, err := readSecret(path)
	if err != nil {
		return false, err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	changed = word != s.word
	s.word = word
	return changed, nil
}

func (s *signIn) authorize(req *http.Request) error {
	s.mu.Lock()
	word := s.word
	s.mu.Unlock()
	switch s.auth.Kind {
	case "bearer":
		req.Header.Set("Authorization", "Bearer "+word)
	case "basic":
		req.SetBasicAuth(s.auth.Username, word)
	}
	return nil
}

// readPrivate takes only a file that nobody else can read.
func readPrivate(path string) ([]byte, error) {
	info, err := os.Stat(path)
	if err != nil {
		return nil, fmt.Errorf("secret: %w", err)
	}
	if info.Mode().Perm()&0o077 != 0 {
		return nil, fmt.Errorf("secret %s: others can read it; run chmod 600 on it", path)
	}
	b, err := os.ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("secret: %w", err)
	}
	return b, nil
}

// readSecret reads a secret of one line.
func readSecret(path string) (string, error) {
	b, err := readPrivate(path)
	if err != nil {
		return "", err
	}
	word := strings.TrimSpace(string(b))
	if word == "" || strings.ContainsAny(word, "\r\n") {
		return "", fmt.Errorf("secret %s: one line belongs there", path)
	}
	return word, nil
}

// dialer refuses addresses that a name in the configuration must never lead to.
func dialer(timeout time.Duration) *net.Dialer {
	return &net.Dialer{
		Timeout: min(timeout, 5*time.Second),
		Control: func(_, address string, _ syscall.RawConn) error {
			at, err := netip.ParseAddrPort(address)
			if err == nil && (at.Addr().IsLinkLocalUnicast() || at.Addr().IsMulticast() || at.Addr().IsUnspecified()) {
				return errors.New("the name leads to an address of no single host")
			}
			return nil
		},
	}
}

// transport keeps enough idle connections for the deliveries in flight.
func transport(inFlight int, timeout time.Duration, trust *tls.Config) *http.Transport {
	return &http.Transport{
		DialContext:         dialer(timeout).DialContext,
		MaxIdleConns:        inFlight,
		MaxIdleConnsPerHost: inFlight,
		MaxConnsPerHost:     inFlight,
		IdleConnTimeout:     90 * time.Second,
		TLSHandshakeTimeout: 5 * time.Second,
		TLSClientConfig:     trust,
		ForceAttemptHTTP2:   true,
	}
}
