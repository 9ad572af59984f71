package httpin_test

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/rs/zerolog"
	"github.com/stretchr/testify/require"

	"tidegate/ingest/httpin"
	"tidegate/ingest/sourcetest"
	"tidegate/poct"
)

// bench is a running inlet over an inbox in memory.
type bench struct {
	url string // where messages go
	box *sourcetest.Inbox
	log bytes.Buffer // read it after stop
	// stop ends the inlet and waits for it.
	stop func()
}

func start(t *testing.T, cfg httpin.Config) *bench {
	t.Helper()
	b := &bench{box: sourcetest.NewInbox()}
	if cfg.Listen == "" {
		cfg.Listen = "127.0.0.1:0"
	}
	if cfg.TokenFile == "" {
		cfg.TokenFile = tokenFile(t)
	}
	in, err := httpin.New(cfg, httpin.Settings{ID: "push", Inbox: b.box, Log: zerolog.New(&b.log), Now: func() time.Time { return came }})
	require.NoError(t, err)
	require.NoError(t, in.Listen())
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- in.Run(ctx) }()
	stopped := false
	b.stop = func() {
		if !stopped {
			stopped = true
			cancel()
			require.NoError(t, <-ended)
		}
	}
	t.Cleanup(b.stop)
	b.url = "http://" + in.Addr() + "/messages"
	return b
}

var came = time.Date(2026, 3, 5, 8, 14, 0, 0, time.UTC)

// do sends a request and reads all of the answer.
func do(t *testing.T, client *http.Client, method, url string, header map[string]string, body io.Reader) (*http.Response, string) {
	t.Helper()
	req, err := http.NewRequestWithContext(t.Context(), method, url, body)
	require.NoError(t, err)
	for k, v := range header {
		req.Header.Set(k, v)
	}
	res, err := client.Do(req)
	require.NoError(t, err)
	defer res.Body.Close() //nolint:errcheck // only read
	answer, err := io.ReadAll(res.Body)
	require.NoError(t, err)
	return res, string(answer)
}

var signed = map[string]string{"Authorization": "Bearer " + token}

// Every refusal is problem details: its members are those of RFC 9457 3.1, its
// media type that of section 3, and its header fields those that RFC 9110 asks
// for: WWW-Authenticate with 401 (15.5.2), Allow with 405 (15.5.6).
func TestRefusals(t *testing.T) {
	b := start(t, httpin.Config{MaxBody: 2048})
	message := sourcetest.Message(1)
	for _, tt := range []struct {
		name   string
		method string
		path   string
		header map[string]string
		body   []byte
		status int
		with   string // header field of the answer
		value  string
	}{
		{name: "no token", method: "POST", body: message, status: 401, with: "WWW-Authenticate", value: `Bearer realm="tidegate"`},
		{name: "another token", method: "POST", header: map[string]string{"Authorization": "Bearer " + token + "x"}, body: message, status: 401},
		{name: "its beginning", method: "POST", header: map[string]string{"Authorization": "Bearer " + token[:10]}, body: message, status: 401},
		{name: "an empty token", method: "POST", header: map[string]string{"Authorization": "Bearer "}, body: message, status: 401},
		{name: "another scheme", method: "POST", header: map[string]string{"Authorization": "Basic " + token}, body: message, status: 401},
		{name: "the token alone", method: "POST", header: map[string]string{"Authorization": token}, body: message, status: 401},
		{name: "no token, too large", method: "POST", body: make([]byte, 4096), status: 401},
		{name: "no token, GET", method: "GET", status: 401},
		{name: "GET", method: "GET", header: signed, status: 405, with: "Allow", value: "POST"},
		{name: "PUT", method: "PUT", header: signed, body: message, status: 405, with: "Allow", value: "POST"},
		{name: "another path", method: "POST", path: "/more", header: signed, body: message, status: 404},
		{name: "nothing", method: "POST", header: signed, status: 400},
		{name: "too large", method: "POST", header: signed, body: make([]byte, 2049), status: 413},
		{name: "a document", method: "POST", header: and(signed, "Content-Type", "application/pdf"), body: message, status: 415},
		{name: "no media type", method: "POST", header: and(signed, "Content-Type", "text/"), body: message, status: 415},
		{name: "compressed", method: "POST", header: and(signed, "Content-Encoding", "gzip"), body: message, status: 415},
	} {
		t.Run(tt.name, func(t *testing.T) {
			res, answer := do(t, http.DefaultClient, tt.method, b.url+tt.path, tt.header, bytes.NewReader(tt.body))
			require.Equal(t, tt.status, res.StatusCode)
			if tt.with != "" {
				require.Equal(t, tt.value, res.Header.Get(tt.with))
			}
			isProblem(t, res, answer)
		})
	}
	require.Empty(t, b.box.Stored())
}

func and(header map[string]string, key, value string) map[string]string {
	more := map[string]string{key: value}
	for k, v := range header {
		more[k] = v
	}
	return more
}

func isProblem(t *testing.T, res *http.Response, answer string) {
	t.Helper()
	require.Equal(t, "application/problem+json", res.Header.Get("Content-Type"))
	require.Equal(t, "no-store", res.Header.Get("Cache-Control"))
	var problem struct {
		Type, Title, Detail string
		Status              int
	}
	require.NoError(t, json.Unmarshal([]byte(answer), &problem))
	require.Equal(t, res.StatusCode, problem.Status)
	require.Equal(t, "about:blank", problem.Type)
	require.Equal(t, http.StatusText(res.StatusCode), problem.Title)
	require.NotEmpty(t, problem.Detail)
	require.NotContains(t, answer, token[:10])
	for _, word := range sourcetest.Canaries {
		require.NotContains(t, answer, word)
	}
}

func TestStoreDown(t *testing.T) {
	b := start(t, httpin.Config{})
	for _, fail := range []func(){b.box.FailBefore, b.box.FailAfter, b.box.Panic} {
		fail()
		for range 3 {
			res, answer := do(t, http.DefaultClient, "POST", b.url, signed, bytes.NewReader(sourcetest.Message(1)))
			require.Equal(t, http.StatusServiceUnavailable, res.StatusCode)
			require.Regexp(t, `^[1-9][0-9]*$`, res.Header.Get("Retry-After")) // seconds, RFC 9110 10.2.3
			isProblem(t, res, answer)
		}
	}
	b.box.Recover()
	res, _ := do(t, http.DefaultClient, "POST", b.url, signed, bytes.NewReader(sourcetest.Message(1)))
	require.Equal(t, http.StatusAccepted, res.StatusCode)
	b.stop()
	log := b.log.String()
	require.Equal(t, 2, strings.Count(log, "cannot be stored"), "once for each way of failing: "+log)
	require.Equal(t, 1, strings.Count(log, "stored again"))
}

// What comes in is stored as it came, in the format that its sender says, or
// that its bytes say.
func TestTaken(t *testing.T) {
	hl7, table := string(sourcetest.Message(1)), "Serial;INR\r\nQ1;2,4\r\n"
	for _, tt := range []struct {
		name   string
		header map[string]string
		body   string
		format string
	}{
		{"no type, HL7 v2", nil, hl7, "hl7v2"},
		{"no type, a table", nil, table, "csv"},
		{"HL7 v2", map[string]string{"Content-Type": "x-application/hl7-v2+er7; charset=utf-8"}, hl7, "hl7v2"},
		{"said to be HL7 v2", map[string]string{"Content-Type": "x-application/hl7-v2+er7"}, table, "hl7v2"},
		{"a table", map[string]string{"Content-Type": "text/csv; header=present"}, table, "csv"},
		{"JSON", map[string]string{"Content-Type": "application/json; charset=utf-8"}, `{"inr":"2.4"}`, "json"},
		{"XML", map[string]string{"Content-Type": "text/xml"}, "<test/>", "xml"},
		{"said to be a table", map[string]string{"Content-Type": "text/csv"}, hl7, "csv"},
		{"plain text", map[string]string{"Content-Type": "text/plain"}, hl7, "hl7v2"},
		{"bytes", map[string]string{"Content-Type": "application/octet-stream"}, table, "csv"},
		{"not coded", map[string]string{"Content-Encoding": "identity"}, hl7, "hl7v2"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			b := start(t, httpin.Config{})
			header := map[string]string{"Authorization": "bearer  " + token} // RFC 9110 11.1: the scheme's case does not matter
			for k, v := range tt.header {
				header[k] = v
			}
			for n, resent := range []bool{false, true} {
				res, answer := do(t, http.DefaultClient, "POST", b.url, header, strings.NewReader(tt.body))
				require.Equal(t, http.StatusAccepted, res.StatusCode)
				require.Equal(t, "application/json", res.Header.Get("Content-Type"))
				require.JSONEq(t, fmt.Sprintf(`{"arrival": "arrival-1", "resent": %t}`, resent), answer, "time %d", n+1)
			}
			stored := b.box.Stored()
			require.Len(t, stored, 1)
			a := stored[0]
			require.Equal(t, tt.body, string(a.Raw))
			require.Equal(t, tt.format, a.Format)
			require.Equal(t, came, a.Received)
			require.Regexp(t, `^127\.0\.0\.1:[0-9]+$`, a.Peer)
		})
	}
}

func TestBatch(t *testing.T) {
	b := start(t, httpin.Config{})
	raw := sourcetest.Batch(sourcetest.Message(1), sourcetest.Message(2))
	_, answer := do(t, http.DefaultClient, "POST", b.url, signed, bytes.NewReader(sourcetest.Message(1)))
	require.JSONEq(t, `{"arrival": "arrival-1", "resent": false}`, answer)
	_, answer = do(t, http.DefaultClient, "POST", b.url, signed, bytes.NewReader(raw))
	require.JSONEq(t, `{"arrival": "arrival-1", "resent": false, "messages": [
		{"arrival": "arrival-1", "resent": true}, {"arrival": "arrival-2", "resent": false}]}`, answer)
	_, answer = do(t, http.DefaultClient, "POST", b.url, signed, bytes.NewReader(raw))
	require.JSONEq(t, `{"arrival": "arrival-1", "resent": true, "messages": [
		{"arrival": "arrival-1", "resent": true}, {"arrival": "arrival-2", "resent": true}]}`, answer)
}

// A sender that hangs up while its message is being stored undoes nothing.
func TestHangsUp(t *testing.T) {
	b := start(t, httpin.Config{})
	open := b.box.Block()
	ctx, hangUp := context.WithCancel(t.Context())
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, b.url, bytes.NewReader(sourcetest.Message(1)))
	require.NoError(t, err)
	req.Header.Set("Authorization", "Bearer "+token)
	gone := make(chan error, 1)
	client := &http.Client{Transport: &http.Transport{}}
	go func() {
		res, err := client.Do(req)
		if err == nil {
			err = res.Body.Close()
		}
		gone <- err
	}()
	require.NoError(t, b.box.AwaitTry(t.Context()))
	hangUp()
	require.ErrorIs(t, <-gone, context.Canceled)
	open()
	require.NoError(t, b.box.AwaitStored(t.Context(), 1))
}

// A head that is too large is refused before anything is asked of the token.
func TestLargeHead(t *testing.T) {
	b := start(t, httpin.Config{})
	res, _ := do(t, http.DefaultClient, "POST", b.url, and(signed, "X-Long", strings.Repeat("x", 64<<10)), bytes.NewReader(sourcetest.Message(1)))
	require.Equal(t, http.StatusRequestHeaderFieldsTooLarge, res.StatusCode)
	require.Empty(t, b.box.Stored())
}

// The certificate is that of the Go library's test server, for example.com.
func TestTLS(t *testing.T) {
	peer := httptest.NewTLSServer(http.NotFoundHandler())
	defer peer.Close()
	cert, key := pemFiles(t, peer.TLS.Certificates[0])
	b := start(t, httpin.Config{TLS: httpin.TLS{CertFile: cert, KeyFile: key}})
	at := "https" + strings.TrimPrefix(b.url, "http")

	res, _ := do(t, peer.Client(), "POST", at, signed, bytes.NewReader(sourcetest.Message(1)))
	require.Equal(t, http.StatusAccepted, res.StatusCode)

	res, _ = do(t, http.DefaultClient, "POST", b.url, signed, bytes.NewReader(sourcetest.Message(2)))
	require.Equal(t, http.StatusBadRequest, res.StatusCode, "not in the clear")
	require.Len(t, b.box.Stored(), 1)
}

func TestSettings(t *testing.T) {
	write := func(text string, mode os.FileMode) string {
		file := filepath.Join(t.TempDir(), "token")
		require.NoError(t, os.WriteFile(file, []byte(text), mode))
		require.NoError(t, os.Chmod(file, mode))
		return file
	}
	for _, tt := range []struct {
		name string
		file string
		says string // "" if it starts
		warn bool
	}{
		{"good", write(token, 0o600), "", false},
		{"stricter", write(token+"\n", 0o400), "", false},
		{"short", write("sesame", 0o600), "", true},
		{"read by the group", write(token, 0o640), "can be read by others", false},
		{"read by all", write(token, 0o604), "can be read by others", false},
		{"empty", write(" \n", 0o600), "is empty", false},
		{"a folder", t.TempDir(), "is not a file", false},
		{"missing", filepath.Join(t.TempDir(), "none"), "no such file", false},
	} {
		t.Run(tt.name, func(t *testing.T) {
			var log bytes.Buffer
			_, err := httpin.New(httpin.Config{Listen: "127.0.0.1:0", TokenFile: tt.file},
				httpin.Settings{ID: "push", Inbox: sourcetest.NewInbox(), Log: zerolog.New(&log)})
			if tt.says != "" {
				require.ErrorContains(t, err, tt.says)
				require.NotContains(t, err.Error(), token)
				return
			}
			require.NoError(t, err)
			require.Equal(t, tt.warn, strings.Contains(log.String(), `"level":"warn"`))
			require.NotContains(t, log.String(), "sesame")
		})
	}
}

func TestConfig(t *testing.T) {
	good := httpin.Config{Listen: "127.0.0.1:8461", TokenFile: "s/push"}
	for _, tt := range []struct {
		name string
		set  func(*httpin.Config)
		keys []string
	}{
		{"good", func(*httpin.Config) {}, nil},
		{"IPv6 loopback", func(c *httpin.Config) { c.Listen = "[::1]:8461" }, nil},
		{"by name", func(c *httpin.Config) { c.Listen = "localhost:8461" }, nil},
		{"off loopback with TLS", func(c *httpin.Config) { c.Listen, c.TLS = ":8461", httpin.TLS{CertFile: "c", KeyFile: "k"} }, nil},
		{"all addresses", func(c *httpin.Config) { c.Listen = ":8461" }, []string{"tls"}},
		{"off loopback", func(c *httpin.Config) { c.Listen = "192.0.2.7:8461" }, []string{"tls"}},
		{"a name that may be anywhere", func(c *httpin.Config) { c.Listen = "gate.millrace.example:8461" }, []string{"tls"}},
		{"half of TLS", func(c *httpin.Config) { c.TLS.CertFile = "c" }, []string{"tls"}},
		{"nothing", func(c *httpin.Config) { *c = httpin.Config{} }, []string{"listen", "token_file"}},
		{"a path without slash", func(c *httpin.Config) { c.Path = "messages" }, []string{"path"}},
		{"a path with a query", func(c *httpin.Config) { c.Path = "/messages?x" }, []string{"path"}},
		{"hardly any body", func(c *httpin.Config) { c.MaxBody = 12 }, []string{"max_body"}},
		{"a negative body", func(c *httpin.Config) { c.MaxBody = -1 }, []string{"max_body"}},
	} {
		c := good
		tt.set(&c)
		var keys []string
		for _, f := range c.Validate() {
			keys = append(keys, f.Key)
			require.NotEmpty(t, f.What, tt.name)
			require.NotEmpty(t, f.Instead, tt.name)
		}
		require.Equal(t, tt.keys, keys, tt.name)
	}
	var _ interface{ Validate() []poct.KeyFault } = &good
}
