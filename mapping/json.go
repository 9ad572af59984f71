package mapping

import (
	"bytes"
	"encoding/json"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"tidegate/poct"
	"tidegate/wire/hl7"
)

// pointer is a JSON Pointer (RFC 6901), from the top of the file or, written
// without its first slash, from the record.
type pointer struct {
	top   bool
	steps []string
}

// parsePointer reads a pointer; ok is false if an escape is none of RFC 6901
// section 3.
func parsePointer(at string) (p pointer, ok bool) {
	rest, top := strings.CutPrefix(at, "/")
	if p.top = top; at == "" {
		return p, false
	}
	for _, step := range strings.Split(rest, "/") {
		for i := 0; i < len(step); i++ {
			if step[i] == '~' && (i+1 == len(step) || step[i+1] != '0' && step[i+1] != '1') {
				return p, false
			}
		}
		p.steps = append(p.steps, strings.ReplaceAll(strings.ReplaceAll(step, "~1", "/"), "~0", "~"))
	}
	return p, true
}

func jsonPlace(at string) (place, bool) {
	p, ok := parsePointer(at)
	return place{in: p}, ok
}

func jsonRows(at string) (any, bool) {
	if at == "" {
		return pointer{top: true}, true
	}
	p, ok := parsePointer(at)
	return p, ok && p.top
}

// jsonNode is one value of a file: exactly one of its three forms.
type jsonNode struct {
	found // a text, number, true, false or null
	kind  byte
	keys  []string // of an object, beside list
	list  []*jsonNode
}

// Kinds of node.
const (
	jsonText   = 't'
	jsonObject = '{'
	jsonArray  = '['
)

func (n *jsonNode) member(key string) *jsonNode {
	switch n.kind {
	case jsonObject:
		if i := slices.Index(n.keys, key); i >= 0 {
			return n.list[i]
		}
	case jsonArray:
		// Array indexes have no leading zeros (RFC 6901 section 4).
		if i, err := strconv.Atoi(key); err == nil && i >= 0 && i < len(n.list) && strconv.Itoa(i) == key {
			return n.list[i]
		}
	}
	return nil
}

func (n *jsonNode) at(steps []string) *jsonNode {
	for _, s := range steps {
		if n == nil {
			return nil
		}
		n = n.member(s)
	}
	return n
}

type jsonTree struct{ top *jsonNode }

func (t *jsonTree) records(at any) []record {
	n := t.top.at(at.(pointer).steps) //nolint:forcetypeassert // made by jsonRows
	if n == nil {
		return nil
	}
	if n.kind != jsonArray {
		return []record{&jsonRecord{t.top, n}}
	}
	var out []record
	for _, x := range n.list {
		out = append(out, &jsonRecord{t.top, x})
	}
	return out
}

type jsonRecord struct{ top, here *jsonNode }

func (r *jsonRecord) extent() poct.Span { return r.here.found.at }

func (r *jsonRecord) lookup(at place) *jsonNode {
	p := at.in.(pointer) //nolint:forcetypeassert // made by jsonPlace
	if p.top {
		return r.top.at(p.steps)
	}
	return r.here.at(p.steps)
}

func (r *jsonRecord) find(at place) found {
	n := r.lookup(at)
	switch {
	case n == nil:
		return found{}
	case n.kind != jsonText:
		return found{at: n.found.at, fault: "is no text or number: an object or a list stands there"}
	}
	return n.found
}

// every takes the members of a list, where one stands at the place.
func (r *jsonRecord) every(at place) []found {
	n := r.lookup(at)
	if n == nil {
		return nil
	}
	if n.kind != jsonArray {
		return []found{r.find(at)}
	}
	var out []found
	for _, x := range n.list {
		if x.kind != jsonText {
			return []found{{at: x.found.at, fault: "is no list of texts"}}
		}
		out = append(out, x.found)
	}
	return out
}

func (r *jsonRecord) says(at place, words []string) bool { return anySays(r.every(at), words) }

func (t *jsonTree) leaves() []leaf {
	var out []leaf
	var walk func(n *jsonNode, way, alike string)
	walk = func(n *jsonNode, way, alike string) {
		switch n.kind {
		case jsonText:
			out = append(out, leaf{n.found, way, alike})
		case jsonObject:
			for i, key := range n.keys {
				step := "/" + strings.ReplaceAll(strings.ReplaceAll(key, "~", "~0"), "/", "~1")
				walk(n.list[i], way+step, alike+step)
			}
		case jsonArray:
			for i, x := range n.list {
				walk(x, way+"/"+strconv.Itoa(i), alike+"/*")
			}
		}
	}
	walk(t.top, "", "")
	return out
}

// parseJSON reads a file strictly: one value, no key twice, bounded depth.
func parseJSON(raw []byte, fallback hl7.Charset) (tree, string) {
	t, problem := decodeText(raw, hl7.NoCharset, fallback)
	if problem != "" {
		return nil, problem
	}
	p := jsonParser{t: t, d: json.NewDecoder(bytes.NewReader(t.text))}
	p.d.UseNumber()
	top := p.value(0)
	if p.problem == "" && len(bytes.TrimSpace(t.text[p.d.InputOffset():])) > 0 {
		p.problem = "Something follows the file's JSON value."
	}
	if p.problem != "" {
		return nil, p.problem
	}
	return &jsonTree{top}, ""
}

type jsonParser struct {
	t       textual
	d       *json.Decoder
	problem string
}

// token reads one token and where it stands in the text.
func (p *jsonParser) token() (tok json.Token, from, to int) {
	from = int(p.d.InputOffset())
	tok, err := p.d.Token()
	to = int(p.d.InputOffset())
	if err != nil {
		if p.problem == "" {
			p.problem = fmt.Sprintf("The file is no JSON (RFC 8259) from byte %d on: it may be cut off.", p.t.span(from, from).From)
		}
		return nil, from, from
	}
	for from < to && strings.IndexByte(" \t\r\n,:", p.t.text[from]) >= 0 {
		from++
	}
	return tok, from, to
}

// value reads the next value; nil once there is a problem.
func (p *jsonParser) value(depth int) *jsonNode {
	tok, from, to := p.token()
	switch {
	case p.problem != "":
		return nil
	case depth > deepest:
		p.problem = fmt.Sprintf("The file's JSON is nested more than %d deep.", deepest)
		return nil
	}
	switch x := tok.(type) {
	case json.Delim:
		return p.inside(byte(x), from, depth)
	case string:
		return p.leaf(x, from, to, bytes.Count(p.t.text[from:to], []byte("\ufffd"))+escapedMarks(p.t.text[from:to]) != strings.Count(x, "\ufffd"))
	case json.Number:
		return p.leaf(x.String(), from, to, false)
	case bool:
		return p.leaf(strconv.FormatBool(x), from, to, false)
	}
	return p.leaf("", from, to, false)
}

// escapedMarks counts replacement characters written as escapes. Any other one
// in the text that was read stands for half a character.
func escapedMarks(b []byte) int {
	return bytes.Count(bytes.ToLower(b), []byte(`\ufffd`))
}

func (p *jsonParser) leaf(text string, from, to int, garbled bool) *jsonNode {
	return &jsonNode{kind: jsonText, found: found{text: strings.TrimSpace(text), at: p.t.span(from, to), garbled: garbled}}
}

// inside reads what an object or a list holds.
func (p *jsonParser) inside(kind byte, from, depth int) *jsonNode {
	n := &jsonNode{kind: kind}
	known := map[string]bool{}
	for p.problem == "" && p.d.More() {
		if kind == jsonObject {
			tok, at, _ := p.token()
			key, ok := tok.(string)
			switch {
			case !ok:
				return nil
			case known[key]:
				p.problem = fmt.Sprintf("An object of the file has a key twice, at byte %d.", p.t.span(at, at).From)
				return nil
			}
			known[key] = true
			n.keys = append(n.keys, key)
		}
		n.list = append(n.list, p.value(depth+1))
	}
	if p.problem != "" {
		return nil
	}
	_, _, to := p.token()
	n.found.at = p.t.span(from, to)
	return n
}
