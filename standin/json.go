package standin

import (
	"errors"
	"fmt"
	"strconv"
	"unicode/utf16"
	"unicode/utf8"
)

// kind of a JSON value.
type kind byte

const (
	isNull kind = iota
	isBool
	isNumber
	isString
	isArray
	isObject
)

// node is a JSON value as it was written: member order and number text are
// kept ("2.50" stays "2.50"), duplicate keys are refused by the parser.
type node struct {
	kind    kind
	text    string // string value, number text, "true", "false"
	members []member
	items   []*node
}

type member struct {
	key   string
	value *node
}

// get returns a member of an object, nil if there is none. Safe on nil.
func (n *node) get(key string) *node {
	if n == nil || n.kind != isObject {
		return nil
	}
	for i := range n.members {
		if n.members[i].key == key {
			return n.members[i].value
		}
	}
	return nil
}

// str is the text of a string member, "" if it is not there.
func (n *node) str(key string) string {
	if v := n.get(key); v != nil && v.kind == isString {
		return v.text
	}
	return ""
}

// list is the items of an array member.
func (n *node) list(key string) []*node {
	if v := n.get(key); v != nil && v.kind == isArray {
		return v.items
	}
	return nil
}

// set replaces or appends a member.
func (n *node) set(key string, v *node) {
	for i := range n.members {
		if n.members[i].key == key {
			n.members[i].value = v
			return
		}
	}
	n.members = append(n.members, member{key, v})
}

func text(s string) *node { return &node{kind: isString, text: s} }

func object(pairs ...any) *node {
	n := &node{kind: isObject}
	for i := 0; i+1 < len(pairs); i += 2 {
		switch v := pairs[i+1].(type) {
		case string:
			n.set(pairs[i].(string), text(v))
		case int:
			n.set(pairs[i].(string), &node{kind: isNumber, text: strconv.Itoa(v)})
		case bool:
			n.set(pairs[i].(string), &node{kind: isBool, text: strconv.FormatBool(v)})
		case []*node:
			n.set(pairs[i].(string), &node{kind: isArray, items: v})
		case *node:
			n.set(pairs[i].(string), v)
		}
	}
	return n
}

const deepest = 64

// parseJSON reads exactly one JSON value (RFC 8259). Besides what the RFC
// refuses it refuses duplicate keys and nesting deeper than 64.
func parseJSON(b []byte) (*node, error) {
	p := parser{b: b}
	p.space()
	n, err := p.value(0)
	if err != nil {
		return nil, fmt.Errorf("byte %d: %w", p.i, err)
	}
	p.space()
	if p.i != len(p.b) {
		return nil, fmt.Errorf("byte %d: text after the value", p.i)
	}
	return n, nil
}

type parser struct {
	b []byte
	i int
}

func (p *parser) space() {
	for p.i < len(p.b) {
		switch p.b[p.i] {
		case ' ', '\t', '\n', '\r':
			p.i++
		default:
			return
		}
	}
}

func (p *parser) peek() byte {
	if p.i < len(p.b) {
		return p.b[p.i]
	}
	return 0
}

func (p *parser) value(depth int) (*node, error) {
	if depth > deepest {
		return nil, errors.New("nested too deep")
	}
	switch c := p.peek(); {
	case c == '{':
		return p.object(depth)
	case c == '[':
		return p.array(depth)
	case c == '"':
		s, err := p.str()
		return &node{kind: isString, text: s}, err
	case c == '-' || (c >= '0' && c <= '9'):
		return p.number()
	}
	for _, w := range []struct {
		word string
		kind kind
	}{{"true", isBool}, {"false", isBool}, {"null", isNull}} {
		if len(p.b)-p.i >= len(w.word) && string(p.b[p.i:p.i+len(w.word)]) == w.word {
			p.i += len(w.word)
			return &node{kind: w.kind, text: w.word}, nil
		}
	}
	return nil, errors.New("no JSON value here")
}

func (p *parser) object(depth int) (*node, error) {
	n := &node{kind: isObject}
	p.i++
	p.space()
	if p.peek() == '}' {
		p.i++
		return n, nil
	}
	for {
		p.space()
		if p.peek() != '"' {
			return nil, errors.New("a member name is missing")
		}
		key, err := p.str()
		if err != nil {
			return nil, err
		}
		for i := range n.members {
			if n.members[i].key == key {
				return nil, fmt.Errorf("member %q is there twice", key)
			}
		}
		p.space()
		if p.peek() != ':' {
			return nil, errors.New("a colon is missing")
		}
		p.i++
		p.space()
		v, err := p.value(depth + 1)
		if err != nil {
			return nil, err
		}
		n.members = append(n.members, member{key, v})
		p.space()
		switch p.peek() {
		case ',':
			p.i++
		case '}':
			p.i++
			return n, nil
		default:
			return nil, errors.New("a comma or closing brace is missing")
		}
	}
}

func (p *parser) array(depth int) (*node, error) {
	n := &node{kind: isArray}
	p.i++
	p.space()
	if p.peek() == ']' {
		p.i++
		return n, nil
	}
	for {
		p.space()
		v, err := p.value(depth + 1)
		if err != nil {
			return nil, err
		}
		n.items = append(n.items, v)
		p.space()
		switch p.peek() {
		case ',':
			p.i++
		case ']':
			p.i++
			return n, nil
		default:
			return nil, errors.New("a comma or closing bracket is missing")
		}
	}
}

func (p *parser) digits() int {
	from := p.i
	for p.i < len(p.b) && p.b[p.i] >= '0' && p.b[p.i] <= '9' {
		p.i++
	}
	return p.i - from
}

func (p *parser) number() (*node, error) {
	from := p.i
	if p.peek() == '-' {
		p.i++
	}
	zero := p.peek() == '0'
	if d := p.digits(); d == 0 || (zero && d > 1) {
		return nil, errors.New("number without digits or with a leading zero")
	}
	if p.peek() == '.' {
		p.i++
		if p.digits() == 0 {
			return nil, errors.New("no digits after the decimal point")
		}
	}
	if c := p.peek(); c == 'e' || c == 'E' {
		p.i++
		if c := p.peek(); c == '+' || c == '-' {
			p.i++
		}
		if p.digits() == 0 {
			return nil, errors.New("no digits in the exponent")
		}
	}
	return &node{kind: isNumber, text: string(p.b[from:p.i])}, nil
}

func (p *parser) str() (string, error) {
	p.i++
	from := p.i
	for p.i < len(p.b) { // the common case: nothing escaped
		c := p.b[p.i]
		if c == '"' {
			s := p.b[from:p.i]
			if !utf8.Valid(s) {
				return "", errors.New("text is not UTF-8")
			}
			p.i++
			return string(s), nil
		}
		if c == '\\' {
			return p.escaped(append([]byte(nil), p.b[from:p.i]...))
		}
		if c < 0x20 {
			return "", errors.New("control byte in a text")
		}
		p.i++
	}
	return "", errors.New("text does not end")
}

var shortEscapes = map[byte]byte{'"': '"', '\\': '\\', '/': '/', 'b': '\b', 'f': '\f', 'n': '\n', 'r': '\r', 't': '\t'}

func (p *parser) escaped(out []byte) (string, error) {
	for p.i < len(p.b) {
		c := p.b[p.i]
		switch {
		case c == '"':
			p.i++
			if !utf8.Valid(out) {
				return "", errors.New("text is not UTF-8")
			}
			return string(out), nil
		case c < 0x20:
			return "", errors.New("control byte in a text")
		case c != '\\':
			out = append(out, c)
			p.i++
			continue
		}
		p.i++
		if e, ok := shortEscapes[p.peek()]; ok && p.i < len(p.b) {
			out = append(out, e)
			p.i++
			continue
		}
		r, ok := p.unicode()
		if !ok {
			return "", errors.New("unknown escape in a text")
		}
		if utf16.IsSurrogate(r) {
			if p.peek() != '\\' {
				return "", errors.New("half a character in a text")
			}
			p.i++
			second, ok := p.unicode()
			if r = utf16.DecodeRune(r, second); !ok || r == utf8.RuneError {
				return "", errors.New("half a character in a text")
			}
		}
		out = utf8.AppendRune(out, r)
	}
	return "", errors.New("text does not end")
}

// unicode reads uXXXX.
func (p *parser) unicode() (rune, bool) {
	if p.peek() != 'u' || len(p.b)-p.i < 5 {
		return 0, false
	}
	v, err := strconv.ParseUint(string(p.b[p.i+1:p.i+5]), 16, 32)
	if err != nil {
		return 0, false
	}
	p.i += 5
	return rune(v), true
}

// render writes the value back, compact.
func (n *node) render(out []byte) []byte {
	switch n.kind {
	case isString:
		return appendText(out, n.text)
	case isArray:
		out = append(out, '[')
		for i, v := range n.items {
			if i > 0 {
				out = append(out, ',')
			}
			out = v.render(out)
		}
		return append(out, ']')
	case isObject:
		out = append(out, '{')
		for i := range n.members {
			if i > 0 {
				out = append(out, ',')
			}
			out = appendText(out, n.members[i].key)
			out = append(out, ':')
			out = n.members[i].value.render(out)
		}
		return append(out, '}')
	case isNull:
		return append(out, "null"...)
	}
	return append(out, n.text...)
}

func appendText(out []byte, s string) []byte {
	out = append(out, '"')
	for i := 0; i < len(s); i++ {
		switch c := s[i]; {
		case c == '"' || c == '\\':
			out = append(out, '\\', c)
		case c < 0x20:
			out = fmt.Appendf(out, `\u%04x`, c)
		default:
			out = append(out, c)
		}
	}
	return append(out, '"')
}
