package outbound

import (
	"bytes"
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rsa"
	"crypto/x509"
	"encoding/json"
	"encoding/pem"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/go-jose/go-jose/v4"
	"github.com/go-jose/go-jose/v4/jwt"
	"github.com/google/uuid"
	"github.com/rs/zerolog"
)

// Why a request could not be signed. Both come before anything is sent.
var (
	errNotLetIn   = errors.New("the token endpoint does not let us in")
	errNotGranted = errors.New("less was granted than is needed")
)

const (
	// assertionLife is how long an assertion is good for. SMART App Launch,
	// "Backend Services", allows five minutes; a minute is left for clocks that
	// disagree.
	assertionLife = 4 * time.Minute
	// tokenMargin is how long before its end a token is no longer used.
	tokenMargin = 30 * time.Second
	// tokenFresh is the age up to which a token that was refused is not asked
	// for anew: the one that came in meanwhile may do.
	tokenFresh = time.Second
	// refusedPause is how long the token endpoint is left alone after a refusal.
	refusedPause = 10 * time.Second
	mostAnswer   = 1 << 20
)

// backend signs in by SMART Backend Services: an assertion signed with our key
// buys a token (hl7.org/fhir/smart-app-launch/backend-services.html).
type backend struct {
	auth   Auth
	base   string // of the record system
	http   *http.Client
	now    func() time.Time
	log    zerolog.Logger
	wait   time.Duration // for one request
	key    jose.SigningKey
	warned bool

	mu      sync.Mutex
	token   string
	until   time.Time // not used after
	fetched time.Time
	refused time.Time // by the token endpoint
	why     error
	place   string // token endpoint that discovery named
}

func newBackend(a Auth, base string, hc *http.Client, s Settings, wait time.Duration) (*backend, error) {
	key, err := signingKey(a.KeyFile, a.KeyID)
	if err != nil {
		return nil, err
	}
	plain := *hc // credentials follow no redirect
	plain.CheckRedirect = func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }
	return &backend{auth: a, base: strings.TrimRight(base, "/"), http: &plain, now: s.Now, log: s.Log, wait: wait, key: key}, nil
}

// signingKey reads a private key, PEM or JWK. RSA signs with RS384, P-384 with
// ES384: the two that the standard asks clients to know.
func signingKey(path, id string) (jose.SigningKey, error) {
	raw, err := readPrivate(path)
	if err != nil {
		return jose.SigningKey{}, err
	}
	jwk := jose.JSONWebKey{}
	if bytes.HasPrefix(bytes.TrimSpace(raw), []byte("{")) {
		if err := jwk.UnmarshalJSON(raw); err != nil {
			return jose.SigningKey{}, errors.New("auth.key_file: not a JSON Web Key")
		}
	} else if jwk.Key, err = pemKey(raw); err != nil {
		return jose.SigningKey{}, err
	}
	if id != "" {
		jwk.KeyID = id
	}
	switch k := jwk.Key.(type) {
	case *rsa.PrivateKey:
		if k.N.BitLen() < 2048 {
			return jose.SigningKey{}, errors.New("auth.key_file: an RSA key needs 2048 bits or more")
		}
		return jose.SigningKey{Algorithm: jose.RS384, Key: jwk}, nil
	case *ecdsa.PrivateKey:
		if k.Curve == elliptic.P384() {
			return jose.SigningKey{Algorithm: jose.ES384, Key: jwk}, nil
		}
	}
	return jose.SigningKey{}, errors.New("auth.key_file: an RSA or P-384 private key belongs there")
}

func pemKey(raw []byte) (any, error) {
	block, _ := pem.Decode(raw)
	if block == nil {
		return nil, errors.New("auth.key_file: neither PEM nor a JSON Web Key")
	}
	if k, err := x509.ParsePKCS8PrivateKey(block.Bytes); err == nil {
		return k, nil
	}
	if k, err := x509.ParsePKCS1PrivateKey(block.Bytes); err == nil {
		return k, nil
	}
	k, err := x509.ParseECPrivateKey(block.Bytes)
	if err != nil {
		return nil, errors.New("auth.key_file: no private key that can be read")
	}
	return k, nil
}

// authorize adds a token, of which a new one is bought when the old one nears
// its end.
func (b *backend) authorize(req *http.Request) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.token == "" || !b.now().Before(b.until) {
		if err := b.buy(req.Context()); err != nil {
			return err
		}
	}
	req.Header.Set("Authorization", "Bearer "+b.token)
	return nil
}

// refresh buys a new token after one was refused. Several that were refused
// together share one.
func (b *backend) refresh() (changed bool, err error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	now := b.now()
	switch {
	case b.token != "" && now.Sub(b.fetched) < tokenFresh:
		return true, nil
	case now.Before(b.refused.Add(refusedPause)):
		return false, nil // it has just said no
	}
	b.token = ""
	if err := b.buy(context.Background()); err != nil {
		return false, err
	}
	return true, nil
}

// buy gets a token. Its lock is held, so that there is one at a time.
func (b *backend) buy(ctx context.Context) error {
	now := b.now()
	if now.Before(b.refused.Add(refusedPause)) {
		return b.why
	}
	ctx, cancel := context.WithTimeout(ctx, b.wait)
	defer cancel()
	err := b.ask(ctx, now)
	if errors.Is(err, errNotLetIn) || errors.Is(err, errNotGranted) {
		b.refused, b.why = now, err
		b.place = "" // it may have moved
	}
	return err
}

func (b *backend) ask(ctx context.Context, now time.Time) error {
	place, err := b.endpoint(ctx)
	if err != nil {
		return err
	}
	assertion, err := b.assertion(place, now)
	if err != nil {
		return err
	}
	form := url.Values{
		"grant_type":            {"client_credentials"},
		"scope":                 {b.auth.Scope},
		"client_assertion_type": {"urn:ietf:params:oauth:client-assertion-type:jwt-bearer"},
		"client_assertion":      {assertion},
	}
	var t struct {
		Token  string `json:"access_token"`
		Type   string `json:"token_type"`
		Life   int64  `json:"expires_in"`
		Scope  string `json:"scope"`
		Reason string `json:"error"`
	}
	status, err := b.call(ctx, http.MethodPost, place, form, &t)
	switch {
	case err != nil && (status < 400 || status >= 500):
		return fmt.Errorf("token endpoint: %w", err)
	case status >= 400 && status < 500 && status != http.StatusTooManyRequests && status != http.StatusRequestTimeout:
		return fmt.Errorf("%w: status %d %s", errNotLetIn, status, plain(t.Reason))
	case status != http.StatusOK:
		return fmt.Errorf("token endpoint: status %d", status)
	case t.Token == "" || !strings.EqualFold(t.Type, "bearer"):
		return errors.New("token endpoint: no bearer token came back")
	}
	if err := b.granted(t.Scope); err != nil {
		return err
	}
	life := time.Duration(t.Life) * time.Second
	if life <= 0 {
		life = 5 * time.Minute // what the standard recommends
	}
	b.token, b.fetched, b.until = t.Token, now, now.Add(life-tokenMargin)
	return nil
}

// assertion is what we say of ourselves, good for one use.
func (b *backend) assertion(audience string, now time.Time) (string, error) {
	signer, err := jose.NewSigner(b.key, (&jose.SignerOptions{}).WithType("JWT"))
	if err != nil {
		return "", fmt.Errorf("sign in: %w", err)
	}
	id, err := uuid.NewRandom()
	if err != nil {
		return "", fmt.Errorf("sign in: %w", err)
	}
	return jwt.Signed(signer).Claims(jwt.Claims{
		Issuer: b.auth.ClientID, Subject: b.auth.ClientID, Audience: jwt.Audience{audience},
		Expiry: jwt.NewNumericDate(now.Add(assertionLife)), ID: id.String(),
	}).Serialize()
}

// endpoint is where tokens are had: as configured, else as the record system
// publishes it.
func (b *backend) endpoint(ctx context.Context) (string, error) {
	if b.auth.TokenURL != "" {
		return b.auth.TokenURL, nil
	}
	if b.place != "" {
		return b.place, nil
	}
	var d struct {
		Endpoint string   `json:"token_endpoint"`
		Methods  []string `json:"token_endpoint_auth_methods_supported"`
		Algs     []string `json:"token_endpoint_auth_signing_alg_values_supported"`
	}
	status, err := b.call(ctx, http.MethodGet, b.base+"/.well-known/smart-configuration", nil, &d)
	switch {
	case err != nil:
		return "", fmt.Errorf("smart-configuration: %w", err)
	case status != http.StatusOK:
		return "", fmt.Errorf("smart-configuration: status %d", status)
	case badBase(d.Endpoint) != "":
		return "", fmt.Errorf("%w: smart-configuration names no token endpoint that may be used", errNotLetIn)
	case len(d.Methods) > 0 && !slices.Contains(d.Methods, "private_key_jwt"):
		return "", fmt.Errorf("%w: it takes no private_key_jwt", errNotLetIn)
	case len(d.Algs) > 0 && !slices.Contains(d.Algs, string(b.key.Algorithm)):
		return "", fmt.Errorf("%w: it takes no %s; give it a key of another kind", errNotLetIn, b.key.Algorithm)
	}
	b.place = d.Endpoint
	return d.Endpoint, nil
}

// call makes one request and reads its JSON. Errors carry no body and no URL.
func (b *backend) call(ctx context.Context, method, place string, form url.Values, into any) (int, error) {
	req, err := http.NewRequestWithContext(ctx, method, place, strings.NewReader(form.Encode()))
	if err != nil {
		return 0, errors.New("not an address")
	}
	req.Header.Set("Accept", "application/json")
	if form != nil {
		req.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	}
	res, err := b.http.Do(req)
	if err != nil {
		var u *url.Error
		if errors.As(err, &u) {
			err = u.Err
		}
		return 0, err
	}
	defer res.Body.Close()
	body, err := io.ReadAll(io.LimitReader(res.Body, mostAnswer))
	if err != nil {
		return res.StatusCode, errors.New("the answer broke off")
	}
	if err := json.Unmarshal(body, into); err != nil {
		return res.StatusCode, fmt.Errorf("status %d without readable JSON", res.StatusCode)
	}
	return res.StatusCode, nil
}

// granted compares what was granted with what was asked for. A server may
// answer 200 with less, or with nothing.
func (b *backend) granted(scope string) error {
	missing := ungranted(b.auth.Scope, scope)
	if len(missing) == 0 {
		return nil
	}
	for _, m := range missing {
		for _, needed := range []string{"Observation", "DiagnosticReport", "Patient"} {
			if strings.Contains(m, "/"+needed+".") || strings.Contains(m, "/*.") {
				return fmt.Errorf("%w: %s", errNotGranted, strings.Join(missing, " "))
			}
		}
	}
	if !b.warned {
		b.warned = true
		b.log.Warn().Strs("scopes", missing).Msg("less was granted than was asked for")
	}
	return nil
}

// ungranted lists the scopes that were asked for and are not covered. SMART
// scopes version 2 name letters of create, read, update, delete, search;
// version 1 says read, write or *.
func ungranted(asked, granted string) (missing []string) {
	have := map[string]string{} // type -> letters
	whole := strings.Fields(granted)
	for _, s := range whole {
		if typ, letters, ok := clinical(s); ok {
			have[typ] += letters
		}
	}
	for _, s := range strings.Fields(asked) {
		typ, letters, ok := clinical(s)
		if !ok {
			if !slices.Contains(whole, s) {
				missing = append(missing, s)
			}
			continue
		}
		if strings.Trim(letters, have[typ]+have["*"]) != "" {
			missing = append(missing, s)
		}
	}
	return missing
}

// clinical reads system/Observation.crus.
func clinical(scope string) (typ, letters string, ok bool) {
	rest, ok := strings.CutPrefix(scope, "system/")
	if !ok {
		return "", "", false
	}
	rest, _, _ = strings.Cut(rest, "?")
	typ, letters, ok = strings.Cut(rest, ".")
	switch letters {
	case "read":
		letters = "rs"
	case "write":
		letters = "cud"
	case "*":
		letters = "cruds"
	}
	return typ, letters, ok && letters != "" && strings.Trim(letters, "cruds") == ""
}
