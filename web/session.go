package web

import (
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/base64"
	"encoding/hex"
	"errors"
	"fmt"
	"net/http"
	"strings"
	"sync"
	"time"

	"tidegate/poct"
)

const (
	cookieName = "tidegate"
	idleLimit  = 15 * time.Minute // a shared PC is left alone sooner or later
	dayLimit   = 12 * time.Hour
	foundLimit = 15 * time.Minute
)

// digestedPerson keeps a token only as its digest: all of one length, so that
// comparing takes the same time whatever was sent.
type digestedPerson struct {
	token [sha256.Size]byte
	actor poct.Actor
}

func digest(people []Person) ([]digestedPerson, error) {
	out := make([]digestedPerson, 0, len(people))
	for i, p := range people {
		if len(p.Token) < 16 {
			return nil, fmt.Errorf("web.tokens[%d] of %s: a token of %d characters can be guessed; write 16 or more", i, p.Actor.Name, len(p.Token))
		}
		if p.Actor.Name == "" || p.Actor.Name == poct.System || !knownRoles(p.Actor) {
			return nil, fmt.Errorf("web.tokens[%d]: it needs an actor's name other than %q and one of the roles %s", i, poct.System, strings.Join(roles, ", "))
		}
		out = append(out, digestedPerson{token: sha256.Sum256([]byte(p.Token)), actor: p.Actor})
	}
	return out, nil
}

// byToken finds the person of a token; it compares with every one.
func (w *Server) byToken(token string) (poct.Actor, bool) {
	sum := sha256.Sum256([]byte(token))
	found := -1
	for i := range w.people {
		if subtle.ConstantTimeCompare(sum[:], w.people[i].token[:]) == 1 {
			found = i
		}
	}
	if found < 0 {
		return poct.Actor{}, false
	}
	return w.people[found].actor, true
}

// session is one person's sign-in on one browser.
type session struct {
	actor poct.Actor
	begun time.Time
	used  time.Time
	said  *notice // shown once, on the next page
	found map[string]finding
}

// notice is a sentence for the next page, with a link.
type notice struct{ Text, Link, LinkText string }

// finding is what a search found, kept for the one who searched.
type finding struct {
	ids  []string
	at   time.Time
	kind string
}

type sessions struct {
	now func() time.Time
	mu  sync.Mutex
	all map[string]*session // by digest of the cookie
}

func newSessions(now func() time.Time) *sessions {
	return &sessions{now: now, all: map[string]*session{}}
}

// random is 128 bits as text that fits into an address or a cookie.
func random() string {
	var b [16]byte
	_, _ = rand.Read(b[:]) // never fails, by its documentation
	return base64.RawURLEncoding.EncodeToString(b[:])
}

func cookieKey(value string) string {
	sum := sha256.Sum256([]byte(value))
	return string(sum[:])
}

// begin makes a session and returns its cookie.
func (s *sessions) begin(actor poct.Actor) *http.Cookie {
	value, now := random(), s.now()
	s.mu.Lock()
	defer s.mu.Unlock()
	for k, old := range s.all {
		if s.over(old, now) {
			delete(s.all, k)
		}
	}
	s.all[cookieKey(value)] = &session{actor: actor, begun: now, used: now, found: map[string]finding{}}
	return &http.Cookie{Name: cookieName, Value: value, Path: "/", HttpOnly: true, SameSite: http.SameSiteLaxMode}
}

func (s *sessions) over(x *session, now time.Time) bool {
	return now.Sub(x.used) > idleLimit || now.Sub(x.begun) > dayLimit
}

// of returns the session of a request. touch says that a person did something:
// what a page asks for by itself does not keep a session alive.
func (s *sessions) of(r *http.Request, touch bool) (*session, bool) {
	c, err := r.Cookie(cookieName)
	if err != nil {
		return nil, false
	}
	now := s.now()
	s.mu.Lock()
	defer s.mu.Unlock()
	x, ok := s.all[cookieKey(c.Value)]
	if !ok {
		return nil, false
	}
	if s.over(x, now) {
		delete(s.all, cookieKey(c.Value))
		return nil, false
	}
	if touch {
		x.used = now
	}
	return x, true
}

// left is how long a session lasts without another act.
func (s *sessions) left(x *session) time.Duration {
	s.mu.Lock()
	defer s.mu.Unlock()
	now := s.now()
	return min(idleLimit-now.Sub(x.used), dayLimit-now.Sub(x.begun))
}

func (s *sessions) end(r *http.Request) {
	if c, err := r.Cookie(cookieName); err == nil {
		s.mu.Lock()
		defer s.mu.Unlock()
		delete(s.all, cookieKey(c.Value))
	}
}

// say keeps a sentence for the next page of this session.
func (s *sessions) say(x *session, n notice) {
	if x == nil {
		return
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	x.said = &n
}

// heard returns the sentence kept for this page, once.
func (s *sessions) heard(x *session) *notice {
	if x == nil {
		return nil
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	n := x.said
	x.said = nil
	return n
}

// keep stores what a search found and returns the token of its page.
func (s *sessions) keep(x *session, f finding) string {
	s.mu.Lock()
	defer s.mu.Unlock()
	now := s.now()
	f.at = now
	for k, old := range x.found {
		if now.Sub(old.at) > foundLimit {
			delete(x.found, k)
		}
	}
	token := random()
	x.found[token] = f
	return token
}

func (s *sessions) finding(x *session, token string) (finding, bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	f, ok := x.found[token]
	if !ok || s.now().Sub(f.at) > foundLimit {
		return finding{}, false
	}
	return f, true
}

// causeNames turns a cause, which may hold a patient's number, into a name for
// an address. The key lives as long as the process, so the name tells nothing.
type causeNames struct{ key []byte }

func newCauseNames() (causeNames, error) {
	key := make([]byte, 32)
	if _, err := rand.Read(key); err != nil {
		return causeNames{}, errors.Join(errors.New("web: no random key"), err)
	}
	return causeNames{key: key}, nil
}

func (c causeNames) name(cause string) string {
	m := hmac.New(sha256.New, c.key)
	m.Write([]byte(cause))
	return hex.EncodeToString(m.Sum(nil)[:8])
}
