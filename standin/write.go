package standin

import (
	"net/http"
	"slices"
	"strings"
)

// write is one change asked for, alone or as an entry of a transaction.
type write struct {
	typ    string
	id     string
	query  []param // conditional update: PUT [type]?...
	header http.Header
	x      *examined
}

// plan is a write after its conditions were met: nothing is stored yet.
type plan struct {
	typ, id string
	tree    *node    // nil: the condition found an existing resource, nothing is written
	found   *version // of that resource
	create  bool
}

// single answers a create or update outside a transaction.
func (r *Record) single(method string, w write, body []byte) reply {
	x, bad := readResource(body, w.typ)
	if x == nil {
		return bad
	}
	w.x = x
	r.mu.Lock()
	defer r.mu.Unlock()
	p, bad, ok := r.prepare(method, w)
	if !ok {
		return bad
	}
	if p.tree == nil {
		return location(resourceReply(http.StatusOK, p.found), p.typ, p.id, p.found)
	}
	if issues := r.resolve(x, nil, false); len(issues) > 0 {
		return refusal(http.StatusUnprocessableEntity, issues...)
	}
	if issues := r.change(p); len(issues) > 0 {
		return refusal(http.StatusUnprocessableEntity, issues...)
	}
	v := r.put(p.typ, p.id, p.tree)
	status := http.StatusOK
	if p.create {
		status = http.StatusCreated
	}
	rep := location(resourceReply(status, v), p.typ, p.id, v)
	if strings.Contains(w.header.Get("Prefer"), "return=minimal") {
		rep.body = nil
	}
	return rep
}

func location(p reply, typ, id string, v *version) reply {
	return p.with("Location", versionURL(typ, id, v.number))
}

// readResource parses and judges a body. nil means refused.
func readResource(body []byte, typ string) (*examined, reply) {
	tree, err := parseJSON(body)
	if err != nil {
		return nil, refuse(http.StatusBadRequest, "structure", "the body is no JSON that can be used: %v", err)
	}
	if tree.str("resourceType") != typ {
		return nil, refuse(http.StatusBadRequest, "structure", "a %s belongs at this address", typ)
	}
	x := examine(tree)
	if len(x.issues) > 0 {
		return nil, refusal(http.StatusUnprocessableEntity, x.issues...)
	}
	return x, reply{}
}

// prepare decides what a write comes to, by the tables of
// hl7.org/fhir/R4/http.html; the caller holds the lock.
func (r *Record) prepare(method string, w write) (plan, reply, bool) {
	if method == http.MethodPost {
		return r.prepareCreate(w)
	}
	if w.id == "" {
		return r.prepareConditionalUpdate(w)
	}
	return r.prepareUpdate(w)
}

func no(p reply) (plan, reply, bool) { return plan{}, p, false }

func (r *Record) prepareCreate(w write) (plan, reply, bool) {
	condition := w.header.Get("If-None-Exist")
	if condition == "" {
		return plan{typ: w.typ, id: r.newID(), tree: w.x.tree, create: true}, reply{}, true
	}
	if r.switches.NoConditionalCreate {
		return no(refuse(http.StatusPreconditionFailed, "not-supported", "conditional create is not supported here"))
	}
	query, ok := parseQuery(strings.TrimPrefix(condition, "?"))
	if !ok || len(query) == 0 {
		return no(refuse(http.StatusBadRequest, "value", "If-None-Exist is not a query"))
	}
	found, bad := r.find(w.typ, query)
	if blind := r.switches.BlindConditions; blind > 0 {
		found = slices.DeleteFunc(found, func(e *entry) bool { return r.now().Sub(e.created) < blind })
	}
	switch {
	case bad != "":
		return no(refuse(http.StatusBadRequest, "not-supported", "search parameter %s is not known here", bad))
	case len(found) == 0:
		return plan{typ: w.typ, id: r.newID(), tree: w.x.tree, create: true}, reply{}, true
	case len(found) == 1:
		return plan{typ: w.typ, id: found[0].id, found: found[0].current()}, reply{}, true
	}
	return no(refuse(http.StatusPreconditionFailed, "multiple-matches", "%d resources match the condition", len(found)))
}

func (r *Record) prepareConditionalUpdate(w write) (plan, reply, bool) {
	if len(w.query) == 0 {
		return no(refuse(http.StatusMethodNotAllowed, "not-supported", "an update needs an id or a query"))
	}
	found, bad := r.find(w.typ, w.query)
	switch {
	case bad != "":
		return no(refuse(http.StatusBadRequest, "not-supported", "search parameter %s is not known here", bad))
	case len(found) > 1:
		return no(refuse(http.StatusPreconditionFailed, "multiple-matches", "%d resources match the condition", len(found)))
	case len(found) == 1:
		if w.x.id != "" && w.x.id != found[0].id {
			return no(refuse(http.StatusBadRequest, "value", "the id in the body is another resource's"))
		}
		w.id = found[0].id
		w.x.id = w.id
		return r.prepareUpdate(w)
	case w.x.id != "":
		w.id = w.x.id
		return r.prepareUpdate(w)
	}
	return plan{typ: w.typ, id: r.newID(), tree: w.x.tree, create: true}, reply{}, true
}

func (r *Record) prepareUpdate(w write) (plan, reply, bool) {
	if !idText.MatchString(w.id) || w.x.id != w.id {
		return no(refuse(http.StatusBadRequest, "value", "the id in the body is not the id in the address"))
	}
	e := r.resources[w.typ][w.id]
	alive := e != nil && !e.current().deleted
	if match := w.header.Get("If-Match"); match != "" && !r.switches.NoVersions {
		if !alive || !sameTag(match, e.current().number) {
			status := http.StatusPreconditionFailed
			if r.switches.StaleIs409 {
				status = http.StatusConflict
			}
			return no(refuse(status, "conflict", "the version named is not the current one"))
		}
	}
	if w.header.Get("If-None-Match") == "*" && alive && !r.switches.IgnoreIfNoneMatch {
		return no(refuse(http.StatusPreconditionFailed, "conflict", "a resource of this id is there already"))
	}
	if e == nil && r.switches.NoClientIDs {
		return no(refuse(http.StatusMethodNotAllowed, "not-supported", "this record gives ids itself"))
	}
	return plan{typ: w.typ, id: w.id, tree: w.x.tree, create: !alive}, reply{}, true
}

func sameTag(match string, number int) bool {
	t := strings.TrimPrefix(strings.TrimSpace(match), "W/")
	return "W/"+t == etag(number)
}

// change judges an update against what it replaces: this record lets nobody
// move a result to another person or bring a withdrawn one back.
func (r *Record) change(p plan) []issue {
	if p.create || p.typ != "Observation" {
		return nil
	}
	old := r.resources[p.typ][p.id].current().tree()
	var issues []issue
	if old.get("subject").str("reference") != p.tree.get("subject").str("reference") {
		issues = append(issues, issue{"business-rule", "Observation.subject", "the subject of a result is never changed"})
	}
	if old.str("status") == "entered-in-error" && p.tree.str("status") != "entered-in-error" {
		issues = append(issues, issue{"business-rule", "Observation.status", "a withdrawn result does not come back"})
	}
	if !sameIdentifiers(old, p.tree) {
		issues = append(issues, issue{"business-rule", "Observation.identifier", "the identifier of a result is never changed"})
	}
	return issues
}

func sameIdentifiers(a, b *node) bool {
	x, y := a.list("identifier"), b.list("identifier")
	if len(x) != len(y) {
		return false
	}
	for i := range x {
		if x[i].str("system") != y[i].str("system") || x[i].str("value") != y[i].str("value") {
			return false
		}
	}
	return true
}

// resolve checks that each reference leads somewhere and to the right type.
// fresh maps the full URLs of a transaction to the resources they become;
// conditional references are allowed inside one only.
func (r *Record) resolve(x *examined, fresh map[string]string, inside bool) []issue {
	var issues []issue
	say := func(l link, text string) { issues = append(issues, issue{"not-found", l.at, text}) }
	for _, l := range x.links {
		ref := l.ref.text
		if to, ok := fresh[ref]; ok {
			ref = to
			l.ref.text = to
		} else if strings.HasPrefix(ref, "urn:") {
			say(l, "no entry of this transaction has that full URL")
			continue
		} else if typ, query, ok := strings.Cut(ref, "?"); ok {
			found := r.conditional(typ, query, inside)
			if found == nil || len(found) != 1 {
				say(l, "a conditional reference needs a transaction and exactly one match")
				continue
			}
			ref = typ + "/" + found[0].id
			l.ref.text = ref
		}
		plain, number, versioned := strings.Cut(ref, "/_history/")
		typ, id, ok := strings.Cut(plain, "/")
		if !ok || strings.Contains(id, "/") {
			say(l, "not a reference that this record can follow")
			continue
		}
		if l.targets != nil && !l.targets[typ] {
			issues = append(issues, issue{"structure", l.at, "a reference to " + typ + " does not belong here"})
			continue
		}
		if !keeps(typ) {
			say(l, "this record keeps no such resource")
			continue
		}
		if !r.exists(typ, id, number, versioned) && !among(fresh, plain) {
			say(l, "nothing is there")
		}
	}
	return issues
}

func (r *Record) conditional(typ, query string, inside bool) []*entry {
	params, ok := parseQuery(query)
	if !inside || !ok || !keeps(typ) || len(params) == 0 {
		return nil
	}
	found, bad := r.find(typ, params)
	if bad != "" {
		return nil
	}
	return found
}

func (r *Record) exists(typ, id, number string, versioned bool) bool {
	e := r.resources[typ][id]
	if e == nil || e.current().deleted {
		return false
	}
	if !versioned {
		return true
	}
	for i := range e.versions {
		if etag(e.versions[i].number) == `W/"`+number+`"` {
			return true
		}
	}
	return false
}

func among(fresh map[string]string, ref string) bool {
	for _, to := range fresh {
		if to == ref {
			return true
		}
	}
	return false
}
