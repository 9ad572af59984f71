package poct1a

import (
	"crypto/sha256"
	"slices"
	"strings"
)

// Entry is one row of a list that is sent down.
type Entry interface {
	comparable
	key() string
	write(w *writer)
	release(update bool) Type
}

// Operator may run tests.
type Operator struct {
	ID, Name   string
	Method     string // ACC.method_cd; "" leaves the access out
	Permission string // ACC.permission_level_cd
}

func (o Operator) key() string { return o.ID }

func (o Operator) release(update bool) Type { return release("OPL", update) }

func (o Operator) write(w *writer) {
	w.object("OPR", "operator_id", o.ID, "name", o.Name)
	if o.Method != "" || o.Permission != "" {
		w.object("ACC", "method_cd", o.Method, "permission_level_cd", o.Permission)
	}
}

// Patient is expected at the device.
type Patient struct {
	ID, Family, Given string
	BirthDate         string // YYYY-MM-DD
	Sex               string // as gender_cd: M, F, U
	Location          string
}

func (p Patient) key() string { return p.ID }

func (p Patient) release(update bool) Type { return release("PTL", update) }

func (p Patient) write(w *writer) {
	w.open("PT")
	w.value("PT.patient_id", p.ID)
	w.value("PT.location", p.Location)
	if p.Family != "" || p.Given != "" {
		w.b.WriteString(`<PT.name V="` + escape(strings.TrimSpace(p.Given+" "+p.Family)) + `">`)
		w.value("FAM", p.Family)
		w.value("GIV", p.Given)
		w.b.WriteString("</PT.name>")
	}
	w.value("PT.birth_date", p.BirthDate)
	w.value("PT.gender_cd", p.Sex)
	w.close()
}

func release(object string, update bool) Type {
	if update {
		return Type(object + ".R02")
	}
	return Type(object + ".R01")
}

// List is what is to be known at a device, by key; it is not changed after
// NewList and can be shared by many conversations.
type List[E Entry] struct {
	entries []E
	digest  [32]byte
}

// NewList sorts rows by their keys. One without a key is left out, and so is a
// second one with the same.
func NewList[E Entry](rows []E) *List[E] {
	l := &List[E]{entries: slices.Clone(rows)}
	slices.SortStableFunc(l.entries, func(a, b E) int { return strings.Compare(a.key(), b.key()) })
	l.entries = slices.CompactFunc(l.entries, func(a, b E) bool { return a.key() == b.key() })
	l.entries = slices.DeleteFunc(l.entries, func(e E) bool { return e.key() == "" })
	l.entries = slices.Clip(l.entries)
	w := &writer{}
	for _, e := range l.entries {
		e.write(w)
	}
	l.digest = sha256.Sum256([]byte(w.b.String()))
	return l
}

// Same reports whether two lists say the same. A nil list says nothing, which
// is not the same as an empty one.
func (l *List[E]) Same(m *List[E]) bool {
	return l == m || l != nil && m != nil && l.digest == m.digest
}

// Len is the number of entries.
func (l *List[E]) Len() int { return len(l.entries) }

// rows is a message with a part of a list, or of the changes to one.
type rows struct {
	typ  Type
	text string
}

func (r rows) Type() Type     { return r.typ }
func (r rows) body(w *writer) { w.b.WriteString(r.text) }

// overhead is what a message needs beside its rows, generously.
const overhead = 400

// Full is the whole list, in messages of at most size bytes each (0: one
// message). An empty list is one message too: it empties the device's.
func (l *List[E]) Full(size int) []Outgoing {
	var none E
	var texts []string
	for _, e := range l.entries {
		w := &writer{}
		e.write(w)
		texts = append(texts, w.b.String())
	}
	return pack(none.release(false), texts, size, true)
}

// Changes lead from an earlier list to this one, in messages of at most size
// bytes each; none where nothing changed.
func (l *List[E]) Changes(from *List[E], size int, insert, remove string) []Outgoing {
	var none E
	var texts []string
	add := func(action string, e E) {
		w := &writer{}
		w.open("UPD")
		w.value("UPD.action_cd", action)
		e.write(w)
		w.close()
		texts = append(texts, w.b.String())
	}
	i := 0
	for _, e := range from.entries {
		for ; i < len(l.entries) && l.entries[i].key() < e.key(); i++ {
			add(insert, l.entries[i])
		}
		switch {
		case i == len(l.entries) || l.entries[i].key() != e.key():
			add(remove, e)
			continue
		case l.entries[i] != e: // changed: taken out and put in anew
			add(remove, e)
			add(insert, l.entries[i])
		}
		i++
	}
	for ; i < len(l.entries); i++ {
		add(insert, l.entries[i])
	}
	return pack(none.release(true), texts, size, false)
}

// pack fills messages. A row larger than a message may be goes alone.
func pack(typ Type, texts []string, size int, empty bool) []Outgoing {
	var out []Outgoing
	var b strings.Builder
	flush := func() {
		if b.Len() > 0 || empty && len(out) == 0 {
			out = append(out, rows{typ, b.String()})
			b.Reset()
		}
	}
	for _, t := range texts {
		if size > 0 && b.Len() > 0 && b.Len()+len(t)+overhead > size {
			flush()
		}
		b.WriteString(t)
	}
	if b.Len() > 0 || empty && len(out) == 0 {
		flush()
	}
	return out
}
