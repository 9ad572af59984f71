package web

import (
	"context"
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/base64"
	"encoding/hex"
	"errors"
	"fmt"
	"strings"
	"sync"
	"time"

	"tidegate/poct"
)

const (
	idleLimit  = 15 * time.Minute // a shared PC is left alone sooner or later
	dayLimit   = 12 * time.Hour
	foundLimit = 15 * time.Minute
	keepEvery  = 30 * time.Second // how often a session's use is written down
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

// byToken finds the person of a token from the configuration, and what ties a
// session to it; it compares with every one.
func (w *Server) byToken(token string) (poct.Actor, string, bool) {
	sum := sha256.Sum256([]byte(token))
	found := -1
	for i := range w.people {
		if subtle.ConstantTimeCompare(sum[:], w.people[i].token[:]) == 1 {
			found = i
		}
	}
	if found < 0 {
		return poct.Actor{}, "", false
	}
	return w.people[found].actor, bond(sum), true
}

// bond ties a session to a token from the configuration, so that taking the
// token back ends the session. It tells nothing about the token.
func bond(token [sha256.Size]byte) string { return keyOf("session of " + string(token[:])) }

func (w *Server) bound(to string) bool {
	for i := range w.people {
		if subtle.ConstantTimeCompare([]byte(bond(w.people[i].token)), []byte(to)) == 1 {
			return true
		}
	}
	return false
}

// Sessions keeps who is signed in, beyond the end of this process;
// *store.Store is one. A key is the digest of a cookie.
type Sessions interface {
	// BeginSession also forgets what has not been used since before.
	BeginSession(ctx context.Context, x poct.Session, before time.Time) error
	// Session is as it stands now; poct.ErrNotFound if it ended.
	Session(ctx context.Context, key string) (poct.Session, error)
	TouchSession(ctx context.Context, key string, used time.Time) error
	EndSession(ctx context.Context, key string) error
}

// session is what this process knows of a sign-in beside what is kept.
type session struct {
	key   string
	how   poct.SignInWay
	begun time.Time
	used  time.Time
	kept  time.Time // the last use that was written down
	said  *notice   // shown once, on the next page
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
	now    func() time.Time
	keeper Sessions
	mu     sync.Mutex
	all    map[string]*session // by key
}

func newSessions(now func() time.Time, keeper Sessions) *sessions {
	if keeper == nil {
		keeper = &inMemory{all: map[string]poct.Session{}}
	}
	return &sessions{now: now, keeper: keeper, all: map[string]*session{}}
}

// random is 128 bits as text that fits into an address or a cookie.
func random() string {
	var b [16]byte
	_, _ = rand.Read(b[:]) // never fails, by its documentation
	return base64.RawURLEncoding.EncodeToString(b[:])
}

// keyOf is the digest under which a cookie, code or token is kept.
func keyOf(value string) string {
	sum := sha256.Sum256([]byte(value))
	return hex.EncodeToString(sum[:])
}

// begin makes a session and returns its cookie's value. bond binds it to a
// token from the configuration; "" to none.
func (s *sessions) begin(ctx context.Context, actor poct.Actor, how poct.SignInWay, bond string) (string, error) {
	value, now := random(), s.now()
	x := poct.Session{Key: keyOf(value), Actor: actor, How: how, Bond: bond, Begun: now, Used: now}
	if err := s.keeper.BeginSession(ctx, x, now.Add(-idleLimit-keepEvery)); err != nil {
		return "", fmt.Errorf("begin a session: %w", err)
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	for k, old := range s.all {
		if s.over(old, now) {
			delete(s.all, k)
		}
	}
	return value, nil
}

func (s *sessions) over(x *session, now time.Time) bool {
	return now.Sub(x.used) > idleLimit || now.Sub(x.begun) > dayLimit
}

// of returns the session of a cookie and who it is, as far as it lasts. touch
// says that a person did something: what a page asks for by itself does not
// keep a session alive.
func (s *sessions) of(ctx context.Context, cookie string, touch bool) (*session, poct.Session, bool) {
	key := keyOf(cookie)
	kept, err := s.keeper.Session(ctx, key)
	if err != nil {
		s.forget(key)
		return nil, kept, false
	}
	now := s.now()
	s.mu.Lock()
	x := s.all[key]
	if x == nil {
		x = &session{key: key, how: kept.How, begun: kept.Begun, used: kept.Used, kept: kept.Used, found: map[string]finding{}}
		s.all[key] = x
	}
	if kept.Used.After(x.used) { // at another process
		x.used = kept.Used
	}
	over := s.over(x, now)
	if !over && touch {
		x.used = now
	}
	write := !over && touch && now.Sub(x.kept) >= keepEvery
	if write {
		x.kept = now
	}
	s.mu.Unlock()
	switch {
	case over:
		s.endKey(ctx, key)
		return nil, kept, false
	case write:
		// A use that is not written down ends the session a little early
		// after a restart; nobody is turned away for it now.
		_ = s.keeper.TouchSession(ctx, key, now)
	}
	return x, kept, true
}

// left is how long a session lasts without another act.
func (s *sessions) left(x *session) time.Duration {
	s.mu.Lock()
	defer s.mu.Unlock()
	now := s.now()
	return min(idleLimit-now.Sub(x.used), dayLimit-now.Sub(x.begun))
}

// endKey ends a session. One that could not be taken from the store is
// forgotten there when it has not been used for long enough.
func (s *sessions) endKey(ctx context.Context, key string) {
	s.forget(key)
	_ = s.keeper.EndSession(ctx, key)
}

func (s *sessions) forget(key string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	delete(s.all, key)
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

// inMemory keeps sessions for as long as the process lives: for a server that
// was given no other place.
type inMemory struct {
	mu  sync.Mutex
	all map[string]poct.Session
}

func (m *inMemory) BeginSession(_ context.Context, x poct.Session, before time.Time) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	for k, old := range m.all {
		if old.Used.Before(before) {
			delete(m.all, k)
		}
	}
	m.all[x.Key] = x
	return nil
}

func (m *inMemory) Session(_ context.Context, key string) (poct.Session, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	x, ok := m.all[key]
	if !ok {
		return x, poct.ErrNotFound
	}
	return x, nil
}

func (m *inMemory) TouchSession(_ context.Context, key string, used time.Time) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	if x, ok := m.all[key]; ok {
		x.Used = used
		m.all[key] = x
	}
	return nil
}

func (m *inMemory) EndSession(_ context.Context, key string) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	delete(m.all, key)
	return nil
}
