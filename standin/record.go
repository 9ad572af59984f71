package standin

import (
	"crypto/subtle"
	"fmt"
	"net/http"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"time"
)

// Options of a record.
type Options struct {
	Token    string // bearer token asked for; "" for none
	Username string // Basic instead of bearer, with Password
	Password string
	Patients []Patient
	Switches Switches
	Now      func() time.Time // default time.Now
	// KeepBodies keeps the request bodies in the access log.
	KeepBodies bool
	// LogSize bounds the access log, default 20,000 entries; older ones go.
	LogSize int
}

// Patient is one preloaded patient. All invented.
type Patient struct {
	ID         string // the record's own id
	System     string // identifier system
	Value      string // identifier value
	Family     string
	Given      string
	BirthDate  string // YYYY-MM-DD
	Gender     string // male, female, other, unknown
	Inactive   bool
	ReplacedBy string // id of the surviving patient
}

// Record is a FHIR R4 record system in memory, an http.Handler whose base URL
// is where it is mounted (no path of its own: strip a prefix before it).
type Record struct {
	opt      Options
	now      func() time.Time
	requests atomic.Int64

	mu        sync.RWMutex
	switches  Switches
	token     string
	resources map[string]map[string]*entry // type, id
	index     map[string]map[string]ids    // type, "system|value" of an identifier
	next      int

	faults faults
	log    accessLog
}

// ids in the order they came.
type ids []string

// entry is one resource with all its versions.
type entry struct {
	id       string
	versions []version
	created  time.Time
	seq      int64 // number of the request that created it
}

// version is one state of a resource.
type version struct {
	number  int
	at      time.Time
	body    []byte // never changed; nil for a deletion
	deleted bool
}

// tree reads the stored bytes once more: keeping trees would cost far more
// memory than the few look-ups cost time.
func (v *version) tree() *node {
	n, err := parseJSON(v.body)
	if err != nil {
		panic(fmt.Sprintf("standin: stored bytes cannot be read: %v", err)) // we wrote them ourselves
	}
	return n
}

func (e *entry) current() *version { return &e.versions[len(e.versions)-1] }

// NewRecord makes a record with its patients. It panics on a patient that
// breaks the rules of FHIR, which is a mistake of the caller.
func NewRecord(opt Options) *Record {
	r := &Record{
		opt: opt, now: opt.Now, switches: opt.Switches, token: opt.Token, next: 100,
		resources: map[string]map[string]*entry{}, index: map[string]map[string]ids{},
	}
	if r.now == nil {
		r.now = time.Now
	}
	if r.opt.LogSize == 0 {
		r.opt.LogSize = 20000
	}
	for _, t := range resourceTypes {
		r.resources[t], r.index[t] = map[string]*entry{}, map[string]ids{}
	}
	r.log.most = r.opt.LogSize
	r.AddPatients(opt.Patients...)
	return r
}

// AddPatients adds patients to the record, as its own staff would.
func (r *Record) AddPatients(patients ...Patient) {
	for _, p := range patients {
		name := object("family", p.Family)
		if p.Given != "" {
			name.set("given", &node{kind: isArray, items: []*node{text(p.Given)}})
		}
		n := object("resourceType", "Patient", "active", !p.Inactive,
			"identifier", []*node{object("system", p.System, "value", p.Value)}, "name", []*node{name})
		if p.BirthDate != "" {
			n.set("birthDate", text(p.BirthDate))
		}
		if p.Gender != "" {
			n.set("gender", text(p.Gender))
		}
		if p.ReplacedBy != "" {
			n.set("link", &node{kind: isArray, items: []*node{object("other", object("reference", "Patient/"+p.ReplacedBy), "type", "replaced-by")}})
		}
		if x := examine(n); len(x.issues) > 0 {
			panic(fmt.Sprintf("standin: patient %s: %v", p.ID, x.issues))
		}
		r.mu.Lock()
		r.put("Patient", p.ID, n)
		r.mu.Unlock()
	}
}

// SetToken changes the bearer token that is asked for.
func (r *Record) SetToken(token string) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.token = token
}

// Delete removes a resource as the record's own staff would: reading it is
// then 410. It reports whether the resource was there.
func (r *Record) Delete(typ, id string) bool {
	r.mu.Lock()
	defer r.mu.Unlock()
	e := r.resources[typ][id]
	if e == nil || e.current().deleted {
		return false
	}
	r.unindex(typ, id, e.current().tree())
	e.versions = append(e.versions, version{number: e.current().number + 1, at: r.now(), deleted: true})
	return true
}

// put stores the next version of a resource; the caller holds the lock. The
// id and meta of the tree are written over.
func (r *Record) put(typ, id string, tree *node) *version {
	e := r.resources[typ][id]
	if e == nil {
		e = &entry{id: id, created: r.now(), seq: r.requests.Load()}
		r.resources[typ][id] = e
	}
	number := 1
	if len(e.versions) > 0 {
		last := e.current()
		number = last.number + 1
		if !last.deleted {
			r.unindex(typ, id, last.tree())
		}
	}
	at := r.now()
	tree = r.kept(tree)
	tree.set("id", text(id))
	meta := object("versionId", strconv.Itoa(number), "lastUpdated", at.UTC().Format("2006-01-02T15:04:05.000Z"))
	for _, m := range tree.get("meta").members0() {
		if meta.get(m.key) == nil {
			meta.set(m.key, m.value)
		}
	}
	if r.switches.NoVersions {
		meta = object("lastUpdated", meta.str("lastUpdated"))
	}
	tree.set("meta", meta)
	e.versions = append(e.versions, version{number: number, at: at, body: tree.render(nil)})
	for _, i := range tree.list("identifier") {
		key := i.str("system") + "|" + i.str("value")
		r.index[typ][key] = append(r.index[typ][key], id)
	}
	return e.current()
}

// members0 is the members of an object, none for nil.
func (n *node) members0() []member {
	if n == nil {
		return nil
	}
	return n.members
}

func (r *Record) unindex(typ, id string, tree *node) {
	for _, i := range tree.list("identifier") {
		key := i.str("system") + "|" + i.str("value")
		left := ids{}
		for _, x := range r.index[typ][key] {
			if x != id {
				left = append(left, x)
			}
		}
		if len(left) == 0 {
			delete(r.index[typ], key)
			continue
		}
		r.index[typ][key] = left
	}
}

func (r *Record) newID() string {
	r.next++
	return strconv.Itoa(r.next)
}

// visible reports whether the search index has caught up with a resource.
func (r *Record) visible(e *entry) bool {
	if lag := r.switches.IndexLag; lag > 0 && r.now().Sub(e.created) < lag {
		return false
	}
	return r.requests.Load()-e.seq >= r.switches.IndexLagRequests
}

// reply is an answer before it is written.
type reply struct {
	status int
	header map[string]string
	body   []byte
}

func (p reply) with(key, value string) reply {
	if p.header == nil {
		p.header = map[string]string{}
	}
	p.header[key] = value
	return p
}

// refusal is an OperationOutcome.
func refusal(status int, issues ...issue) reply {
	var list []*node
	for _, i := range issues {
		n := object("severity", "error", "code", i.code, "diagnostics", i.text)
		if i.at != "" {
			n.set("expression", &node{kind: isArray, items: []*node{text(i.at)}})
		}
		list = append(list, n)
	}
	return reply{status: status, body: object("resourceType", "OperationOutcome", "issue", list).render(nil)}
}

func refuse(status int, code, format string, args ...any) reply {
	return refusal(status, issue{code: code, text: fmt.Sprintf(format, args...)})
}

const fhirJSON = "application/fhir+json"

func (r *Record) allowed(req *http.Request) bool {
	r.mu.RLock()
	token := r.token
	r.mu.RUnlock()
	if r.opt.Username != "" {
		user, pass, ok := req.BasicAuth()
		return ok && subtle.ConstantTimeCompare([]byte(user+"\x00"+pass), []byte(r.opt.Username+"\x00"+r.opt.Password)) == 1
	}
	if token == "" {
		return true
	}
	got, ok := strings.CutPrefix(req.Header.Get("Authorization"), "Bearer ")
	return ok && subtle.ConstantTimeCompare([]byte(got), []byte(token)) == 1
}

// route answers one request, after faults and token.
func (r *Record) route(req *http.Request, body []byte) reply {
	if a := req.Header.Get("Accept"); a != "" && !strings.Contains(a, "json") && !strings.Contains(a, "*/*") {
		return refuse(http.StatusNotAcceptable, "not-supported", "this record answers in JSON only")
	}
	path := strings.Trim(req.URL.Path, "/")
	parts := strings.Split(path, "/")
	if len(parts) == 2 && parts[1] == "_search" && req.Method == http.MethodPost {
		return r.searchByForm(parts[0], req, body)
	}
	if len(body) > 0 || req.Method == http.MethodPost || req.Method == http.MethodPut {
		media, _, _ := strings.Cut(req.Header.Get("Content-Type"), ";")
		if media != fhirJSON && media != "application/json" {
			return refuse(http.StatusUnsupportedMediaType, "not-supported", "send %s", fhirJSON)
		}
	}
	query, ok := parseQuery(req.URL.RawQuery)
	if !ok {
		return refuse(http.StatusBadRequest, "value", "the query is not well formed")
	}
	switch {
	case path == "metadata" && req.Method == http.MethodGet:
		return reply{status: http.StatusOK, body: r.capabilities()}
	case path == "" && req.Method == http.MethodPost:
		return r.transaction(body)
	case path == "" || path == "metadata":
		return refuse(http.StatusMethodNotAllowed, "not-supported", "not at this address")
	case !r.offers(parts[0]):
		return refuse(http.StatusNotFound, "not-supported", "no such resource type here")
	}
	w := write{typ: parts[0], header: req.Header, query: query}
	switch {
	case len(parts) == 1 && req.Method == http.MethodGet:
		return r.search(parts[0], query)
	case len(parts) == 1 && req.Method == http.MethodPost:
		return r.single(http.MethodPost, w, body)
	case len(parts) == 1 && req.Method == http.MethodPut:
		return r.single(http.MethodPut, w, body)
	case len(parts) == 2 && req.Method == http.MethodGet:
		return r.read(parts[0], parts[1], 0)
	case len(parts) == 2 && req.Method == http.MethodPut:
		w.id = parts[1]
		return r.single(http.MethodPut, w, body)
	case len(parts) == 3 && parts[2] == "_history" && req.Method == http.MethodGet:
		return r.history(parts[0], parts[1])
	case len(parts) == 4 && parts[2] == "_history" && req.Method == http.MethodGet:
		number, err := strconv.Atoi(parts[3])
		if err != nil || number < 1 {
			return refuse(http.StatusNotFound, "not-found", "no such version")
		}
		return r.read(parts[0], parts[1], number)
	}
	return refuse(http.StatusMethodNotAllowed, "not-supported", "not at this address")
}

func (r *Record) offers(typ string) bool {
	r.mu.RLock()
	defer r.mu.RUnlock()
	return keeps(typ) && !(typ == "Substance" && r.switches.NoSubstance)
}
