package outbound

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"math/big"
	"net/http"
	"strings"
	"sync"
	"time"

	"tidegate/poct"
	"tidegate/wire/fhir"
)

// sent is what a committed bundle says: a look-up compares with the bytes that
// were sent, not with what would be rendered now.
type sent struct {
	entries []sentEntry
	steps   bool // the entries go one by one, instead of all or nothing
}

// sentEntry is one entry; its resource is read only where it is compared.
type sentEntry struct {
	fhir.Write
}

// resource is the part of a resource that tells one version from another.
type resource struct {
	Type       string `json:"resourceType"`
	ID         string `json:"id"`
	Identifier []struct {
		System string `json:"system"`
		Value  string `json:"value"`
	} `json:"identifier"`
	Status    string `json:"status"`
	Effective string `json:"effectiveDateTime"`
	Issued    string `json:"issued"`
	Meta      struct {
		VersionID string `json:"versionId"`
	} `json:"meta"`
	Subject struct {
		Reference string `json:"reference"`
	} `json:"subject"`
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

func readSent(body []byte) (s sent, err error) {
	typ := ""
	err = members(body, func(key string, value []byte) (err error) {
		switch key {
		case "type":
			typ, err = unquoted(value)
		case "entry":
			err = elements(value, func(value []byte) error {
				e, err := readEntry(value)
				s.entries = append(s.entries, e)
				return err
			})
		}
		return err
	})
	switch {
	case err != nil:
		return sent{}, fmt.Errorf("committed bytes: %w", err)
	case typ != "transaction" && typ != "batch" || len(s.entries) == 0:
		return sent{}, errors.New("committed bytes: neither a transaction nor steps")
	}
	s.steps = typ == "batch"
	return s, nil
}

func readEntry(raw []byte) (e sentEntry, err error) {
	err = members(raw, func(key string, value []byte) (err error) {
		switch key {
		case "fullUrl":
			e.FullURL, err = unquoted(value)
		case "resource":
			e.Resource = value
		case "request":
			into := map[string]*string{
				"method": &e.Method, "url": &e.URL, "ifNoneExist": &e.IfNoneExist,
				"ifMatch": &e.IfMatch, "ifNoneMatch": &e.IfNoneMatch,
			}
			err = members(value, func(key string, value []byte) (err error) {
				if to := into[key]; to != nil {
					*to, err = unquoted(value)
				}
				return err
			})
		}
		return err
	})
	if err == nil && (e.Method == "" || e.URL == "" || len(e.Resource) == 0) {
		err = errShape
	}
	return e, err
}

// linked is the bundle without the entries whose resource is there already:
// references to them become literal. More entries follow the others; what tells
// of them all comes last.
func (s sent) linked(there map[string]string, more []fhir.Write) sent {
	out := sent{steps: s.steps}
	var last []sentEntry
	for _, e := range s.entries {
		if there[e.FullURL] != "" {
			continue
		}
		e.Resource = pointed(e.Resource, there)
		if e.typ() == "Provenance" {
			last = append(last, e)
			continue
		}
		out.entries = append(out.entries, e)
	}
	for _, w := range more {
		out.entries = append(out.entries, sentEntry{w})
	}
	out.entries = append(out.entries, last...)
	return out
}

// pointed is a resource whose references to full URLs lead to where these
// stand. Identifiers, of which some are the same text, stay.
func pointed(resource []byte, there map[string]string) []byte {
	for url, ref := range there {
		resource = bytes.ReplaceAll(resource, []byte(`"reference":"`+url+`"`), []byte(`"reference":"`+ref+`"`))
	}
	return resource
}

// bundle is the entries as bytes.
func (s sent) bundle() []byte {
	writes := make([]fhir.Write, len(s.entries))
	for i, e := range s.entries {
		writes[i] = e.Write
	}
	if s.steps {
		return fhir.Steps(writes)
	}
	return fhir.Transaction(writes)
}

// parsed keeps transactions between rendering and sending, so that a delivery
// that goes straight through is read once.
type parsed struct {
	mu sync.Mutex
	by map[int64]parsedOne
}

type parsedOne struct {
	body []byte
	sent sent
}

func (p *parsed) put(id int64, body []byte, s sent) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.by == nil || len(p.by) >= 1000 { // of deliveries that never got to be sent
		p.by = map[int64]parsedOne{}
	}
	p.by[id] = parsedOne{body, s}
}

// take reads the committed bytes of a delivery.
func (p *parsed) take(d poct.Delivery) (sent, error) {
	p.mu.Lock()
	one := p.by[d.ID]
	delete(p.by, d.ID)
	p.mu.Unlock()
	if len(one.body) > 0 && len(one.body) == len(d.Body) && &one.body[0] == &d.Body[0] {
		return one.sent, nil
	}
	return readSent(d.Body)
}

// typ is the type of the entry's resource.
func (e sentEntry) typ() string {
	typ, _, _ := strings.Cut(e.URL, "/")
	return typ
}

// result tells the entries that are the result itself; Device, Practitioner
// and the like are shared with other results and only ever created.
func (e sentEntry) result() bool {
	return e.typ() == "Observation" || e.typ() == "DiagnosticReport"
}

// shared tells the entries that many results have in common: meter, clinic,
// strip lot.
func (e sentEntry) shared() bool {
	switch e.typ() {
	case "Device", "Practitioner", "Organization", "Substance":
		return e.IfNoneExist != ""
	}
	return false
}

// ref is the reference of an entry that names its resource, "" otherwise.
func (e sentEntry) ref() string {
	if strings.Contains(e.URL, "/") {
		return e.URL
	}
	return ""
}

// identifier is the business identifier that the entry is found by again.
func (e sentEntry) identifier() fhir.Identifier {
	r, err := readResource(e.Resource)
	if err != nil || len(r.Identifier) == 0 {
		return fhir.Identifier{}
	}
	return fhir.Identifier{System: r.Identifier[0].System, Value: r.Identifier[0].Value}
}

// ownID tells whether the resource's id is the one in its identifier: given by
// us, so that there can be no second one.
func (e sentEntry) ownID() bool {
	_, id, ok := strings.Cut(e.ref(), "/")
	return ok && bytes.Contains(e.Resource, []byte(`"urn:uuid:`+id+`"`))
}

// own is the reference under which an entry would be created with an id of
// ours: the UUID of its full URL.
func (e sentEntry) own() string {
	return e.typ() + "/" + strings.TrimPrefix(e.FullURL, "urn:uuid:")
}

// given is an entry of ours that is created under an id of ours, whatever it
// was before: the content stays, the id goes into it. Entries that are not ours
// to name, or exist, stay.
func (e sentEntry) given() sentEntry {
	if e.Method != http.MethodPost || e.shared() || e.identifierURN() != e.FullURL {
		return e
	}
	open := []byte(`{"resourceType":"` + e.typ() + `",`)
	_, id, _ := strings.Cut(e.own(), "/")
	e.Resource = bytes.Replace(e.Resource, open, append(open, `"id":"`+id+`",`...), 1)
	e.Method, e.URL, e.IfNoneExist, e.IfNoneMatch = http.MethodPut, e.own(), "", "*"
	return e
}

// taken is the reverse: an entry created unless its identifier is there, with
// the id left to the record system. Others refer to it by its full URL.
func (e sentEntry) taken() sentEntry {
	provenance := e.typ() == "Provenance" && e.ref() == e.own() // it has no identifier
	if !provenance && (e.IfNoneMatch != "*" || e.identifierURN() != e.FullURL) {
		return e
	}
	_, id, _ := strings.Cut(e.own(), "/")
	e.Resource = bytes.Replace(e.Resource, []byte(`"id":"`+id+`",`), nil, 1)
	e.Method, e.URL, e.IfNoneMatch = http.MethodPost, e.typ(), ""
	if !provenance {
		e.IfNoneExist = e.identifier().Query()
	}
	return e
}

// identifierURN is the value of an identifier that is a UUID, "" of others.
func (e sentEntry) identifierURN() string {
	if id := e.identifier(); id.System == "urn:ietf:rfc:3986" {
		return id.Value
	}
	return ""
}

// given and taken are all the entries so, with the references between them.
func (s sent) given() sent {
	out := sent{steps: s.steps, entries: make([]sentEntry, len(s.entries))}
	there := map[string]string{}
	for i, e := range s.entries {
		out.entries[i] = e.given()
		if out.entries[i].IfNoneMatch == "*" {
			there[e.FullURL] = e.own()
		}
	}
	for i := range out.entries {
		out.entries[i].Resource = pointed(out.entries[i].Resource, there)
	}
	return out
}

func (s sent) taken() sent {
	out := sent{steps: s.steps, entries: make([]sentEntry, len(s.entries))}
	there := map[string]string{}
	for i, e := range s.entries {
		out.entries[i] = e.taken()
		if out.entries[i].IfNoneExist != "" && e.IfNoneExist == "" {
			there[e.own()] = e.FullURL
		}
	}
	for i := range out.entries {
		out.entries[i].Resource = pointed(out.entries[i].Resource, there)
	}
	return out
}

// key names an entry in Remote: "observation/inr", "diagnosticreport", "device".
func (e sentEntry) key(r poct.Result) string {
	key := strings.ToLower(e.typ())
	if e.typ() != "Observation" {
		return key
	}
	for _, m := range r.Reading.Measurements {
		if bytes.Contains(e.Resource, []byte(`"`+m.LOINC+`"`)) {
			return key + "/" + m.Analyte
		}
	}
	return key
}

// accepts tells whether a stored copy is what was sent. An earlier delivery of
// the same filing that ended unknown may have left it under an earlier issued.
func (e sentEntry) accepts(stored resource, d poct.Delivery) bool {
	r, err := readResource(e.Resource)
	return err == nil && (r.same(stored) || (d.Unsure && r.sameContent(stored)))
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

func (r resource) sameVersion(stored resource) bool { return sameInstant(r.Issued, stored.Issued) }

// sameInstant compares to the millisecond, as far as we write it.
func sameInstant(a, b string) bool {
	x, errX := time.Parse(time.RFC3339Nano, a)
	y, errY := time.Parse(time.RFC3339Nano, b)
	return errX == nil && errY == nil && x.Truncate(time.Millisecond).Equal(y.Truncate(time.Millisecond))
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
