package standin

import (
	"fmt"
	"net/http"
	"net/url"
	"sort"
	"strings"
	"time"
)

func etag(number int) string { return fmt.Sprintf(`W/"%d"`, number) }

// read answers a read (number 0: the current version) or a vread.
func (r *Record) read(typ, id string, number int) reply {
	r.mu.RLock()
	defer r.mu.RUnlock()
	e := r.resources[typ][id]
	if e == nil {
		return refuse(http.StatusNotFound, "not-found", "no such resource")
	}
	v := e.current()
	for i := range e.versions {
		if number == e.versions[i].number {
			v = &e.versions[i]
		}
	}
	if number != 0 && v.number != number {
		return refuse(http.StatusNotFound, "not-found", "no such version")
	}
	if v.deleted {
		return refuse(http.StatusGone, "deleted", "this resource was deleted")
	}
	return resourceReply(http.StatusOK, v)
}

func resourceReply(status int, v *version) reply {
	return reply{status: status, body: v.body}.
		with("ETag", etag(v.number)).
		with("Last-Modified", v.at.UTC().Format(http.TimeFormat))
}

func (r *Record) history(typ, id string) reply {
	r.mu.RLock()
	defer r.mu.RUnlock()
	e := r.resources[typ][id]
	if e == nil {
		return refuse(http.StatusNotFound, "not-found", "no such resource")
	}
	var entries []*node
	for i := len(e.versions) - 1; i >= 0; i-- {
		v := e.versions[i]
		method := http.MethodPut
		if i == 0 {
			method = http.MethodPost
		}
		n := object("fullUrl", typ+"/"+id)
		if v.deleted {
			method = http.MethodDelete
		} else {
			n.set("resource", v.tree())
		}
		n.set("request", object("method", method, "url", typ+"/"+id))
		n.set("response", object("status", "200", "etag", etag(v.number), "lastModified", v.at.UTC().Format(time.RFC3339)))
		entries = append(entries, n)
	}
	return reply{status: http.StatusOK, body: bundle("history", entries, len(entries)).render(nil)}
}

func bundle(typ string, entries []*node, total int) *node {
	b := object("resourceType", "Bundle", "type", typ)
	if total >= 0 {
		b.set("total", object("n", total).get("n"))
	}
	if len(entries) > 0 {
		b.set("entry", &node{kind: isArray, items: entries})
	}
	return b
}

// param is one search parameter, in the order written.
type param struct{ name, value string }

func parseQuery(raw string) ([]param, bool) {
	var out []param
	for _, part := range strings.Split(raw, "&") {
		if part == "" {
			continue
		}
		k, v, _ := strings.Cut(part, "=")
		name, errK := url.QueryUnescape(k)
		value, errV := url.QueryUnescape(v)
		if errK != nil || errV != nil {
			return nil, false
		}
		out = append(out, param{name, value})
	}
	return out, true
}

// search answers GET [type]?params. Unknown parameters are refused: ignoring
// one would answer with everything.
func (r *Record) search(typ string, query []param) reply {
	r.mu.RLock()
	defer r.mu.RUnlock()
	found, bad := r.find(typ, query)
	if bad != "" {
		return refuse(http.StatusBadRequest, "not-supported", "search parameter %s is not known here", bad)
	}
	var entries []*node
	for _, e := range found {
		entries = append(entries, object("fullUrl", typ+"/"+e.id, "resource", e.current().tree(), "search", object("mode", "match")))
	}
	return reply{status: http.StatusOK, body: bundle("searchset", entries, len(entries)).render(nil)}
}

// searchByForm answers POST [type]/_search, which keeps values out of URLs.
func (r *Record) searchByForm(typ string, req *http.Request, body []byte) reply {
	media, _, _ := strings.Cut(req.Header.Get("Content-Type"), ";")
	query, ok := parseQuery(string(body))
	switch {
	case !r.offers(typ):
		return refuse(http.StatusNotFound, "not-supported", "no such resource type here")
	case media != "application/x-www-form-urlencoded":
		return refuse(http.StatusUnsupportedMediaType, "not-supported", "a search is posted as a form")
	case !ok:
		return refuse(http.StatusBadRequest, "value", "the form is not well formed")
	}
	return r.search(typ, query)
}

// find lists the current resources that meet all parameters; the caller holds
// the lock. Of the result controls only _count is taken, and has no effect.
func (r *Record) find(typ string, query []param) ([]*entry, string) {
	var candidates []*entry
	narrowed := false
	for _, p := range query {
		if p.name != "identifier" {
			continue
		}
		var here []*entry
		for _, token := range orValues(p.value) {
			here = append(here, r.byIdentifier(typ, token)...)
		}
		if narrowed {
			here = both(candidates, here)
		}
		candidates, narrowed = here, true
	}
	if !narrowed {
		for _, e := range r.resources[typ] {
			if !e.current().deleted {
				candidates = append(candidates, e)
			}
		}
	}
	var found []*entry
	seen := map[string]bool{}
	for _, e := range candidates {
		ok := r.visible(e) && !seen[e.id]
		seen[e.id] = true
		for _, p := range query {
			match, known := matches(typ, e, p)
			if !known {
				return nil, p.name
			}
			ok = ok && match
		}
		if ok {
			found = append(found, e)
		}
	}
	for _, p := range query { // also when there was nothing to compare
		if _, known := matches(typ, nil, p); !known {
			return nil, p.name
		}
	}
	sort.Slice(found, func(i, k int) bool {
		return found[i].seq < found[k].seq || (found[i].seq == found[k].seq && found[i].id < found[k].id)
	})
	return found, ""
}

func both(a, b []*entry) []*entry {
	var out []*entry
	for _, x := range a {
		for _, y := range b {
			if x == y {
				out = append(out, x)
				break
			}
		}
	}
	return out
}

// byIdentifier takes a token: system|value, |value, or value in any system.
func (r *Record) byIdentifier(typ, token string) []*entry {
	var out []*entry
	add := func(list ids) {
		for _, id := range list {
			out = append(out, r.resources[typ][id])
		}
	}
	if strings.Contains(token, "|") {
		add(r.index[typ][token])
		return out
	}
	for key, list := range r.index[typ] {
		if key[strings.Index(key, "|")+1:] == token {
			add(list)
		}
	}
	return out
}

// orValues splits at commas; a backslash takes the next character as it is.
func orValues(s string) []string {
	var out []string
	var b strings.Builder
	for i := 0; i < len(s); i++ {
		switch {
		case s[i] == '\\' && i+1 < len(s):
			i++
			b.WriteByte(s[i])
		case s[i] == ',':
			out = append(out, b.String())
			b.Reset()
		default:
			b.WriteByte(s[i])
		}
	}
	return append(out, b.String())
}

// matches compares one parameter; identifier was dealt with before.
func matches(typ string, e *entry, p param) (match, known bool) {
	var tree *node
	some := func(ok func(v string) bool) bool {
		if e == nil {
			return false
		}
		if tree == nil {
			tree = e.current().tree()
		}
		for _, v := range orValues(p.value) {
			if ok(v) {
				return true
			}
		}
		return false
	}
	has := func(element string) bool { return types[typ].elements[element] != nil }
	switch {
	case p.name == "identifier" && has("identifier"), p.name == "_count", p.name == "_format":
		return true, true
	case p.name == "_id":
		return some(func(v string) bool { return v == e.id }), true
	case (p.name == "subject" || p.name == "patient") && has("subject"):
		return some(func(v string) bool { return refers(tree.get("subject"), v, "Patient") }), true
	case p.name == "target" && typ == "Provenance":
		return some(func(v string) bool {
			for _, t := range tree.list("target") {
				if refers(t, v, "") {
					return true
				}
			}
			return false
		}), true
	case p.name == "status" && has("status"):
		return some(func(v string) bool { return tree.str("status") == v }), true
	case p.name == "birthdate" && typ == "Patient":
		return some(func(v string) bool { return tree.str("birthDate") == v }), true
	case p.name == "family" && typ == "Patient":
		return some(func(v string) bool {
			for _, n := range tree.list("name") {
				if strings.HasPrefix(strings.ToLower(n.str("family")), strings.ToLower(v)) {
					return true
				}
			}
			return false
		}), true
	case p.name == "code" && has("code"):
		return some(func(v string) bool {
			for c := range codings(tree.get("code")) {
				if c == v || c[strings.Index(c, "|")+1:] == v {
					return true
				}
			}
			return false
		}), true
	}
	return false, false
}

func refers(n *node, want, typ string) bool {
	got, _, _ := strings.Cut(n.str("reference"), "/_history/")
	return got == want || (typ != "" && got == typ+"/"+want)
}
