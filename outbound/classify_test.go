package outbound

import (
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidegate/wire/fhir"
)

// Statuses: hl7.org/fhir/R4/http.html (2xx 400 401 403 404 405 409 410 412 422),
// RFC 9110 section 15 (406 408 413 415 5xx), RFC 6585 section 4 (429). Issue
// codes: hl7.org/fhir/R4/valueset-issue-type.html. The class is our own rule.
func TestClassify(t *testing.T) {
	notSent := fmt.Errorf("%w: refused", fhir.ErrNotSent)
	unknown := fmt.Errorf("%w: reset", fhir.ErrUnknown)
	issue := func(codes ...string) (list []fhir.Issue) {
		for _, c := range codes {
			list = append(list, fhir.Issue{Severity: "error", Code: c})
		}
		return list
	}
	tests := []struct {
		name    string
		status  int
		outcome []fhir.Issue
		retry   string
		err     error
		want    Class
	}{
		{name: "connection refused", err: notSent, want: NotSent},
		{name: "timeout or reset after the send", err: unknown, want: Unknown},
		{name: "page of HTML under 200", status: 200, err: unknown, want: Unknown},
		{name: "error outcome of the moment under 200", status: 200, outcome: issue("exception"), err: unknown, want: Unknown},
		{name: "error outcome of the record under 200", status: 200, outcome: issue("business-rule"), err: unknown, want: Refused},
		{name: "readable error outcome under 200", status: 200, outcome: issue("invalid"), want: Refused},
		{name: "readable outcome of the moment under 200", status: 200, outcome: issue("transient"), want: Unknown},
		{name: "warning under 200", status: 200, outcome: []fhir.Issue{{Severity: "warning", Code: "informational"}}, want: Done},
		{name: "done", status: 200, want: Done},
		{name: "created", status: 201, want: Done},
		{name: "moved", status: 301, want: Configuration},
		{name: "see other", status: 303, want: Configuration},
		{name: "bad request", status: 400, outcome: issue("structure"), want: Refused},
		{name: "bad request without a word", status: 400, want: Refused},
		{name: "bad request, locked", status: 400, outcome: issue("lock-error"), want: Transient},
		{name: "no token", status: 401, want: SignIn},
		{name: "no scope", status: 403, want: Forbidden},
		{name: "not found", status: 404, want: Configuration},
		{name: "method", status: 405, want: Configuration},
		{name: "not acceptable", status: 406, want: Configuration},
		{name: "request timeout", status: 408, want: Unknown},
		{name: "conflict", status: 409, outcome: issue("conflict"), want: Compare},
		{name: "conflict, locked", status: 409, outcome: issue("lock-error"), want: Transient},
		{name: "gone", status: 410, outcome: issue("deleted"), want: Refused},
		{name: "several matches", status: 412, outcome: issue("multiple-matches"), want: Ambiguous},
		{name: "stale version", status: 412, outcome: issue("conflict"), want: Compare},
		{name: "stale version without a word", status: 412, want: Compare},
		{name: "no conditional create here", status: 412, outcome: issue("not-supported"), want: Configuration},
		{name: "too large", status: 413, want: Refused},
		{name: "media type", status: 415, want: Configuration},
		{name: "business rule", status: 422, outcome: issue("business-rule"), want: Refused},
		{name: "unprocessable, but throttled", status: 422, outcome: issue("throttled"), want: Transient},
		{name: "too many requests", status: 429, retry: "3", want: Throttled},
		{name: "server error", status: 500, want: Unknown},
		{name: "server error about the record", status: 500, outcome: issue("invariant"), want: Refused},
		{name: "server error of the moment", status: 500, outcome: issue("exception"), want: Unknown},
		{name: "server error, both", status: 500, outcome: issue("invalid", "timeout"), want: Unknown},
		{name: "not implemented", status: 501, want: Unknown},
		{name: "bad gateway", status: 502, want: Unknown},
		{name: "unavailable", status: 503, want: Transient},
		{name: "unavailable until", status: 503, retry: "2", want: Throttled},
		{name: "gateway timeout", status: 504, want: Unknown},
	}
	for _, code := range []string{"transient", "lock-error", "no-store", "exception", "timeout", "throttled", "incomplete"} {
		tests = append(tests, struct {
			name    string
			status  int
			outcome []fhir.Issue
			retry   string
			err     error
			want    Class
		}{name: "422 with " + code, status: 422, outcome: issue(code), want: Transient})
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			got := Classify(fhir.Answer{Status: tt.status, Outcome: tt.outcome, RetryAfter: tt.retry}, tt.err)
			require.Equal(t, tt.want, got)
		})
	}
}

// RFC 9110 10.2.3: seconds or an HTTP date.
func TestPauseAskedFor(t *testing.T) {
	now := time.Date(2026, 3, 4, 10, 0, 0, 0, time.UTC)
	for _, tt := range []struct {
		header string
		want   time.Duration
	}{
		{"", 0}, {"2", 2 * time.Second}, {"Wed, 04 Mar 2026 10:00:30 GMT", 30 * time.Second},
		{"Wed, 04 Mar 2026 09:00:00 GMT", 0}, {"soon", 0}, {"Wed, 04 Mar 2027 10:00:00 GMT", longestPause},
	} {
		require.Equal(t, tt.want, pauseOf(fhir.Answer{RetryAfter: tt.header}, now), tt.header)
	}
}

func TestConfigFaults(t *testing.T) {
	good := Config{ID: "record", Sites: []string{"*"}, FHIR: FHIR{BaseURL: "https://record.example/fhir"}}
	tests := []struct {
		name   string
		change func(*Config)
		key    string // "" for none
	}{
		{"good", func(*Config) {}, ""},
		{"http on loopback", func(c *Config) { c.FHIR.BaseURL = "http://127.0.0.1:8080/fhir" }, ""},
		{"http on localhost", func(c *Config) { c.FHIR.BaseURL = "http://localhost/fhir" }, ""},
		{"http off this machine", func(c *Config) { c.FHIR.BaseURL = "http://record.example/fhir" }, "base_url"},
		{"link-local", func(c *Config) { c.FHIR.BaseURL = "https://169.254.169.254/" }, "base_url"},
		{"credentials in the address", func(c *Config) { c.FHIR.BaseURL = "https://a:b@record.example/" }, "base_url"},
		{"no address", func(c *Config) { c.FHIR.BaseURL = "" }, "base_url"},
		{"file", func(c *Config) { c.FHIR.BaseURL = "file:///etc/passwd" }, "base_url"},
		{"kind", func(c *Config) { c.Kind = "smoke" }, "kind"},
		{"mode", func(c *Config) { c.FHIR.Mode = "batch" }, "mode"},
		{"no sites", func(c *Config) { c.Sites = nil }, "sites"},
		{"bearer without a file", func(c *Config) { c.FHIR.Auth.Kind = "bearer" }, "auth.token_file"},
		{"basic without a name", func(c *Config) { c.FHIR.Auth = Auth{Kind: "basic", PasswordFile: "x"} }, "auth.username"},
		{"secret without a kind", func(c *Config) { c.FHIR.Auth.TokenFile = "x" }, "auth.kind"},
		{"auth kind", func(c *Config) { c.FHIR.Auth.Kind = "handshake" }, "auth.kind"},
		{"in flight", func(c *Config) { c.InFlight = 1000 }, "in_flight"},
		{"timeout", func(c *Config) { c.Timeout = time.Hour }, "timeout"},
		{"retry upside down", func(c *Config) { c.Retry = Retry{First: time.Minute, Max: time.Second} }, "retry.max"},
		{"unit", func(c *Config) { c.FHIR.INRUnit = "INR" }, "inr_unit"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			c := good
			tt.change(&c)
			faults := c.Validate()
			if tt.key == "" {
				require.Empty(t, faults)
				return
			}
			require.Len(t, faults, 1)
			require.Equal(t, tt.key, faults[0].Key)
			require.NotEmpty(t, faults[0].Instead)
		})
	}
}
