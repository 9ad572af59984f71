package fhir

import (
	"context"
	"errors"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// serve answers every request with one response and hands each request out.
func serve(t *testing.T, o Options, h http.HandlerFunc) *Client {
	t.Helper()
	srv := httptest.NewServer(h)
	t.Cleanup(srv.Close)
	c, err := New(srv.URL+"/fhir/", o)
	require.NoError(t, err)
	return c
}

func TestNewRefusesBases(t *testing.T) {
	for _, base := range []string{"", "/fhir", "ftp://h/fhir", "http://", "http://h/fhir?x=1", "http://u:p@h/fhir", "http://h/#f"} {
		_, err := New(base, Options{})
		assert.Error(t, err, base)
	}
}

// What goes on the wire: FHIR R4 http.html, "create", "update", "conditional
// create", "search", "transaction"; X-Request-Id from its "Custom Headers".
func TestRequests(t *testing.T) {
	type seen struct {
		method, uri, body string
		header            http.Header
	}
	id := Identifier{System: "urn:ietf:rfc:3986", Value: "urn:uuid:2f1c9a10-7f5b-5d5e-8b1c-3f7f5f0f9a01"}
	const bundle = `{"resourceType":"Bundle","type":"transaction-response","entry":[{"response":{"status":"201"}}]}`
	tests := []struct {
		name   string
		post   bool
		do     func(*Client) error
		answer string
		want   seen
	}{
		{
			name:   "transaction",
			do:     func(c *Client) error { _, err := c.Transact(t.Context(), "r1", []byte(`{}`)); return err },
			answer: bundle,
			want: seen{"POST", "/fhir", "{}", http.Header{
				"Content-Type": {MediaType}, "Accept": {MediaType}, "Prefer": {"return=minimal"}, "X-Request-Id": {"r1"},
			}},
		},
		{
			name: "conditional create",
			do: func(c *Client) error {
				_, err := c.Create(t.Context(), "r1", "Observation", []byte(`{}`), id.Query())
				return err
			},
			want: seen{"POST", "/fhir/Observation", "{}", http.Header{
				"If-None-Exist": {"identifier=urn%3Aietf%3Arfc%3A3986%7Curn%3Auuid%3A2f1c9a10-7f5b-5d5e-8b1c-3f7f5f0f9a01"},
			}},
		},
		{
			name: "update onto a version",
			do: func(c *Client) error {
				_, err := c.Put(t.Context(), "r1", "Observation/12", []byte(`{}`), Match{IfMatch: `W/"3"`})
				return err
			},
			want: seen{"PUT", "/fhir/Observation/12", "{}", http.Header{"If-Match": {`W/"3"`}, "If-None-Match": nil}},
		},
		{
			name: "create under an id of ours",
			do: func(c *Client) error {
				_, err := c.Put(t.Context(), "r1", "Observation/12", []byte(`{}`), Match{IfNoneMatch: "*"})
				return err
			},
			want: seen{"PUT", "/fhir/Observation/12", "{}", http.Header{"If-None-Match": {"*"}, "If-Match": nil}},
		},
		{
			name:   "read",
			do:     func(c *Client) error { _, err := c.Read(t.Context(), "r1", "Patient/p-1"); return err },
			answer: `{"resourceType":"Patient"}`,
			want:   seen{"GET", "/fhir/Patient/p-1", "", http.Header{"Prefer": nil, "Content-Type": nil}},
		},
		{
			name: "search, bar encoded and specials escaped",
			do: func(c *Client) error {
				_, err := c.Search(t.Context(), "r1", "Patient", Identifier{"https://millrace.example/mrn", `a|b,c$d\e`})
				return err
			},
			answer: `{"resourceType":"Bundle","type":"searchset"}`,
			want: seen{"GET", `/fhir/Patient?identifier=https%3A%2F%2Fmillrace.example%2Fmrn%7Ca%5C%7Cb%5C%2Cc%5C%24d%5C%5Ce`,
				"", http.Header{}},
		},
		{
			name: "search with the identifier kept out of the URL", post: true,
			do: func(c *Client) error {
				_, err := c.Search(t.Context(), "r1", "Patient", Identifier{"urn:x", "MRN0007"})
				return err
			},
			answer: `{"resourceType":"Bundle","type":"searchset"}`,
			want: seen{"POST", "/fhir/Patient/_search", "identifier=urn%3Ax%7CMRN0007",
				http.Header{"Content-Type": {"application/x-www-form-urlencoded"}}},
		},
		{
			name:   "capabilities",
			do:     func(c *Client) error { _, _, err := c.Capabilities(t.Context(), "r1"); return err },
			answer: `{"resourceType":"CapabilityStatement"}`,
			want:   seen{"GET", "/fhir/metadata", "", http.Header{}},
		},
	}
	for _, tc := range tests {
		t.Run(tc.name, func(t *testing.T) {
			var got seen
			c := serve(t, Options{SearchByPost: tc.post}, func(w http.ResponseWriter, r *http.Request) {
				b, _ := io.ReadAll(r.Body)
				got = seen{r.Method, r.RequestURI, string(b), r.Header.Clone()}
				_, _ = io.WriteString(w, tc.answer)
			})
			require.NoError(t, tc.do(c))
			assert.Equal(t, tc.want.method, got.method)
			assert.Equal(t, tc.want.uri, got.uri)
			assert.Equal(t, tc.want.body, got.body)
			for k, v := range tc.want.header {
				assert.Equal(t, v, got.header[k], k)
			}
		})
	}
}

func TestRequestIDIsAlwaysSent(t *testing.T) {
	var got string
	c := serve(t, Options{}, func(_ http.ResponseWriter, r *http.Request) { got = r.Header.Get("X-Request-Id") })
	a, err := c.Create(t.Context(), "", "Observation", []byte(`{}`), "")
	require.NoError(t, err)
	assert.Len(t, got, 32)
	assert.Equal(t, got, a.RequestID)
}

func TestReferencesFromOutsideCannotLeaveTheBase(t *testing.T) {
	c := serve(t, Options{}, func(http.ResponseWriter, *http.Request) { t.Error("a request was made") })
	for _, ref := range []string{"", "Observation", "Observation/../Patient/1", "Observation/..", "Observation/a b", "observation/1", "Observation/1?x=y"} {
		_, err := c.Read(t.Context(), "", ref)
		assert.ErrorIs(t, err, ErrNotSent, ref)
		_, err = c.Put(t.Context(), "", ref, nil, Match{})
		assert.ErrorIs(t, err, ErrNotSent, ref)
	}
}

func TestAnswers(t *testing.T) {
	write := func(status int, body string, header ...string) http.HandlerFunc {
		return func(w http.ResponseWriter, _ *http.Request) {
			for i := 0; i+1 < len(header); i += 2 {
				w.Header().Set(header[i], header[i+1])
			}
			w.WriteHeader(status)
			_, _ = io.WriteString(w, body)
		}
	}
	create := func(c *Client) (Answer, error) { return c.Create(t.Context(), "", "Observation", []byte(`{}`), "") }
	transact := func(c *Client) (Answer, error) { return c.Transact(t.Context(), "", []byte(`{}`)) }
	read := func(c *Client) (Answer, error) { return c.Read(t.Context(), "", "Observation/1") }
	const refused = `{"resourceType":"OperationOutcome","issue":[{"severity":"error","code":"multiple-matches","diagnostics":"two","expression":["Observation.identifier"]}]}`
	tests := []struct {
		name  string
		do    func(*Client) (Answer, error)
		serve http.HandlerFunc
		err   error
		check func(*testing.T, Answer)
	}{
		{
			name: "created", do: create,
			serve: write(201, "", "Location", "http://h/fhir/Observation/12/_history/1", "ETag", `W/"1"`),
			check: func(t *testing.T, a Answer) {
				assert.True(t, a.OK())
				assert.True(t, a.Sent)
				assert.Equal(t, `W/"1"`, a.ETag)
				ref, version := Place(a.Location)
				assert.Equal(t, "Observation/12", ref)
				assert.Equal(t, "1", version)
			},
		},
		{
			name: "refusal with outcome", do: create, serve: write(412, refused),
			check: func(t *testing.T, a Answer) {
				assert.False(t, a.OK())
				assert.True(t, a.Has("conflict", "multiple-matches"))
				assert.Equal(t, []Issue{{"error", "multiple-matches", "two", []string{"Observation.identifier"}}}, a.Outcome)
			},
		},
		{
			name: "refusal in HTML", do: create, serve: write(502, "<html>bad gateway</html>"),
			check: func(t *testing.T, a Answer) { assert.Equal(t, 502, a.Status); assert.Nil(t, a.Outcome) },
		},
		{
			name: "refusal with a repeated key is read as bare status", do: create,
			serve: write(422, `{"resourceType":"OperationOutcome","issue":[],"issue":[]}`),
			check: func(t *testing.T, a Answer) { assert.Equal(t, 422, a.Status); assert.Empty(t, a.Type) },
		},
		{name: "success in HTML is unknown", do: create, serve: write(200, "<html>signed out</html>"), err: ErrUnknown},
		{name: "success with a repeated key is unknown", do: read, serve: write(200, `{"resourceType":"Observation","status":"final","status":"final"}`), err: ErrUnknown},
		{name: "success over the limit is unknown", do: read, serve: write(200, `{"resourceType":"Observation","x":"`+strings.Repeat("a", 5000)+`"}`), err: ErrUnknown},
		{
			name: "success that lies", do: create, serve: write(200, refused),
			check: func(t *testing.T, a Answer) { assert.False(t, a.OK()) },
		},
		{name: "transaction answered with an outcome", do: transact, serve: write(200, refused), err: ErrUnknown},
		{name: "transaction answered with nothing", do: transact, serve: write(200, ""), err: ErrUnknown},
		{name: "transaction without statuses", do: transact, serve: write(200, `{"resourceType":"Bundle","entry":[{}]}`), err: ErrUnknown},
		{
			name: "transaction", do: transact,
			serve: write(200, `{"resourceType":"Bundle","type":"transaction-response","entry":[
				{"response":{"status":"201 Created","location":"Specimen/9/_history/1","etag":"W/\"1\""}},
				{"response":{"status":"200","location":"Observation/12/_history/4","outcome":{"resourceType":"OperationOutcome","issue":[{"severity":"warning","code":"value","details":{"text":"unusual"}}]}}}]}`),
			check: func(t *testing.T, a Answer) {
				want := []Entry{
					{Status: 201, Location: "Specimen/9/_history/1", ETag: `W/"1"`},
					{Status: 200, Location: "Observation/12/_history/4", Outcome: []Issue{{Severity: "warning", Code: "value", Text: "unusual"}}},
				}
				assert.Equal(t, want, a.Entries)
			},
		},
		{
			name: "redirect is not followed", do: create, serve: write(307, "", "Location", "http://elsewhere.example/"),
			check: func(t *testing.T, a Answer) { assert.Equal(t, 307, a.Status) },
		},
		{name: "read without a body", do: read, serve: write(200, ""), err: ErrUnknown},
		{
			name: "read, version from meta", do: read, serve: write(200, `{"resourceType":"Observation","meta":{"versionId":"7"},"issue":"not ours"}`),
			check: func(t *testing.T, a Answer) {
				assert.Equal(t, `W/"7"`, a.ETag)
				assert.Equal(t, "Observation", a.Type)
			},
		},
		{
			name: "read, gone", do: read, serve: write(410, ""),
			check: func(t *testing.T, a Answer) { assert.Equal(t, 410, a.Status) },
		},
	}
	for _, tc := range tests {
		t.Run(tc.name, func(t *testing.T) {
			a, err := tc.do(serve(t, Options{MaxAnswer: 4096}, tc.serve))
			if tc.err != nil {
				require.ErrorIs(t, err, tc.err)
				assert.True(t, a.Sent)
				return
			}
			require.NoError(t, err)
			tc.check(t, a)
		})
	}
}

// Whether bytes can have left decides between "send again" and "look first".
func TestSentOrNot(t *testing.T) {
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	nobody := "http://" + ln.Addr().String()
	require.NoError(t, ln.Close())

	hangsUp := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		panic(http.ErrAbortHandler)
	}))
	defer hangsUp.Close()
	tls := httptest.NewUnstartedServer(nil)
	tls.Config.ErrorLog = nil
	tls.StartTLS()
	defer tls.Close()
	arrived := make(chan struct{}, 2)
	silent := httptest.NewServer(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) {
		_, _ = io.Copy(io.Discard, r.Body)
		arrived <- struct{}{}
		<-r.Context().Done()
	}))
	defer silent.Close()
	cut := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		w.Header().Set("Content-Length", "100")
		_, _ = io.WriteString(w, `{"resourceType"`)
	}))
	defer cut.Close()

	tests := []struct {
		name, base string
		options    Options
		giveUp     bool // once the request is with the server
		want       error
		sent       bool
	}{
		{name: "nobody listens", base: nobody, want: ErrNotSent},
		{name: "certificate not trusted", base: tls.URL, want: ErrNotSent},
		{name: "no token to be had", base: hangsUp.URL, want: ErrNotSent,
			options: Options{Authorize: func(*http.Request) error { return errors.New("token file is gone") }}},
		{name: "hangs up without an answer", base: hangsUp.URL, want: ErrUnknown, sent: true},
		{name: "given up while waiting", base: silent.URL, want: ErrUnknown, sent: true, giveUp: true},
		{name: "cut in the middle of the answer", base: cut.URL, want: ErrUnknown, sent: true},
	}
	for _, tc := range tests {
		t.Run(tc.name, func(t *testing.T) {
			c, err := New(tc.base, tc.options)
			require.NoError(t, err)
			patience := func() context.Context {
				if !tc.giveUp {
					return t.Context()
				}
				ctx, cancel := context.WithCancel(t.Context())
				go func() { <-arrived; cancel() }()
				return ctx
			}
			a, err := c.Create(patience(), "", "Observation", []byte(`{}`), "identifier=urn%3Ax%7CSECRET")
			require.ErrorIs(t, err, tc.want)
			assert.Equal(t, tc.sent, a.Sent)
			_, err = c.Search(patience(), "", "Patient", Identifier{"urn:x", "SECRET"})
			require.Error(t, err)
			assert.NotContains(t, err.Error(), "SECRET", "errors carry no search URL")
		})
	}
}

func TestSearchFollowsPagesOfThisServerOnly(t *testing.T) {
	pages := map[string]string{
		"/fhir/Observation?identifier=urn%3Ax%7C1": `{"resourceType":"Bundle","type":"searchset","link":[{"relation":"next","url":"BASE?page=2"}],"entry":[
			{"resource":{"resourceType":"Observation","id":"a","meta":{"versionId":"3"}},"search":{"mode":"match"}},
			{"resource":{"resourceType":"OperationOutcome"},"search":{"mode":"outcome"}}]}`,
		"/fhir?page=2":                         `{"resourceType":"Bundle","type":"searchset","entry":[{"resource":{"resourceType":"Observation","id":"b"}}]}`,
		"/fhir/Patient?identifier=urn%3Ax%7C1": `{"resourceType":"Bundle","type":"searchset","link":[{"relation":"next","url":"http://elsewhere.example/?page=2"}]}`,
		"/fhir/Device?identifier=urn%3Ax%7C1":  `{"resourceType":"Bundle","type":"searchset","link":[{"relation":"next","url":"BASE/Device?identifier=urn%3Ax%7C1"}]}`,
	}
	c := serve(t, Options{}, func(w http.ResponseWriter, r *http.Request) {
		_, _ = io.WriteString(w, strings.ReplaceAll(pages[r.RequestURI], "BASE", "http://"+r.Host+"/fhir"))
	})
	a, err := c.Search(t.Context(), "", "Observation", Identifier{"urn:x", "1"})
	require.NoError(t, err)
	require.Len(t, a.Entries, 2, "both pages, without what is no match")
	assert.Equal(t, `W/"3"`, a.Entries[0].ETag)
	for _, typ := range []string{"Patient", "Device"} {
		_, err = c.Search(t.Context(), "", typ, Identifier{"urn:x", "1"})
		assert.ErrorIs(t, err, ErrUnknown, "a page elsewhere, or the same page for ever: %s", typ)
	}
}

func TestCapabilities(t *testing.T) {
	c := serve(t, Options{}, func(w http.ResponseWriter, _ *http.Request) {
		_, _ = io.WriteString(w, `{"resourceType":"CapabilityStatement","fhirVersion":"4.0.1","format":["xml","json"],"rest":[
			{"mode":"client","interaction":[{"code":"batch"}]},
			{"mode":"server","interaction":[{"code":"transaction"}],"resource":[
				{"type":"Observation","versioning":"versioned-update","conditionalCreate":true,"updateCreate":true,
				 "interaction":[{"code":"create"},{"code":"update"},{"code":"read"},{"code":"search-type"}],
				 "searchParam":[{"name":"identifier","type":"token"}]},
				{"type":"Patient","interaction":[{"code":"read"}],"operation":[{"name":"match"}]}]}]}`)
	})
	got, _, err := c.Capabilities(t.Context(), "")
	require.NoError(t, err)
	want := Caps{FHIRVersion: "4.0.1", JSON: true, Transaction: true, Resources: map[string]ResourceCaps{
		"Observation": {Create: true, Read: true, Update: true, Search: true, ConditionalCreate: true,
			UpdateCreate: true, VersionedUpdate: true, SearchIdentifier: true},
		"Patient": {Read: true, Match: true},
	}}
	assert.Equal(t, want, got)
	assert.False(t, got.Resources["Substance"].Create, "what is left out is false")
}
