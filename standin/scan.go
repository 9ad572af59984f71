package standin

import (
	"fmt"
	"sort"
	"strings"
	"time"
)

// Account is what the record finds when it looks at itself.
type Account struct {
	Resources    map[string]int // current resources by type
	Observations int            // current Observations, withdrawn ones too
	Withdrawn    int            // of these, entered-in-error
	// Twins lists resources that say the same thing twice: the same
	// identifier on two resources of a type, or the same test (subject, code,
	// time, device) on two Observations that both stand, or the same account
	// of origin (targets, activity, time) in two Provenances.
	Twins []string
	// Backwards lists versions issued before the version that they replaced.
	Backwards []string
}

// Duplicates counts the twins.
func (a Account) Duplicates() int { return len(a.Twins) }

// Scan reads through every resource of every type. It uses no index, so it
// finds what an index would hide.
func (r *Record) Scan() Account {
	r.mu.RLock()
	defer r.mu.RUnlock()
	a := Account{Resources: map[string]int{}}
	for _, typ := range resourceTypes {
		seen := map[string]string{}
		keys := make([]string, 0, len(r.resources[typ]))
		for id := range r.resources[typ] {
			keys = append(keys, id)
		}
		sort.Strings(keys)
		for _, id := range keys {
			e := r.resources[typ][id]
			if e.current().deleted {
				continue
			}
			tree := e.current().tree()
			a.Resources[typ]++
			if typ == "Observation" {
				a.Observations++
				if tree.str("status") == "entered-in-error" {
					a.Withdrawn++
				}
			}
			for _, key := range sameness(typ, tree) {
				if other, ok := seen[key]; ok {
					a.Twins = append(a.Twins, fmt.Sprintf("%s/%s and %s/%s", typ, other, typ, id))
					continue
				}
				seen[key] = id
			}
			a.Backwards = append(a.Backwards, backwards(typ, e)...)
		}
	}
	return a
}

// sameness lists the keys under which a second resource would be a twin.
func sameness(typ string, tree *node) []string {
	var keys []string
	for _, i := range tree.list("identifier") {
		keys = append(keys, "identifier "+i.str("system")+"|"+i.str("value"))
	}
	switch typ {
	case "Observation":
		if tree.str("status") == "entered-in-error" {
			break // stands beside its re-filed successor
		}
		keys = append(keys, strings.Join([]string{
			"test", tree.get("subject").str("reference"), codes(tree.get("code")),
			tree.str("effectiveDateTime"), tree.get("device").str("reference"),
		}, " "))
	case "Provenance":
		targets := []string{"origin", tree.str("recorded"), codes(tree.get("activity"))}
		for _, t := range tree.list("target") {
			targets = append(targets, t.str("reference"))
		}
		keys = append(keys, strings.Join(targets, " "))
	}
	return keys
}

func codes(n *node) string {
	var list []string
	for c := range codings(n) {
		list = append(list, c)
	}
	sort.Strings(list)
	return strings.Join(list, ",")
}

func backwards(typ string, e *entry) []string {
	var out []string
	var last time.Time
	for i := range e.versions {
		if e.versions[i].deleted {
			continue
		}
		issued, err := time.Parse(time.RFC3339Nano, e.versions[i].tree().str("issued"))
		if err != nil {
			continue
		}
		if issued.Before(last) {
			out = append(out, versionURL(typ, e.id, e.versions[i].number))
		}
		last = issued
	}
	return out
}

// Count is the number of current resources of a type.
func (r *Record) Count(typ string) int {
	r.mu.RLock()
	defer r.mu.RUnlock()
	n := 0
	for _, e := range r.resources[typ] {
		if !e.current().deleted {
			n++
		}
	}
	return n
}

// Stored is one resource as a test or the demo may look at it.
type Stored struct {
	Type    string
	ID      string
	Version int
	Body    []byte
}

// All lists the current resources of a type, ordered by id.
func (r *Record) All(typ string) []Stored {
	r.mu.RLock()
	defer r.mu.RUnlock()
	var out []Stored
	for id, e := range r.resources[typ] {
		if v := e.current(); !v.deleted {
			out = append(out, Stored{typ, id, v.number, v.body})
		}
	}
	sort.Slice(out, func(i, k int) bool { return out[i].ID < out[k].ID })
	return out
}
