package web

import (
	"context"
	"crypto/subtle"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/coreos/go-oidc/v3/oidc"
	"golang.org/x/oauth2"

	"tidegate/poct"
)

// Provider is an identity provider: people show there who they are, by the
// authorization code flow of OpenID Connect Core 1.0 with PKCE (RFC 7636).
type Provider struct {
	Issuer       string
	ClientID     string
	ClientSecret string // "" for a public client
	Address      string // of these pages as browsers know them, such as https://tidegate.millrace.example
	Label        string // of the link on the sign-in page
	// ClaimName tells the name that acts and looks carry, ClaimRoles what Roles
	// turns into roles of ours. Whoever has none of them is not let in.
	ClaimName, ClaimRoles string
	Roles                 map[string]string
	// ClaimSites tells the sites; without it Sites are everybody's.
	ClaimSites string
	Sites      []string
	// ClaimOperator tells the operator numbers; "" if none is told.
	ClaimOperator string
	// HTTP reaches the provider; nil is a client with bounds of its own.
	HTTP *http.Client
}

const (
	wayLasts = 10 * time.Minute // from our page to the provider and back
	waysMost = 10_000
	wayName  = "tidegate-way"
)

// provider is a Provider with the ways that people are on.
type provider struct {
	s    Provider
	now  func() time.Time
	http *http.Client

	mu   sync.Mutex
	met  *oidc.Provider // nil until it has answered
	ways map[string]way // by state
}

// way is one person's way to the provider and back.
type way struct {
	browser, nonce, verifier, to string
	begun                        time.Time
}

func newProvider(s Provider, now func() time.Time) (*provider, error) {
	u, err := url.Parse(s.Address)
	if err != nil || u.Host == "" || u.Path != "" && u.Path != "/" || u.Scheme != "https" && !(u.Scheme == "http" && Loopback(u.Hostname())) {
		return nil, errors.New("web.oidc.address: write the address of these pages as browsers know it, such as https://tidegate.millrace.example")
	}
	s.Address = strings.TrimSuffix(s.Address, "/")
	for _, r := range s.Roles {
		if !slices.Contains(roles, r) {
			return nil, fmt.Errorf("web.oidc.roles: %q is no role; write one of %s", r, list(roles, "or"))
		}
	}
	c := s.HTTP
	if c == nil {
		c = &http.Client{Timeout: 10 * time.Second, Transport: bounded{http.DefaultTransport},
			CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	}
	return &provider{s: s, now: now, http: c, ways: map[string]way{}}, nil
}

// bounded reads at most a mebibyte of each answer.
type bounded struct{ http.RoundTripper }

func (b bounded) RoundTrip(r *http.Request) (*http.Response, error) {
	res, err := b.RoundTripper.RoundTrip(r)
	if err == nil {
		res.Body = struct {
			io.Reader
			io.Closer
		}{io.LimitReader(res.Body, 1<<20), res.Body}
	}
	return res, err
}

// meet asks the provider once for its addresses and keys; while it does not
// answer, each sign-in asks again.
func (p *provider) meet() (*oidc.Provider, error) {
	p.mu.Lock()
	met := p.met
	p.mu.Unlock()
	if met != nil {
		return met, nil
	}
	// Keys are fetched with this context later on, so it is not the request's;
	// the client bounds each call.
	met, err := oidc.NewProvider(oidc.ClientContext(context.Background(), p.http), p.s.Issuer)
	if err != nil {
		return nil, fmt.Errorf("ask the identity provider: %w", err)
	}
	p.mu.Lock()
	p.met = met
	p.mu.Unlock()
	return met, nil
}

func (p *provider) config(met *oidc.Provider) *oauth2.Config {
	return &oauth2.Config{ClientID: p.s.ClientID, ClientSecret: p.s.ClientSecret, Endpoint: met.Endpoint(),
		RedirectURL: p.s.Address + "/sign-in/answer", Scopes: []string{oidc.ScopeOpenID, "profile"}}
}

// begin keeps a new way under its state.
func (p *provider) begin(x way) (state string, ok bool) {
	state, x.begun = random()+random(), p.now()
	p.mu.Lock()
	defer p.mu.Unlock()
	for k, old := range p.ways {
		if x.begun.Sub(old.begun) > wayLasts {
			delete(p.ways, k)
		}
	}
	if len(p.ways) >= waysMost {
		return "", false
	}
	p.ways[state] = x
	return state, true
}

// end gives a way back, once.
func (p *provider) end(state string) (way, bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	x, ok := p.ways[state]
	delete(p.ways, state)
	return x, ok && p.now().Sub(x.begun) <= wayLasts
}

func (w *Server) wayCookie(r *http.Request, value string) *http.Cookie {
	k := w.cookie(r, value)
	k.Name = strings.Replace(k.Name, cookieName, wayName, 1)
	return k
}

// toProvider sends a person to the provider, with a state that only their
// browser can bring back.
func (w *Server) toProvider(rw http.ResponseWriter, r *http.Request, _ caller) error {
	if w.provider == nil {
		return poct.ErrNotFound
	}
	met, err := w.provider.meet()
	if err != nil {
		w.s.Log.Error().Err(err).Msg("the identity provider does not answer")
		return problem{Status: 503, Title: "The identity provider does not answer.", Detail: "Try again in a minute. Whoever has a password of this program can use it meanwhile."}
	}
	browser, nonce, verifier := random(), random(), oauth2.GenerateVerifier()
	state, ok := w.provider.begin(way{browser: keyOf(browser), nonce: nonce, verifier: verifier, to: local(r.URL.Query().Get("to"))})
	if !ok {
		return problem{Status: 503, Title: "Too many people are signing in at once.", Detail: "Try again in a minute."}
	}
	k := w.wayCookie(r, browser)
	k.MaxAge = int(wayLasts.Seconds())
	http.SetCookie(rw, k)
	http.Redirect(rw, r, w.provider.config(met).AuthCodeURL(state, oidc.Nonce(nonce), oauth2.S256ChallengeOption(verifier)), http.StatusSeeOther)
	return nil
}

// errNotOurs is an answer that does not belong to a sign-in from this browser.
var errNotOurs = problem{Status: 403, Title: "This sign-in did not begin here, or took too long.", Detail: "Begin again on the sign-in page."}

// fromProvider takes the provider's answer.
func (w *Server) fromProvider(rw http.ResponseWriter, r *http.Request, _ caller) error {
	if w.provider == nil {
		return poct.ErrNotFound
	}
	q := r.URL.Query()
	x, ok := w.provider.end(q.Get("state"))
	k, err := r.Cookie(w.wayCookie(r, "").Name)
	if !ok || err != nil || subtle.ConstantTimeCompare([]byte(keyOf(k.Value)), []byte(x.browser)) != 1 {
		return errNotOurs
	}
	gone := w.wayCookie(r, "")
	gone.MaxAge = -1
	http.SetCookie(rw, gone)
	if iss := q.Get("iss"); iss != "" && iss != w.provider.s.Issuer { // RFC 9207: an answer of another provider
		return errNotOurs
	}
	if q.Get("error") != "" {
		return problem{Status: 403, Title: "The identity provider did not sign you in.", Detail: "Begin again on the sign-in page."}
	}
	claims, err := w.provider.redeem(r.Context(), q.Get("code"), x)
	if err != nil {
		w.s.Log.Error().Err(err).Msg("the identity provider's answer was refused")
		return problem{Status: 403, Title: "The identity provider's answer cannot be trusted.", Detail: "It has been logged; nobody was signed in. Begin again on the sign-in page."}
	}
	actor, why := w.provider.actor(claims)
	if why == "" && w.taken(r.Context(), actor.Name) {
		why = "Your name there is that of somebody who signs in here otherwise. Ask whoever administers tidegate to lock one of the two out."
	}
	if why != "" {
		if w.s.Access != nil {
			if err := w.s.Access.NotLetIn(r.Context(), ""); err != nil {
				return err
			}
		}
		w.s.Log.Warn().Msg("sign-in refused: the identity provider tells no name, role or site that is known here")
		return problem{Status: 403, Title: "You are known, but not let in here.", Detail: why}
	}
	return w.enter(rw, r, actor, poct.ByProvider, "", x.to)
}

// taken tells whether a name stands for somebody who is let in another way.
func (w *Server) taken(ctx context.Context, name string) bool {
	if w.hasToken(name) {
		return true
	}
	if w.s.Access == nil {
		return false
	}
	_, err := w.s.Access.User(ctx, userName(name))
	return !errors.Is(err, poct.ErrNotFound)
}

// redeem turns the code into claims that the provider signed for us, now, for
// this very sign-in.
func (p *provider) redeem(ctx context.Context, code string, x way) (map[string]any, error) {
	met, err := p.meet()
	if err != nil {
		return nil, err
	}
	token, err := p.config(met).Exchange(oidc.ClientContext(ctx, p.http), code, oauth2.VerifierOption(x.verifier))
	if err != nil {
		return nil, fmt.Errorf("turn the code into a token: %w", failedExchange(err))
	}
	raw, ok := token.Extra("id_token").(string)
	if !ok {
		return nil, errors.New("the answer has no id_token")
	}
	id, err := met.Verifier(&oidc.Config{ClientID: p.s.ClientID, Now: p.now}).Verify(ctx, raw)
	if err != nil {
		return nil, fmt.Errorf("check the id_token: %w", err)
	}
	if subtle.ConstantTimeCompare([]byte(id.Nonce), []byte(x.nonce)) != 1 {
		return nil, errors.New("the id_token is of another sign-in: its nonce differs")
	}
	claims := map[string]any{}
	if err := id.Claims(&claims); err != nil {
		return nil, fmt.Errorf("read the id_token: %w", err)
	}
	if azp, _ := claims["azp"].(string); len(id.Audience) > 1 && azp != p.s.ClientID { // OpenID Connect Core 3.1.3.7
		return nil, errors.New("the id_token was made for several and not for us")
	}
	return claims, nil
}

// failedExchange keeps what a provider wrote out of the log: status and code
// alone.
func failedExchange(err error) error {
	var refused *oauth2.RetrieveError
	if errors.As(err, &refused) && refused.Response != nil {
		return fmt.Errorf("status %d, code %.40q", refused.Response.StatusCode, refused.ErrorCode)
	}
	return err
}

// actor is the person whom the claims tell of, or why there is none for us.
func (p *provider) actor(claims map[string]any) (a poct.Actor, why string) {
	names := claimed(claims, p.s.ClaimName)
	if len(names) != 1 || len(names[0]) > 80 || names[0] == poct.System || strings.ContainsFunc(names[0], func(r rune) bool { return r < ' ' || r == 0x7f }) {
		return a, "The identity provider tells no name of yours in the claim " + p.s.ClaimName + "."
	}
	a.Name, a.Sites = names[0], p.s.Sites
	var have []string
	for _, group := range claimed(claims, p.s.ClaimRoles) {
		if r := p.s.Roles[group]; r != "" && !slices.Contains(have, r) {
			have = append(have, r)
		}
	}
	slices.Sort(have)
	if a.Role = strings.Join(have, " "); a.Role == "" {
		return a, "None of your groups has a role here. Ask whoever administers tidegate."
	}
	if p.s.ClaimSites != "" {
		a.Sites = claimed(claims, p.s.ClaimSites)
	}
	if len(a.Sites) == 0 {
		return a, "No site is told for you. Ask whoever administers tidegate."
	}
	if p.s.ClaimOperator != "" {
		a.Operator = strings.Join(claimed(claims, p.s.ClaimOperator), ",")
	}
	return a, ""
}

// claimed is a claim as texts: one, or a list.
func claimed(claims map[string]any, name string) []string {
	switch v := claims[name].(type) {
	case string:
		if v != "" {
			return []string{v}
		}
	case []any:
		var out []string
		for _, x := range v {
			if s, ok := x.(string); ok && s != "" {
				out = append(out, s)
			}
		}
		return out
	}
	return nil
}
