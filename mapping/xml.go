package mapping

import (
	"bytes"
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"regexp"
	"slices"
	"strings"

	"tidegate/poct"
	"tidegate/wire/hl7"
)

func xmlPlace(at string) (place, bool) {
	p, ok := parseXPath(at)
	return place{in: p}, ok
}

func xmlRows(at string) (any, bool) {
	if at == "" {
		return xpath{}, true
	}
	p, ok := parseXPath(at)
	return p, ok && p.top && p.attribute == ""
}

// xmlNode is an element: the text that is its own, its attributes, its children.
type xmlNode struct {
	found
	name       string
	all        poct.Span // from its start tag to its end tag
	attributes []xmlAttribute
	kids       []*xmlNode
}

type xmlAttribute struct {
	found
	name string
}

// xmlTree is a file; its top has the root element as its only child.
type xmlTree struct{ top *xmlNode }

func (t *xmlTree) records(at any) []record {
	p := at.(xpath) //nolint:forcetypeassert // made by xmlRows
	if len(p.steps) == 0 {
		return []record{&xmlRecord{t.top, t.top.kids[0]}}
	}
	var out []record
	for _, n := range p.from(t.top) {
		out = append(out, &xmlRecord{t.top, n})
	}
	return out
}

type xmlRecord struct{ top, here *xmlNode }

func (r *xmlRecord) extent() poct.Span { return r.here.all }

func (r *xmlRecord) find(at place) found { return single(r.every(at)) }

func (r *xmlRecord) every(at place) []found {
	p := at.in.(xpath) //nolint:forcetypeassert // made by xmlPlace
	start := r.here
	if p.top {
		start = r.top
	}
	var out []found
	for _, n := range p.from(start) {
		switch {
		case p.attribute != "":
			for _, a := range n.attributes {
				if a.name == p.attribute {
					out = append(out, a.found)
				}
			}
		case n.text == "" && len(n.kids) > 0:
			out = append(out, found{at: n.all, fault: "is no text: an element with others inside stands there"})
		default:
			out = append(out, n.found)
		}
	}
	return out
}

func (r *xmlRecord) says(at place, words []string) bool { return anySays(r.every(at), words) }

func (t *xmlTree) leaves() []leaf {
	var out []leaf
	var walk func(n *xmlNode, way, alike string)
	walk = func(n *xmlNode, way, alike string) {
		for _, a := range n.attributes {
			out = append(out, leaf{a.found, way + "/@" + a.name, alike + "/@" + a.name})
		}
		if n.text != "" {
			out = append(out, leaf{n.found, way, alike})
		}
		seen := map[string]int{}
		for _, k := range n.kids {
			seen[k.name]++
			nth := ""
			if slices.ContainsFunc(n.kids, func(o *xmlNode) bool { return o != k && o.name == k.name }) {
				nth = fmt.Sprintf("[%d]", seen[k.name])
			}
			walk(k, way+"/"+k.name+nth, alike+"/"+k.name)
		}
	}
	walk(t.top, "", "")
	return out
}

var xmlEncoding = regexp.MustCompile(`^\s*<\?xml[^>]*\sencoding\s*=\s*["']([A-Za-z0-9._-]+)["']`)

// parseXML reads a file strictly: one root element, no DTD, no entities but
// the five of XML itself, no attribute twice, bounded depth.
func parseXML(raw []byte, fallback hl7.Charset) (tree, string) {
	declared := hl7.NoCharset
	if m := xmlEncoding.FindSubmatch(raw[:min(len(raw), 200)]); m != nil {
		set, known := hl7.ParseCharset(string(m[1]))
		if !known {
			return nil, "The file declares an encoding that is not read here."
		}
		declared = set
	}
	t, problem := decodeText(raw, declared, fallback)
	if problem != "" {
		return nil, problem
	}
	p := xmlParser{t: t, d: xml.NewDecoder(bytes.NewReader(t.text)), top: &xmlNode{}}
	p.d.CharsetReader = func(_ string, in io.Reader) (io.Reader, error) { return in, nil } // it is UTF-8 by now
	if problem := p.run(); problem != "" {
		return nil, problem
	}
	return &xmlTree{p.top}, ""
}

type xmlParser struct {
	t    textual
	d    *xml.Decoder
	top  *xmlNode
	open []*xmlNode
}

func (p *xmlParser) run() string {
	p.open = []*xmlNode{p.top}
	for {
		from := int(p.d.InputOffset())
		tok, err := p.d.Token()
		to := int(p.d.InputOffset())
		switch {
		case errors.Is(err, io.EOF) && len(p.top.kids) == 1:
			return ""
		case err != nil:
			return fmt.Sprintf("The file is no XML from byte %d on: it may be cut off.", p.t.span(from, from).From)
		}
		if problem := p.take(tok, from, to); problem != "" {
			return problem
		}
	}
}

func (p *xmlParser) take(tok xml.Token, from, to int) string {
	here := p.open[len(p.open)-1]
	switch x := tok.(type) {
	case xml.Directive:
		return "The file has a document type declaration, which is not read."
	case xml.StartElement:
		n := &xmlNode{name: x.Name.Local, all: p.t.span(from, to)}
		if problem := p.attributes(n, x.Attr, from, to); problem != "" {
			return problem
		}
		here.kids = append(here.kids, n)
		switch p.open = append(p.open, n); {
		case len(p.top.kids) > 1:
			return "The file has more than one root element."
		case len(p.open) > deepest:
			return fmt.Sprintf("The file's elements are nested more than %d deep.", deepest)
		}
	case xml.EndElement:
		here.all.To = p.t.span(to, to).To
		here.text = strings.TrimSpace(here.text)
		p.open = p.open[:len(p.open)-1]
	case xml.CharData:
		text := string(x)
		if strings.TrimSpace(text) == "" {
			if here != p.top && here.text != "" {
				here.text += text
			}
			return ""
		}
		if here == p.top {
			return "Text stands outside the file's root element."
		}
		piece := p.t.text[from:to]
		at := p.t.span(from+len(piece)-len(bytes.TrimLeft(piece, " \t\r\n")), from+len(bytes.TrimRight(piece, " \t\r\n")))
		if here.text == "" {
			here.found.at.From = at.From
		}
		here.text, here.found.at.To = here.text+text, at.To
	}
	return ""
}

// attributes finds where each attribute's value stands in its start tag, which
// the decoder has found to be well formed.
func (p *xmlParser) attributes(n *xmlNode, list []xml.Attr, from, to int) string {
	at := from
	for _, a := range list {
		eq := bytes.IndexByte(p.t.text[at:to], '=')
		if eq < 0 {
			return fmt.Sprintf("The file's attributes cannot be read at byte %d.", p.t.span(at, at).From)
		}
		at += eq + 1
		for at < to && strings.IndexByte(" \t\r\n", p.t.text[at]) >= 0 {
			at++
		}
		if at == to {
			return fmt.Sprintf("The file's attributes cannot be read at byte %d.", p.t.span(at, at).From)
		}
		end := bytes.IndexByte(p.t.text[at+1:to], p.t.text[at])
		if end < 0 {
			return fmt.Sprintf("The file's attributes cannot be read at byte %d.", p.t.span(at, at).From)
		}
		value := p.t.span(at+1, at+1+end)
		at += end + 2
		if a.Name.Space == "xmlns" || a.Name.Local == "xmlns" {
			continue
		}
		if slices.ContainsFunc(n.attributes, func(o xmlAttribute) bool { return o.name == a.Name.Local }) {
			return fmt.Sprintf("An element of the file has an attribute twice, at byte %d.", value.From)
		}
		n.attributes = append(n.attributes, xmlAttribute{found{text: strings.TrimSpace(a.Value), at: value}, a.Name.Local})
	}
	return ""
}
