package standin

import (
	"fmt"
	"net/http"
	"sort"
	"strconv"
	"strings"
)

func versionURL(typ, id string, number int) string {
	return typ + "/" + id + "/_history/" + strconv.Itoa(number)
}

// step is one entry of a transaction.
type step struct {
	place   int // in the bundle
	method  string
	fullURL string
	w       write
	plan    plan
}

// transaction answers a POST to the base. Everything is planned and judged
// before anything is stored, so a refusal leaves no trace.
func (r *Record) transaction(body []byte) reply {
	tree, err := parseJSON(body)
	if err != nil {
		return refuse(http.StatusBadRequest, "structure", "the body is no JSON that can be used: %v", err)
	}
	if tree.str("resourceType") != "Bundle" || tree.str("type") != "transaction" {
		return refuse(http.StatusBadRequest, "not-supported", "a Bundle of type transaction belongs here")
	}
	steps, bad, ok := readSteps(tree)
	if !ok {
		return bad
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.switches.NoTransaction {
		return refuse(http.StatusMethodNotAllowed, "not-supported", "transactions are not supported here")
	}
	order := append([]*step(nil), steps...)
	rank := map[string]int{http.MethodPost: 1, http.MethodPut: 2}
	sort.SliceStable(order, func(i, k int) bool { return rank[order[i].method] < rank[order[k].method] })
	next := r.next
	if bad, ok := r.planAll(order); !ok {
		r.next = next
		return bad
	}
	for _, s := range order {
		if s.plan.tree != nil {
			r.put(s.plan.typ, s.plan.id, s.plan.tree)
		}
	}
	var entries []*node
	for _, s := range steps {
		entries = append(entries, r.entryResponse(s.plan, r.resources[s.plan.typ][s.plan.id].current()))
	}
	return reply{status: http.StatusOK, body: bundle("transaction-response", entries, -1).render(nil)}
}

// readSteps reads the entries and judges each resource by itself.
func readSteps(tree *node) ([]*step, reply, bool) {
	var steps []*step
	urls := map[string]bool{}
	fail := func(status int, code string, i int, text string) ([]*step, reply, bool) {
		return nil, refusal(status, issue{code, fmt.Sprintf("Bundle.entry[%d]", i), text}), false
	}
	for _, m := range tree.members {
		switch m.key {
		case "resourceType", "id", "meta", "type", "identifier", "timestamp", "entry":
		default:
			return nil, refuse(http.StatusUnprocessableEntity, "structure", "a transaction has no member %q", m.key), false
		}
	}
	for i, e := range tree.list("entry") {
		s := &step{place: i, fullURL: e.str("fullUrl"), method: e.get("request").str("method")}
		url := e.get("request").str("url")
		if s.method != http.MethodPost && s.method != http.MethodPut {
			return fail(http.StatusUnprocessableEntity, "not-supported", i, "request.method is POST or PUT here")
		}
		if url == "" {
			return fail(http.StatusUnprocessableEntity, "required", i, "request.url is required")
		}
		if s.fullURL != "" {
			if urls[s.fullURL] {
				return fail(http.StatusUnprocessableEntity, "invariant", i, "bdl-7: a full URL is there once")
			}
			if u, ok := strings.CutPrefix(s.fullURL, "urn:uuid:"); ok && u != strings.ToLower(u) {
				return fail(http.StatusUnprocessableEntity, "value", i, "a urn:uuid is lower case")
			}
			urls[s.fullURL] = true
		}
		path, query, _ := strings.Cut(url, "?")
		typ, id, _ := strings.Cut(path, "/")
		params, ok := parseQuery(query)
		if !ok || (s.method == http.MethodPost && (id != "" || query != "")) {
			return fail(http.StatusBadRequest, "value", i, "request.url does not fit the method")
		}
		res := e.get("resource")
		if res == nil || res.str("resourceType") != typ {
			return fail(http.StatusBadRequest, "structure", i, "the resource does not fit request.url")
		}
		s.w = write{typ: typ, id: id, query: params, header: http.Header{}, x: examine(res)}
		for member, header := range map[string]string{"ifNoneExist": "If-None-Exist", "ifMatch": "If-Match", "ifNoneMatch": "If-None-Match"} {
			if v := e.get("request").str(member); v != "" {
				s.w.header.Set(header, v)
			}
		}
		if issues := s.w.x.issues; len(issues) > 0 {
			for k := range issues {
				issues[k].at = fmt.Sprintf("Bundle.entry[%d].resource/%s", i, issues[k].at)
			}
			return nil, refusal(http.StatusUnprocessableEntity, issues...), false
		}
		steps = append(steps, s)
	}
	return steps, reply{}, true
}

// planAll prepares every step, gives the new ids, resolves the references.
// The caller holds the lock and takes the ids back if it fails.
func (r *Record) planAll(order []*step) (reply, bool) {
	fresh := map[string]string{}
	taken := map[string]bool{}
	conditions := map[string]bool{}
	for _, s := range order {
		if s.w.typ == "Substance" && r.switches.NoSubstance {
			return refuse(http.StatusNotFound, "not-supported", "no such resource type here"), false
		}
		p, bad, ok := r.prepare(s.method, s.w)
		if !ok {
			return bad, false
		}
		s.plan = p
		target := p.typ + "/" + p.id
		condition := s.w.header.Get("If-None-Exist")
		if taken[target] || (condition != "" && conditions[p.typ+"?"+condition]) {
			return refuse(http.StatusBadRequest, "duplicate", "a transaction touches a resource once"), false
		}
		taken[target] = true
		conditions[p.typ+"?"+condition] = condition != ""
		if s.fullURL != "" {
			fresh[s.fullURL] = target
		}
	}
	for _, s := range order {
		if s.plan.tree == nil {
			continue
		}
		issues := r.resolve(s.w.x, fresh, true)
		issues = append(issues, r.change(s.plan)...)
		if len(issues) > 0 {
			return refusal(http.StatusUnprocessableEntity, issues...), false
		}
	}
	return reply{}, true
}
