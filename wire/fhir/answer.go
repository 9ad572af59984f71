package fhir

import (
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"strconv"
	"strings"
	"time"
)

// Answer is what came back for one request. Status 0 means that nothing did.
type Answer struct {
	RequestID  string // the X-Request-Id that was sent
	Status     int
	Sent       bool   // bytes of the request may have left this machine
	Location   string // as sent: absolute or relative
	ETag       string // W/"3"
	RetryAfter string // as sent; see Wait
	Type       string // resourceType of the body, "" without a readable one
	Body       []byte // the body if it is readable JSON, else nil
	Outcome    []Issue
	Entries    []Entry // of a transaction-response or a searchset, in order
	Next       string  // link to the next page of a searchset, "" if none
}

// Entry is one entry of an answered Bundle: of a transaction its outcome, of a
// search a match.
type Entry struct {
	Status   int    // 201 for "201 Created"; 0 in a searchset
	Location string // of a transaction
	ETag     string // of a transaction, or W/"versionId" of a match
	Outcome  []Issue
	Resource json.RawMessage
	Mode     string // search mode: match, include, outcome
}

// Issue is one issue of an OperationOutcome. Text is the server's own and may
// speak of a patient: keep it out of logs.
type Issue struct {
	Severity   string // fatal error warning information
	Code       string // IssueType: conflict, multiple-matches, throttled ...
	Text       string // details.text, else diagnostics
	Expression []string
}

// Failed reports whether an issue is an error or worse.
func (i Issue) Failed() bool { return i.Severity == "fatal" || i.Severity == "error" }

// OK reports whether the status is 2xx and no issue speaks against it.
func (a Answer) OK() bool {
	for _, i := range a.Outcome {
		if i.Failed() {
			return false
		}
	}
	return a.Status >= 200 && a.Status < 300
}

// Has reports whether an issue has one of the codes.
func (a Answer) Has(codes ...string) bool {
	for _, i := range a.Outcome {
		for _, c := range codes {
			if i.Code == c {
				return true
			}
		}
	}
	return false
}

// Wait is how long Retry-After asks to wait, in either of its forms: seconds
// or an HTTP date (RFC 9110 10.2.3). Never negative; false without a readable one.
func (a Answer) Wait(now time.Time) (time.Duration, bool) {
	v := strings.TrimSpace(a.RetryAfter)
	if n, err := strconv.ParseUint(v, 10, 31); err == nil {
		return time.Duration(n) * time.Second, true
	}
	if at, err := http.ParseTime(v); err == nil {
		return max(at.Sub(now), 0), true
	}
	return 0, false
}

// Place splits a Location into the relative reference and the version:
// "http://h/fhir/Observation/12/_history/3" is "Observation/12" and "3".
// Both are "" if it names no resource.
func Place(location string) (ref, version string) {
	path, _, _ := strings.Cut(location, "?")
	parts := strings.Split(strings.TrimRight(path, "/"), "/")
	if n := len(parts); n >= 4 && parts[n-2] == "_history" {
		version, parts = parts[n-1], parts[:n-2]
	}
	if n := len(parts); n >= 2 {
		ref = parts[n-2] + "/" + parts[n-1]
	}
	if !isReference(ref) {
		return "", ""
	}
	return ref, version
}

// isReference tells Type/id, with an id as R4 allows: 1 to 64 letters, digits,
// hyphens and dots.
func isReference(ref string) bool {
	typ, id, ok := strings.Cut(ref, "/")
	return ok && isType(typ) && isID(id)
}

func isType(s string) bool {
	if s == "" || s[0] < 'A' || s[0] > 'Z' {
		return false
	}
	return strings.Trim(s, "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz") == ""
}

func isID(s string) bool {
	if len(s) < 1 || len(s) > 64 || s == "." || s == ".." {
		return false
	}
	for _, c := range []byte(s) {
		if (c < '0' || c > '9') && (c < 'A' || c > 'Z') && (c < 'a' || c > 'z') && c != '-' && c != '.' {
			return false
		}
	}
	return true
}

type rawOutcome struct {
	ResourceType string `json:"resourceType"`
	Issue        []struct {
		Severity    string                `json:"severity"`
		Code        string                `json:"code"`
		Details     struct{ Text string } `json:"details"`
		Diagnostics string                `json:"diagnostics"`
		Expression  []string              `json:"expression"`
	} `json:"issue"`
}

func (o rawOutcome) issues() []Issue {
	if o.ResourceType != "OperationOutcome" {
		return nil
	}
	var list []Issue
	for _, i := range o.Issue {
		text := i.Details.Text
		if text == "" {
			text = i.Diagnostics
		}
		list = append(list, Issue{Severity: i.Severity, Code: i.Code, Text: text, Expression: i.Expression})
	}
	return list
}

type rawBundle struct {
	Type string `json:"type"`
	Link []struct {
		Relation string `json:"relation"`
		URL      string `json:"url"`
	} `json:"link"`
	Entry []struct {
		Resource json.RawMessage `json:"resource"`
		Search   struct {
			Mode string `json:"mode"`
		} `json:"search"`
		Response struct {
			Status   string     `json:"status"`
			Location string     `json:"location"`
			ETag     string     `json:"etag"`
			Outcome  rawOutcome `json:"outcome"`
		} `json:"response"`
	} `json:"entry"`
}

// read fills the answer from its body, strictly.
func (a *Answer) read(body []byte) error {
	if err := CheckJSON(body); err != nil {
		return err
	}
	var head rawOutcome
	if err := json.Unmarshal(body, &head); err != nil {
		// Other types have other shapes under the same names; the type is enough.
		var typed struct {
			ResourceType string `json:"resourceType"`
		}
		if json.Unmarshal(body, &typed) != nil {
			return errors.New("not a FHIR resource")
		}
		head = rawOutcome{ResourceType: typed.ResourceType}
	}
	if head.ResourceType == "" {
		return errors.New("not a FHIR resource")
	}
	a.Type, a.Body, a.Outcome = head.ResourceType, body, head.issues()
	if a.Type == "Bundle" {
		return a.readBundle(body)
	}
	return nil
}

func (a *Answer) readBundle(body []byte) error {
	var raw rawBundle
	if err := json.Unmarshal(body, &raw); err != nil {
		return errors.New("not a FHIR Bundle")
	}
	for _, l := range raw.Link {
		if l.Relation == "next" {
			a.Next = l.URL
		}
	}
	for i, e := range raw.Entry {
		entry := Entry{
			Location: e.Response.Location, ETag: e.Response.ETag, Resource: e.Resource,
			Outcome: e.Response.Outcome.issues(), Mode: e.Search.Mode,
		}
		if s := e.Response.Status; s != "" {
			code, _, _ := strings.Cut(s, " ")
			n, err := strconv.Atoi(code)
			if err != nil {
				return fmt.Errorf("entry %d has no status code", i)
			}
			entry.Status = n
		}
		if entry.ETag == "" && e.Resource != nil {
			entry.ETag = versionTag(e.Resource)
		}
		a.Entries = append(a.Entries, entry)
	}
	return nil
}

// versionTag is W/"meta.versionId" of a resource, "" without one.
func versionTag(resource []byte) string {
	var r struct {
		Meta struct {
			VersionID string `json:"versionId"`
		} `json:"meta"`
	}
	if json.Unmarshal(resource, &r) != nil || r.Meta.VersionID == "" {
		return ""
	}
	return `W/"` + r.Meta.VersionID + `"`
}
