package outbound

import (
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

// signIn adds credentials to requests. The secret is read from its file at the
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

// readSecret takes only a file that nobody else can read.
func readSecret(path string) (string, error) {
	info, err := os.Stat(path)
	if err != nil {
		return "", fmt.Errorf("secret: %w", err)
	}
	if info.Mode().Perm()&0o077 != 0 {
		return "", fmt.Errorf("secret %s: others can read it; run chmod 600 on it", path)
	}
	b, err := os.ReadFile(path)
	if err != nil {
		return "", fmt.Errorf("secret: %w", err)
	}
	word := strings.TrimSpace(string(b))
	if word == "" || strings.ContainsAny(word, "\r\n") {
		return "", fmt.Errorf("secret %s: one line belongs there", path)
	}
	return word, nil
}

// transport keeps enough idle connections for the deliveries in flight and
// refuses to dial addresses that a name in the configuration must never lead to.
func transport(inFlight int, timeout time.Duration) *http.Transport {
	dialer := &net.Dialer{
		Timeout: min(timeout, 5*time.Second),
		Control: func(_, address string, _ syscall.RawConn) error {
			at, err := netip.ParseAddrPort(address)
			if err == nil && (at.Addr().IsLinkLocalUnicast() || at.Addr().IsMulticast() || at.Addr().IsUnspecified()) {
				return errors.New("the name leads to an address of no single host")
			}
			return nil
		},
	}
	return &http.Transport{
		DialContext:         dialer.DialContext,
		MaxIdleConns:        inFlight,
		MaxIdleConnsPerHost: inFlight,
		MaxConnsPerHost:     inFlight,
		IdleConnTimeout:     90 * time.Second,
		TLSHandshakeTimeout: 5 * time.Second,
		ForceAttemptHTTP2:   true,
	}
}
