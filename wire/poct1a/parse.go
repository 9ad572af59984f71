package poct1a

import (
	"bytes"
	"strconv"
	"strings"
	"unicode/utf8"
)

// Span is a byte range of a document, [From, To).
type Span struct{ From, To int }

// Attr is an attribute; Span is its value between the quotes, as it came.
type Attr struct {
	Name, Value string
	Span        Span
}

// Element is one element. Names are local: a namespace prefix is left off, and
// the declarations of namespaces are no attributes here.
type Element struct {
	Name     string
	Attrs    []Attr
	Text     string // its own text, blanks around it dropped
	TextSpan Span
	Children []*Element
	Span     Span // from '<' of the start tag to '>' of the end tag
}

// Document is a parsed message. Raw is what was parsed, not copied.
type Document struct {
	Raw   []byte
	Root  *Element
	Fault *Fault // why it cannot be read to its end; nil if it can
}

// Parse reads one document, as a Splitter delivers it. With a fault the
// document holds what was read up to there, and its Root may be nil.
func Parse(raw []byte, limits Limits) (*Document, *Fault) {
	p := parser{raw: raw, limits: limits.withDefaults()}
	d := &Document{Raw: raw}
	err := p.check()
	if err == nil {
		err = p.document()
	}
	d.Root, d.Fault = p.root, err
	return d, err
}

type parser struct {
	raw    []byte
	at     int
	limits Limits
	root   *Element
	open   []*Element
	texts  []*strings.Builder // one for each open element
	count  int
}

func (p *parser) fault(kind Kind, what string) *Fault {
	return &Fault{Kind: kind, What: what, At: p.at}
}

func (p *parser) syntax(what string) *Fault { return p.fault(FaultSyntax, what) }

// check refuses what no part of a document may hold.
func (p *parser) check() *Fault {
	if len(p.raw) > p.limits.Size {
		return p.fault(FaultTooLarge, "the document is larger than is taken here")
	}
	for i := 0; i < len(p.raw); {
		r, n := utf8.DecodeRune(p.raw[i:])
		if r == utf8.RuneError && n == 1 {
			return &Fault{Kind: FaultEncoding, What: "a byte that is not UTF-8", At: i}
		}
		if !legal(r) {
			if r == 0 {
				return &Fault{Kind: FaultEncoding, What: "a zero byte: the document is not UTF-8", At: i}
			}
			return &Fault{Kind: FaultSyntax, What: "a character that XML does not allow", At: i}
		}
		i += n
	}
	return nil
}

// legal reports whether XML 1.0 allows the character (production 2, Char).
func legal(r rune) bool {
	return r == '\t' || r == '\n' || r == '\r' || r >= 0x20 && r <= 0xd7ff || r >= 0xe000 && r <= 0xfffd || r >= 0x10000 && r <= 0x10ffff
}

func (p *parser) has(mark string) bool { return bytes.HasPrefix(p.raw[p.at:], []byte(mark)) }

func (p *parser) document() *Fault {
	for p.at < len(p.raw) {
		if err := p.part(); err != nil {
			return err
		}
	}
	switch {
	case len(p.open) > 0:
		return p.syntax("the document ends within element " + p.open[len(p.open)-1].Name)
	case p.root == nil:
		return p.syntax("the document has no element")
	}
	return nil
}

// part reads a tag, a comment, an instruction, a section or text.
func (p *parser) part() *Fault {
	switch {
	case p.raw[p.at] != '<':
		return p.text()
	case p.has("<!--"):
		return p.comment()
	case p.has("<![CDATA[") && len(p.open) > 0:
		return p.section()
	case p.has("<!"):
		return p.fault(FaultDoctype, "a document type or other declaration, which is not taken here")
	case p.has("<?"):
		return p.instruction()
	case p.has("</"):
		return p.endTag()
	}
	return p.startTag()
}

// until is the bytes up to a mark, which is passed over too.
func (p *parser) until(mark, what string) ([]byte, *Fault) {
	n := bytes.Index(p.raw[p.at:], []byte(mark))
	if n < 0 {
		return nil, p.syntax(what)
	}
	got := p.raw[p.at : p.at+n]
	p.at += n + len(mark)
	return got, nil
}

func (p *parser) comment() *Fault {
	p.at += len("<!--")
	body, err := p.until("-->", "a comment is not closed")
	if err == nil && (bytes.Contains(body, []byte("--")) || bytes.HasSuffix(body, []byte("-"))) {
		err = p.syntax("two hyphens within a comment")
	}
	return err
}

// instruction passes over a processing instruction. The XML declaration may
// only stand first, and only name UTF-8 or its subset US-ASCII.
func (p *parser) instruction() *Fault {
	first := p.at == 0
	p.at += len("<?")
	body, err := p.until("?>", "a processing instruction is not closed")
	if err != nil {
		return err
	}
	target := body[:nameEnd(body, 0)]
	rest := body[len(target):]
	switch {
	case len(target) == 0 || len(rest) > 0 && !blank(rest[0]):
		return p.syntax("a processing instruction without a name")
	case !strings.EqualFold(string(target), "xml"):
		return nil
	case !first || string(target) != "xml":
		return p.syntax("an XML declaration that does not stand first")
	}
	return p.declaration(string(rest))
}

func (p *parser) declaration(rest string) *Fault {
	order := []string{"version", "encoding", "standalone"}
	for rest = strings.TrimLeft(rest, spaces); rest != ""; rest = strings.TrimLeft(rest, spaces) {
		name, after, ok := strings.Cut(rest, "=")
		name, after = strings.Trim(name, spaces), strings.TrimLeft(after, spaces)
		at := -1
		for i, n := range order {
			if n == name {
				at = i
			}
		}
		if !ok || at < 0 || after == "" || after[0] != '"' && after[0] != '\'' {
			return p.syntax("an XML declaration that is not written as XML has it")
		}
		value, next, closed := strings.Cut(after[1:], after[:1])
		if !closed || order[0] == "version" && name != "version" {
			return p.syntax("an XML declaration that is not written as XML has it")
		}
		order, rest = order[at+1:], next
		switch {
		case name == "version" && value != "1.0":
			return p.syntax("a version of XML other than 1.0")
		case name == "encoding" && !strings.EqualFold(value, "UTF-8") && !strings.EqualFold(value, "US-ASCII"):
			return p.fault(FaultEncoding, "the document declares an encoding other than UTF-8")
		}
	}
	if len(order) == 3 {
		return p.syntax("an XML declaration without a version")
	}
	return nil
}

func (p *parser) text() *Fault {
	from := p.at
	n := bytes.IndexByte(p.raw[p.at:], '<')
	if n < 0 {
		n = len(p.raw) - p.at
	}
	body := p.raw[from : from+n]
	if len(p.open) == 0 {
		if len(bytes.Trim(body, spaces)) > 0 {
			return p.syntax("text outside the document's element")
		}
		p.at += n
		return nil
	}
	if bytes.Contains(body, []byte("]]>")) {
		return p.syntax("the end of a CDATA section without its beginning")
	}
	text, err := p.unescape(body, false)
	if err != nil {
		return err
	}
	p.at = from + n
	p.addText(text, Span{from, from + n})
	return nil
}

func (p *parser) section() *Fault {
	p.at += len("<![CDATA[")
	from := p.at
	body, err := p.until("]]>", "a CDATA section is not closed")
	if err != nil {
		return err
	}
	p.addText(lines.Replace(string(body)), Span{from, from + len(body)})
	return nil
}

// lines ends with LF alone, whatever came (XML 1.0, 2.11).
var lines = strings.NewReplacer("\r\n", "\n", "\r", "\n")

func (p *parser) addText(text string, at Span) {
	n := len(p.open) - 1
	e, b := p.open[n], p.texts[n]
	b.WriteString(text)
	if strings.Trim(text, spaces) == "" {
		return
	}
	if e.TextSpan == (Span{}) {
		e.TextSpan.From = at.From
	}
	e.TextSpan.To = at.To
}

func (p *parser) endTag() *Fault {
	p.at += len("</")
	if len(p.open) == 0 {
		return p.syntax("an end tag without a start tag")
	}
	end := nameEnd(p.raw, p.at)
	name := string(p.raw[p.at:end])
	p.at = end
	p.skip()
	e := p.open[len(p.open)-1]
	if !p.has(">") || name != p.nameOf(e) {
		return p.syntax("the end tag of " + e.Name + " is missing")
	}
	p.at++
	p.close()
	return nil
}

// nameOf is the name with its prefix, as the start tag wrote it.
func (p *parser) nameOf(e *Element) string {
	return string(p.raw[e.Span.From+1 : nameEnd(p.raw, e.Span.From+1)])
}

func (p *parser) close() {
	n := len(p.open) - 1
	e := p.open[n]
	e.Span.To = p.at
	e.Text = strings.Trim(p.texts[n].String(), spaces)
	p.open, p.texts = p.open[:n], p.texts[:n]
}

func (p *parser) startTag() *Fault {
	e := &Element{Span: Span{From: p.at}}
	if p.root != nil && len(p.open) == 0 {
		return p.syntax("a second element outside the first")
	}
	if len(p.open) >= p.limits.Depth {
		return p.fault(FaultTooDeep, "elements are nested deeper than is taken here")
	}
	if p.count++; p.count > p.limits.Elements {
		return p.fault(FaultTooMany, "the document has more elements than are taken here")
	}
	p.at++
	end := nameEnd(p.raw, p.at)
	name, ok := local(string(p.raw[p.at:end]))
	if !ok {
		return p.syntax("a tag without a name")
	}
	e.Name, p.at = name, end
	if p.root == nil {
		p.root = e
	} else {
		above := p.open[len(p.open)-1]
		above.Children = append(above.Children, e)
	}
	p.open, p.texts = append(p.open, e), append(p.texts, &strings.Builder{})
	return p.attributes(e)
}

// attributes reads the rest of a start tag.
func (p *parser) attributes(e *Element) *Fault {
	var names []string // with their prefixes
	for {
		gap := p.skip()
		switch {
		case p.has("/>"):
			p.at += 2
			p.close()
			return nil
		case p.has(">"):
			p.at++
			return nil
		case !gap:
			return p.syntax("a tag that is not written as XML has it")
		}
		a, name, err := p.attribute()
		if err != nil {
			return err
		}
		for _, n := range names {
			if n == name {
				return p.syntax("an attribute that stands twice in one tag")
			}
		}
		if names = append(names, name); len(names) > p.limits.Attributes {
			return p.fault(FaultTooMany, "an element has more attributes than are taken here")
		}
		if name != "xmlns" && !strings.HasPrefix(name, "xmlns:") {
			e.Attrs = append(e.Attrs, a)
		}
	}
}

func (p *parser) attribute() (a Attr, name string, err *Fault) {
	end := nameEnd(p.raw, p.at)
	name = string(p.raw[p.at:end])
	short, ok := local(name)
	if !ok {
		return a, "", p.syntax("a tag that is not written as XML has it")
	}
	p.at = end
	p.skip()
	if !p.has("=") {
		return a, "", p.syntax("an attribute without a value")
	}
	p.at++
	p.skip()
	if !p.has(`"`) && !p.has("'") {
		return a, "", p.syntax("an attribute's value without quotes")
	}
	quote := string(p.raw[p.at])
	p.at++
	from := p.at
	body, err := p.until(quote, "an attribute's value is not closed")
	if err != nil {
		return a, "", err
	}
	after := p.at
	p.at = from
	if bytes.IndexByte(body, '<') >= 0 {
		return a, "", p.syntax("a bare < within an attribute's value")
	}
	value, err := p.unescape(body, true)
	if err != nil {
		return a, "", err
	}
	p.at = after
	return Attr{Name: short, Value: value, Span: Span{from, after - 1}}, name, nil
}

// skip passes over blanks and tells whether there were any.
func (p *parser) skip() bool {
	from := p.at
	for p.at < len(p.raw) && blank(p.raw[p.at]) {
		p.at++
	}
	return p.at > from
}

const spaces = " \t\r\n"

func blank(c byte) bool { return strings.IndexByte(spaces, c) >= 0 }

// nameEnd is where the name that begins at from ends.
func nameEnd(raw []byte, from int) int {
	for from < len(raw) {
		c := raw[from]
		if !(c == ':' || c == '_' || c == '-' || c == '.' || c >= '0' && c <= '9' || c >= 'A' && c <= 'Z' || c >= 'a' && c <= 'z' || c >= 0x80) {
			break
		}
		from++
	}
	return from
}

// local leaves the prefix off a name; ok is false where it is none. Letters
// beyond ASCII are taken as they are.
func local(name string) (string, bool) {
	prefix, rest, both := strings.Cut(name, ":")
	if !both {
		prefix, rest = "x", name
	}
	for _, part := range []string{prefix, rest} {
		if part == "" || strings.IndexByte("-.0123456789:", part[0]) >= 0 {
			return "", false
		}
	}
	return rest, !strings.Contains(rest, ":")
}

var entities = map[string]string{"lt": "<", "gt": ">", "amp": "&", "quot": `"`, "apos": "'"}

// unescape reads entities and character references. In attributes line ends
// and tabs are blanks (XML 1.0, 3.3.3), in text line ends are LF.
func (p *parser) unescape(body []byte, attribute bool) (string, *Fault) {
	text := lines.Replace(string(body))
	if attribute {
		text = strings.Map(func(r rune) rune {
			if r == '\n' || r == '\t' {
				return ' '
			}
			return r
		}, text)
	}
	if strings.IndexByte(text, '&') < 0 {
		return text, nil
	}
	var out strings.Builder
	for {
		before, after, more := strings.Cut(text, "&")
		out.WriteString(before)
		if !more {
			return out.String(), nil
		}
		name, rest, closed := strings.Cut(after, ";")
		if !closed {
			return "", p.syntax("a bare & in a value")
		}
		char, ok := reference(name)
		if !ok {
			return "", p.fault(FaultEntity, "an entity that is none of XML's five")
		}
		out.WriteString(char)
		text = rest
	}
}

func reference(name string) (string, bool) {
	digits, numeric := strings.CutPrefix(name, "#")
	if !numeric {
		char, ok := entities[name]
		return char, ok
	}
	base := 10
	if hex, ok := strings.CutPrefix(digits, "x"); ok {
		digits, base = hex, 16
	}
	n, err := strconv.ParseUint(digits, base, 21)
	if err != nil || strings.ContainsAny(digits, "_+") || !legal(rune(n)) {
		return "", false
	}
	return string(rune(n)), true
}
