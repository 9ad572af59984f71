package outbound

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"math/big"
	"strings"
	"time"

	"tidegate/poct"
	"tidegate/wire/fhir"
)

// sent is what a committed transaction says: a look-up compares with the bytes
// that were sent, not with what would be rendered now.
type sent struct {
	entries []sentEntry
}

type sentEntry struct {
	method      string
	url         string // "Observation" or "Observation/12"
	ifNoneExist string
	ifMatch     string
	ifNoneMatch string
	raw         json.RawMessage
	resource    resource
}

// resource is the part of a resource that tells one version from another.
type resource struct {
	Type       string `json:"resourceType"`
	ID         string `json:"id"`
	Identifier []struct {
		System string `json:"system"`
		Value  string `json:"value"`
	} `json:"identifier"`
	Status string `json:"status"`
	Issued string `json:"issued"`
	Meta   struct {
		VersionID string `json:"versionId"`
	} `json:"meta"`
	Subject struct {
		Reference string `json:"reference"`
	} `json:"subject"`
	Code struct {
		Coding []struct {
			System string `json:"system"`
			Code   string `json:"code"`
		} `json:"coding"`
	} `json:"code"`
	Value struct {
		Value      json.RawMessage `json:"value"`
		Comparator string          `json:"comparator"`
		Code       string          `json:"code"`
	} `json:"valueQuantity"`
}

func readResource(b []byte) (r resource, err error) {
	if err = json.Unmarshal(b, &r); err == nil && r.Type == "" {
		err = errors.New("no resource")
	}
	return r, err
}

func readSent(body []byte) (sent, error) {
	var raw struct {
		Type  string `json:"type"`
		Entry []struct {
			Resource json.RawMessage `json:"resource"`
			Request  struct {
				Method      string `json:"method"`
				URL         string `json:"url"`
				IfNoneExist string `json:"ifNoneExist"`
				IfMatch     string `json:"ifMatch"`
				IfNoneMatch string `json:"ifNoneMatch"`
			} `json:"request"`
		} `json:"entry"`
	}
	if err := json.Unmarshal(body, &raw); err != nil {
		return sent{}, fmt.Errorf("committed bytes: %w", err)
	}
	var s sent
	for _, e := range raw.Entry {
		r, err := readResource(e.Resource)
		if err != nil {
			return sent{}, fmt.Errorf("committed bytes: %w", err)
		}
		s.entries = append(s.entries, sentEntry{
			method: e.Request.Method, url: e.Request.URL, ifNoneExist: e.Request.IfNoneExist,
			ifMatch: e.Request.IfMatch, ifNoneMatch: e.Request.IfNoneMatch, raw: e.Resource, resource: r,
		})
	}
	if raw.Type != "transaction" || len(s.entries) == 0 {
		return sent{}, errors.New("committed bytes: no transaction")
	}
	return s, nil
}

// result tells the entries that are the result itself; Device, Practitioner
// and the like are shared with other results and only ever created.
func (e sentEntry) result() bool {
	return e.resource.Type == "Observation" || e.resource.Type == "DiagnosticReport"
}

// shared tells the entries that many results have in common: meter, operator,
// clinic, strip lot.
func (e sentEntry) shared() bool {
	switch e.resource.Type {
	case "Device", "Practitioner", "Organization", "Substance":
		return e.ifNoneExist != ""
	}
	return false
}

// ref is the reference of an entry that names its resource, "" otherwise.
func (e sentEntry) ref() string {
	if strings.Contains(e.url, "/") {
		return e.url
	}
	return ""
}

// identifier is the business identifier that the entry is found by again.
func (e sentEntry) identifier() fhir.Identifier {
	for _, i := range e.resource.Identifier {
		return fhir.Identifier{System: i.System, Value: i.Value}
	}
	return fhir.Identifier{}
}

// ownID tells whether the resource's id is the one in its identifier: given by
// us, so that there can be no second one.
func (e sentEntry) ownID() bool {
	_, id, ok := strings.Cut(e.ref(), "/")
	return ok && e.identifier().Value == "urn:uuid:"+id
}

// key names an entry in Remote: "observation/inr", "diagnosticreport", "device".
func (e sentEntry) key(r poct.Result) string {
	key := strings.ToLower(e.resource.Type)
	if e.resource.Type != "Observation" {
		return key
	}
	for _, m := range r.Reading.Measurements {
		for _, c := range e.resource.Code.Coding {
			if c.Code == m.LOINC {
				return key + "/" + m.Analyte
			}
		}
	}
	return key
}

// accepts tells whether a stored copy is what was sent. An earlier delivery of
// the same filing that ended unknown may have left it under an earlier issued.
func (e sentEntry) accepts(stored resource, d poct.Delivery) bool {
	return e.resource.same(stored) || (d.Unsure && e.resource.sameContent(stored))
}

func (r resource) sharesIdentifier(o resource) bool {
	for _, i := range r.Identifier {
		for _, k := range o.Identifier {
			if i == k {
				return true
			}
		}
	}
	return false
}

// same tells whether a stored resource is the version that was sent. Issued is
// the mark that survives the other side: it rises with every version of a
// result. The value is compared as a number, since a server may drop zeros.
func (r resource) same(stored resource) bool {
	return r.sameVersion(stored) && r.sameContent(stored)
}

func (r resource) sameVersion(stored resource) bool {
	a, errA := time.Parse(time.RFC3339Nano, r.Issued)
	b, errB := time.Parse(time.RFC3339Nano, stored.Issued)
	return errA == nil && errB == nil && a.Truncate(time.Millisecond).Equal(b.Truncate(time.Millisecond))
}

func (r resource) sameContent(stored resource) bool {
	return r.Status == stored.Status && sameReference(r.Subject.Reference, stored.Subject.Reference) &&
		r.Value.Comparator == stored.Value.Comparator && r.Value.Code == stored.Value.Code &&
		sameNumber(r.Value.Value, stored.Value.Value)
}

// sameReference compares the last two parts: a server may answer with its own
// absolute URLs.
func sameReference(a, b string) bool {
	tail := func(s string) string {
		s, _, _ = strings.Cut(s, "/_history/")
		p := strings.Split(s, "/")
		if len(p) < 2 {
			return s
		}
		return p[len(p)-2] + "/" + p[len(p)-1]
	}
	return tail(a) == tail(b)
}

func sameNumber(a, b json.RawMessage) bool {
	if bytes.Equal(a, b) {
		return true
	}
	x, okX := new(big.Rat).SetString(string(a))
	y, okY := new(big.Rat).SetString(string(b))
	return okX && okY && x.Cmp(y) == 0
}
