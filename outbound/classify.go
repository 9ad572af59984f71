package outbound

import (
	"errors"
	"net/http"
	"time"

	"tidegate/wire/fhir"
)

// Class is what an answer means for a delivery.
type Class string

// Classes of answer.
const (
	Done          Class = "delivered"     // carried out, and the answer says so
	Transient     Class = "transient"     // not carried out now; the same may work later
	Throttled     Class = "throttled"     // the destination asks for a pause
	Unknown       Class = "unknown"       // may have been carried out: look up before anything else
	SignIn        Class = "sign-in"       // credentials not taken: refresh once, then alarm
	Forbidden     Class = "forbidden"     // not allowed to us at all: alarm
	Compare       Class = "compare"       // a version or identifier stands in the way: read and compare
	Ambiguous     Class = "ambiguous"     // several resources under one identifier
	Refused       Class = "refused"       // this record is not taken: a person looks
	Configuration Class = "configuration" // wrong address, method or media type
	Absent        Class = "absent"        // looked up, not there
	NotSent       Class = "not-sent"      // no byte left this machine
	Waiting       Class = "waiting"       // nothing was tried: it is not time yet
)

// IssueType codes worth a retry: those of hl7.org/fhir/R4/valueset-issue-type
// that speak of the moment, not of the record.
var momentary = []string{"transient", "lock-error", "no-store", "exception", "timeout", "throttled", "incomplete"}

// Codes that speak of the record itself, whatever the status.
var ofTheRecord = []string{"invalid", "structure", "required", "value", "invariant", "code-invalid", "extension", "business-rule", "too-long"}

// Classify says what an answer to a write means. The statuses are those of
// hl7.org/fhir/R4/http.html and RFC 9110; what follows from each is our own
// rule:
//
//	nothing sent                    not-sent
//	no readable answer              unknown
//	2xx                             delivered; with an error in an OperationOutcome unknown or refused
//	3xx                             configuration: never followed with credentials
//	400 413 422                     refused
//	401 / 403                       sign-in / forbidden
//	404 405 406 415                 configuration
//	409                             compare
//	410                             refused
//	412                             compare, ambiguous or configuration, by issue code
//	429                             throttled
//	500 502 504 and other 5xx       unknown: a gateway may have passed the request on
//	503                             transient; throttled if it says until when
//	other 4xx                       refused
//
// An issue code of the moment (lock-error, timeout ...) makes a refusal
// transient; one of the record (invalid, business-rule ...) makes a 5xx a
// refusal, so that a poisoned record does not knock for ever.
func Classify(a fhir.Answer, err error) Class {
	switch {
	case errors.Is(err, errNotLetIn):
		return SignIn
	case errors.Is(err, errNotGranted):
		return Forbidden
	case errors.Is(err, fhir.ErrNotSent):
		return NotSent
	case err != nil && a.Status >= 200 && a.Status < 300 && failed(a) && a.Has(ofTheRecord...):
		return Refused
	case err != nil:
		return Unknown
	}
	s := a.Status
	switch {
	case s >= 200 && s < 300:
		return classifySuccess(a)
	case s >= 300 && s < 400:
		return Configuration
	case s == http.StatusUnauthorized:
		return SignIn
	case s == http.StatusForbidden:
		return Forbidden
	case s == http.StatusTooManyRequests:
		return Throttled
	case s >= 500:
		return classifyServer(a)
	}
	if a.Has(momentary...) {
		return Transient
	}
	switch s {
	case http.StatusNotFound, http.StatusMethodNotAllowed, http.StatusNotAcceptable, http.StatusUnsupportedMediaType:
		return Configuration
	case http.StatusRequestTimeout:
		return Unknown
	case http.StatusConflict:
		return Compare
	case http.StatusPreconditionFailed:
		switch {
		case a.Has("multiple-matches", "duplicate"):
			return Ambiguous
		case a.Has("not-supported"):
			return Configuration
		}
		return Compare
	}
	return Refused
}

func failed(a fhir.Answer) bool {
	for _, i := range a.Outcome {
		if i.Failed() {
			return true
		}
	}
	return false
}

func classifySuccess(a fhir.Answer) Class {
	switch {
	case !failed(a):
		return Done
	case a.Has(ofTheRecord...):
		return Refused
	}
	return Unknown
}

func classifyServer(a fhir.Answer) Class {
	switch {
	case failed(a) && a.Has(ofTheRecord...) && !a.Has(momentary...):
		return Refused
	case a.Status != http.StatusServiceUnavailable:
		return Unknown
	case a.RetryAfter != "":
		return Throttled
	}
	return Transient
}

// longestPause bounds what a Retry-After is believed: an unlucky date must not
// silence an outlet for days.
const longestPause = time.Hour

// pauseOf is the pause an answer asks for, 0 if none.
func pauseOf(a fhir.Answer, now time.Time) time.Duration {
	d, ok := a.Wait(now)
	if !ok {
		return 0
	}
	return min(d, longestPause)
}
