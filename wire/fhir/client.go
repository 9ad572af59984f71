package fhir

import (
	"bytes"
	"context"
	"crypto/rand"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptrace"
	"net/url"
	"strings"
	"sync/atomic"
)

// Errors that every method returns wrapped. A refusal (4xx, 5xx) is no error:
// it is an Answer.
var (
	// ErrNotSent: surely no byte of the request reached the other side.
	ErrNotSent = errors.New("nothing was sent")
	// ErrUnknown: the request may have been carried out, and no readable
	// answer says so.
	ErrUnknown = errors.New("sent, but no readable answer came back")
)

// DefaultMaxAnswer bounds the body of an answer, in bytes.
const DefaultMaxAnswer = 4 << 20

// Options of a Client. All may be left out.
type Options struct {
	HTTP *http.Client // transport, TLS and timeout; redirects are never followed
	// Authorize adds credentials to a request; an error means not sent.
	Authorize func(*http.Request) error
	MaxAnswer int64 // bytes
	// SearchByPost keeps search values out of URLs: POST [type]/_search.
	SearchByPost bool
}

// Client is safe for concurrent use.
type Client struct {
	base      *url.URL
	http      http.Client
	authorize func(*http.Request) error
	max       int64
	post      bool
}

// New makes a client of the record system at an absolute http or https URL.
func New(base string, o Options) (*Client, error) {
	u, err := url.Parse(base)
	if err != nil || (u.Scheme != "http" && u.Scheme != "https") || u.Host == "" {
		return nil, errors.New("base URL must be absolute: http(s)://host/path")
	}
	if u.RawQuery != "" || u.Fragment != "" || u.User != nil {
		return nil, errors.New("base URL must hold no query, fragment or credentials")
	}
	u.Path = strings.TrimRight(u.Path, "/")
	c := &Client{base: u, authorize: o.Authorize, max: o.MaxAnswer, post: o.SearchByPost}
	if o.HTTP != nil {
		c.http = *o.HTTP
	}
	c.http.CheckRedirect = func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }
	if c.max <= 0 {
		c.max = DefaultMaxAnswer
	}
	return c, nil
}

// Match is the condition of an update; both empty means none.
type Match struct {
	IfMatch     string // W/"3": only onto this version
	IfNoneMatch string // "*": only if there is none yet
}

// Transact posts a transaction Bundle. A 2xx answer holds one entry per entry
// sent, in the same order; anything else under 2xx is ErrUnknown.
func (c *Client) Transact(ctx context.Context, requestID string, bundle []byte) (Answer, error) {
	a, err := c.do(ctx, call{id: requestID, method: "POST", body: bundle, prefer: true})
	if err == nil && a.success() && (a.Type != "Bundle" || !a.answersEach()) {
		err = fmt.Errorf("%w: status %d without a transaction-response", ErrUnknown, a.Status)
	}
	return a, err
}

// Create posts a resource; ifNoneExist is the query of a conditional create
// (see Identifier.Query), "" for none. 201 created, 200 it was there before.
func (c *Client) Create(ctx context.Context, requestID, typ string, resource []byte, ifNoneExist string) (Answer, error) {
	if !isType(typ) {
		return Answer{}, fmt.Errorf("%w: %q is no resource type", ErrNotSent, typ)
	}
	h := http.Header{}
	if ifNoneExist != "" {
		h.Set("If-None-Exist", ifNoneExist)
	}
	return c.do(ctx, call{id: requestID, method: "POST", path: typ, body: resource, header: h, prefer: true})
}

// Put updates, or creates under an id of our own. ref is "Observation/12".
func (c *Client) Put(ctx context.Context, requestID, ref string, resource []byte, m Match) (Answer, error) {
	if !isReference(ref) {
		return Answer{}, fmt.Errorf("%w: %q is no reference", ErrNotSent, ref)
	}
	h := http.Header{}
	if m.IfMatch != "" {
		h.Set("If-Match", m.IfMatch)
	}
	if m.IfNoneMatch != "" {
		h.Set("If-None-Match", m.IfNoneMatch)
	}
	return c.do(ctx, call{id: requestID, method: "PUT", path: ref, body: resource, header: h, prefer: true})
}

// Read gets a resource by reference, "Observation/12". 404 and 410 are answers.
func (c *Client) Read(ctx context.Context, requestID, ref string) (Answer, error) {
	if !isReference(ref) {
		return Answer{}, fmt.Errorf("%w: %q is no reference", ErrNotSent, ref)
	}
	a, err := c.do(ctx, call{id: requestID, method: "GET", path: ref})
	if err != nil || !a.success() {
		return a, err
	}
	if a.Body == nil {
		return a, fmt.Errorf("%w: status %d without a resource", ErrUnknown, a.Status)
	}
	if a.ETag == "" {
		a.ETag = versionTag(a.Body)
	}
	return a, nil
}

// Search finds all resources of a type by identifier: every match, over all
// pages of this server, at most 1000 entries. Answer.Entries hold matches only.
func (c *Client) Search(ctx context.Context, requestID, typ string, id Identifier) (Answer, error) {
	return c.search(ctx, requestID, typ, id.Query())
}

// Condition narrows a search: a parameter and its value, as written in a search.
type Condition struct{ Name, Value string }

// Pointing finds, in the same way, all resources of a type whose reference of
// that name points to ref, "Observation/12", and that meet the conditions.
func (c *Client) Pointing(ctx context.Context, requestID, typ, name, ref string, and ...Condition) (Answer, error) {
	if !isReference(ref) {
		return Answer{}, fmt.Errorf("%w: %q is no reference", ErrNotSent, ref)
	}
	query := name + "=" + url.QueryEscape(ref)
	for _, also := range and {
		query += "&" + url.QueryEscape(also.Name) + "=" + url.QueryEscape(also.Value)
	}
	return c.search(ctx, requestID, typ, query)
}

func (c *Client) search(ctx context.Context, requestID, typ, query string) (Answer, error) {
	if !isType(typ) {
		return Answer{}, fmt.Errorf("%w: %q is no resource type", ErrNotSent, typ)
	}
	first := call{id: requestID, method: "GET", path: typ, query: query}
	if c.post {
		first = call{id: requestID, method: "POST", path: typ + "/_search", body: []byte(query), form: true}
	}
	a, err := c.page(ctx, first)
	all := a
	for seen := map[string]bool{}; err == nil && a.success() && a.Next != ""; {
		next, nerr := c.base.Parse(a.Next)
		if nerr != nil || next.Host != c.base.Host || next.Scheme != c.base.Scheme || seen[a.Next] || len(all.Entries) > 1000 {
			return all, fmt.Errorf("%w: the next page cannot be followed", ErrUnknown)
		}
		seen[a.Next] = true
		if a, err = c.page(ctx, call{id: requestID, method: "GET", url: next}); err == nil {
			if !a.success() {
				return a, nil
			}
			all.Entries = append(all.Entries, a.Entries...)
		}
	}
	return all, err
}

// page is one page of a search, without entries that are no match.
func (c *Client) page(ctx context.Context, r call) (Answer, error) {
	a, err := c.do(ctx, r)
	if err != nil || !a.success() {
		return a, err
	}
	if a.Type != "Bundle" {
		return a, fmt.Errorf("%w: status %d without a search result", ErrUnknown, a.Status)
	}
	matches := a.Entries[:0]
	for _, e := range a.Entries {
		if e.Mode == "" || e.Mode == "match" {
			matches = append(matches, e)
		}
	}
	a.Entries = matches
	return a, nil
}

// Capabilities reads [base]/metadata. What the statement leaves out is false.
func (c *Client) Capabilities(ctx context.Context, requestID string) (Caps, Answer, error) {
	a, err := c.do(ctx, call{id: requestID, method: "GET", path: "metadata"})
	if err != nil || !a.success() {
		return Caps{}, a, err
	}
	caps, err := readCaps(a.Body)
	if err != nil {
		return Caps{}, a, fmt.Errorf("%w: status %d: %w", ErrUnknown, a.Status, err)
	}
	return caps, a, nil
}

// call is one request to make.
type call struct {
	id, method string
	path       string   // below the base
	query      string   // encoded
	url        *url.URL // instead of path and query
	body       []byte
	form       bool
	header     http.Header
	prefer     bool // ask for no body on success
}

func (c *Client) request(ctx context.Context, r call) (*http.Request, error) {
	u := r.url
	if u == nil {
		at := *c.base
		if r.path != "" {
			at.Path += "/" + r.path
		}
		at.RawQuery = r.query
		u = &at
	}
	req, err := http.NewRequestWithContext(ctx, r.method, u.String(), bytes.NewReader(r.body))
	if err != nil {
		return nil, err
	}
	for k, v := range r.header {
		req.Header[k] = v
	}
	req.Header.Set("Accept", MediaType)
	req.Header.Set("X-Request-Id", r.id)
	if r.body != nil {
		req.Header.Set("Content-Type", MediaType)
	}
	if r.form {
		req.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	}
	if r.prefer {
		req.Header.Set("Prefer", "return=minimal")
	}
	if c.authorize != nil {
		if err := c.authorize(req); err != nil {
			return nil, err
		}
	}
	return req, nil
}

func (c *Client) do(ctx context.Context, r call) (Answer, error) {
	if r.id == "" {
		r.id = randomID()
	}
	a := Answer{RequestID: r.id}
	var sent atomic.Bool
	ctx = httptrace.WithClientTrace(ctx, &httptrace.ClientTrace{
		GotConn: func(httptrace.GotConnInfo) { sent.Store(true) },
	})
	req, err := c.request(ctx, r)
	if err != nil {
		return a, fmt.Errorf("%w: %w", ErrNotSent, err)
	}
	res, err := c.http.Do(req)
	a.Sent = sent.Load()
	if err != nil {
		// The transport goes on to a fresh connection only after an idle one
		// turned out dead before anything was written on it.
		var op *net.OpError
		if !a.Sent || (errors.As(err, &op) && op.Op == "dial") {
			a.Sent = false
			return a, fmt.Errorf("%w: %w", ErrNotSent, withoutURL(err))
		}
		return a, fmt.Errorf("%w: %w", ErrUnknown, withoutURL(err))
	}
	defer res.Body.Close()
	a.Status = res.StatusCode
	a.Location, a.ETag, a.RetryAfter = res.Header.Get("Location"), res.Header.Get("ETag"), res.Header.Get("Retry-After")
	body, err := io.ReadAll(io.LimitReader(res.Body, c.max+1))
	switch {
	case err != nil:
		err = withoutURL(err)
	case int64(len(body)) > c.max:
		err = fmt.Errorf("answer over %d bytes", c.max)
	case len(bytes.TrimSpace(body)) > 0:
		err = a.read(body)
	}
	if err != nil && a.success() {
		return a, fmt.Errorf("%w: status %d: %w", ErrUnknown, a.Status, err)
	}
	return a, nil // what cannot be read of a refusal changes nothing about it
}

func (a Answer) success() bool { return a.Status >= 200 && a.Status < 300 }

// answersEach tells a transaction-response: at least one entry, each with a status.
func (a Answer) answersEach() bool {
	for _, e := range a.Entries {
		if e.Status == 0 {
			return false
		}
	}
	return len(a.Entries) > 0
}

// withoutURL drops the URL that net/http wraps around its errors: a search URL
// can name a patient.
func withoutURL(err error) error {
	var u *url.Error
	if errors.As(err, &u) {
		return u.Err
	}
	return err
}

func randomID() string {
	var b [16]byte
	_, _ = rand.Read(b[:]) // never fails since Go 1.24
	return hex.EncodeToString(b[:])
}
