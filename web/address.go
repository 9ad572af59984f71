package web

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
	"time"

	"github.com/rs/zerolog"
	"golang.org/x/time/rate"
)

// TLSFiles names the certificate of the pages, as PEM, and its key.
type TLSFiles struct{ Cert, Key string }

// Limits are how many requests a minute are answered; 0 is no limit.
type Limits struct {
	Address int // from one address
	Person  int // for one person
}

// Exposed says why an address may not be listened on, "" if it may: beyond
// this machine only by TLS, here or at a proxy that is named.
func Exposed(listen string, tls, behind bool) string {
	host, _, err := net.SplitHostPort(listen)
	switch {
	case err != nil:
		return "is not an address and a port"
	case Loopback(host), tls, behind:
		return ""
	}
	return "is reachable from other machines, and nothing protects what is sent"
}

// proxy tells whether requests from this address may say whom they are for.
func (w *Server) proxy(peer netip.Addr) bool {
	for _, p := range w.s.Behind {
		if p.Contains(peer) {
			return true
		}
	}
	return false
}

// peer is who is at the other end of the connection; the zero address for a
// command of this machine.
func peer(r *http.Request) netip.Addr {
	p, err := netip.ParseAddrPort(r.RemoteAddr)
	if err != nil {
		return netip.Addr{}
	}
	return p.Addr().Unmap()
}

// client is the address that a request comes from: of the peer, unless that is
// a named proxy; then the last one in X-Forwarded-For that is no proxy itself.
func (w *Server) client(r *http.Request) netip.Addr {
	from := peer(r)
	if !w.proxy(from) {
		return from
	}
	told := strings.Split(strings.Join(r.Header.Values("X-Forwarded-For"), ","), ",")
	for i := len(told) - 1; i >= 0; i-- {
		a, err := netip.ParseAddr(strings.TrimSpace(told[i]))
		if err != nil {
			break // what stands before it was written by nobody we know
		}
		if from = a.Unmap(); !w.proxy(from) {
			break
		}
	}
	return from
}

// secure tells whether what is sent is hidden from the network.
func (w *Server) secure(r *http.Request) bool {
	if r.TLS != nil {
		return true
	}
	proto := r.Header.Values("X-Forwarded-Proto")
	return len(proto) == 1 && strings.EqualFold(proto[0], "https") && w.proxy(peer(r))
}

// open tells whether a request went over a network unprotected.
func (w *Server) open(r *http.Request) bool {
	if len(w.s.Behind) == 0 || w.secure(r) { // without a proxy, Listen binds to this machine or to TLS
		return false
	}
	c := w.client(r)
	return c.IsValid() && !c.IsLoopback()
}

// cookieName has the prefix that binds a cookie to this very host and to TLS,
// wherever there is TLS.
func (w *Server) cookieName(r *http.Request) string {
	if w.secure(r) {
		return hostPrefix + cookieName
	}
	return cookieName
}

const (
	cookieName = "tidegate"
	hostPrefix = "__Host-"
)

func (w *Server) cookie(r *http.Request, value string) *http.Cookie {
	return &http.Cookie{Name: w.cookieName(r), Value: value, Path: "/", HttpOnly: true, Secure: w.secure(r), SameSite: http.SameSiteLaxMode}
}

// requestRates counts requests by key, in memory alone.
type requestRates struct {
	perMinute int
	now       func() time.Time
	mu        sync.Mutex
	of        map[string]*rate.Limiter
	swept     time.Time
}

func newRequestRates(perMinute int, now func() time.Time) *requestRates {
	return &requestRates{perMinute: perMinute, now: now, of: map[string]*rate.Limiter{}}
}

// allow takes one request into account; false if there were too many. A
// minute's worth may come at once.
func (l *requestRates) allow(key string) bool {
	if l.perMinute == 0 {
		return true
	}
	now := l.now()
	l.mu.Lock()
	defer l.mu.Unlock()
	if now.Sub(l.swept) > time.Minute { // whoever has been silent for a minute starts anew anyway
		for k, x := range l.of {
			if x.TokensAt(now) >= float64(l.perMinute) {
				delete(l.of, k)
			}
		}
		l.swept = now
	}
	x := l.of[key]
	if x == nil {
		x = rate.NewLimiter(rate.Limit(float64(l.perMinute)/60), l.perMinute)
		l.of[key] = x
	}
	return x.AllowN(now, 1)
}

// certificate is read anew when its files change, so that it can be renewed
// without a stop.
type certificate struct {
	files TLSFiles
	now   func() time.Time
	log   zerolog.Logger

	mu     sync.Mutex
	loaded *tls.Certificate
	stamp  string
	failed string // the stamp of files that could not be read
}

func newCertificate(files TLSFiles, now func() time.Time, log zerolog.Logger) (*certificate, error) {
	c := &certificate{files: files, now: now, log: log}
	stamp, err := c.stampNow()
	if err == nil {
		err = c.load(stamp)
	}
	if err != nil {
		return nil, fmt.Errorf("web.tls: %w", err)
	}
	return c, nil
}

func (c *certificate) stampNow() (string, error) {
	var b strings.Builder
	for _, path := range []string{c.files.Cert, c.files.Key} {
		info, err := os.Stat(path)
		if err != nil {
			return "", err
		}
		fmt.Fprintln(&b, info.Size(), info.ModTime().UnixNano())
	}
	return b.String(), nil
}

// load reads the pair; certificate and key that do not belong together are
// none.
func (c *certificate) load(stamp string) error {
	pair, err := tls.LoadX509KeyPair(c.files.Cert, c.files.Key)
	if err != nil {
		return err
	}
	c.loaded, c.stamp = &pair, stamp
	if left := pair.Leaf.NotAfter.Sub(c.now()); left < 30*24*time.Hour {
		c.log.Warn().Time("until", pair.Leaf.NotAfter).Msg("the pages' certificate ends within 30 days; renew it")
	}
	return nil
}

// get is asked at each handshake. Files that cannot be read, as while they are
// being written, leave the certificate as it is.
func (c *certificate) get(*tls.ClientHelloInfo) (*tls.Certificate, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	stamp, err := c.stampNow()
	if err == nil && stamp != c.stamp && stamp != c.failed {
		if err = c.load(stamp); err != nil {
			c.failed = stamp
			c.log.Error().Err(err).Msg("the pages' new certificate cannot be used; the old one stays")
		} else {
			c.log.Info().Msg("the pages' certificate was read anew")
		}
	}
	if c.loaded == nil {
		return nil, errors.New("no certificate")
	}
	return c.loaded, nil
}
