package config

import (
	"bytes"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"

	"github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/parser"
)

// Caps on a configuration file, far above what a clinic group needs.
const (
	maxFile  = 1 << 20
	maxDepth = 64      // of brackets; indentation is bounded by maxLine
	maxLine  = 8 << 10 // bytes
)

// pos is a place in the file, counted from 1.
type pos struct{ line, col int }

// document is the file as a tree with positions.
type document struct{ root *ast.MappingNode }

// parse reads the file's syntax. Anchors, aliases, merges and tags are
// refused: a file is read as it stands, and nothing in it can grow.
func parse(data []byte, fs *faults) *document {
	data = bytes.TrimPrefix(data, []byte("\ufeff"))
	data = bytes.ReplaceAll(data, []byte("\r\n"), []byte("\n"))
	if !bounded(data, fs) {
		return nil
	}
	file, err := parseYAML(data)
	if err != nil {
		var syntax yaml.Error
		at, what := pos{1, 1}, "the file cannot be read as YAML"
		if errors.As(err, &syntax) {
			what = syntax.GetMessage()
			if t := syntax.GetToken(); t != nil && t.Position != nil {
				at = pos{t.Position.Line, t.Position.Column}
			}
		}
		fs.add(at, "", "is not YAML: "+what, "put this line right; the lines after it were not read")
		return nil
	}
	if len(file.Docs) > 1 {
		at := pos{1, 1}
		if start := file.Docs[1].Start; start != nil {
			at = pos{start.Position.Line, start.Position.Column}
		}
		fs.add(at, "", "a second document begins here", "keep one document in the file and remove the line ---")
		return nil
	}
	root, ok := (*ast.MappingNode)(nil), false
	if len(file.Docs) == 1 {
		root, ok = mapOf(file.Docs[0].Body)
	}
	if !ok {
		fs.add(pos{1, 1}, "", "the file holds no keys", "begin with version: 1; deploy/example/tidegate.yaml shows the whole")
		return nil
	}
	refused := refuser{fs: fs}
	ast.Walk(&refused, root)
	if len(fs.list) > 0 {
		return nil
	}
	return &document{root}
}

// bounded refuses what could cost much before it is known to be wrong.
func bounded(data []byte, fs *faults) bool {
	if len(data) > maxFile {
		fs.add(pos{1, 1}, "", fmt.Sprintf("the file has more than %d bytes", maxFile), "keep tables in CSV files under registry.import")
		return false
	}
	if !utf8.Valid(data) || bytes.ContainsFunc(data, forbidden) {
		fs.add(pos{1, 1}, "", "the file is not plain UTF-8 text", "save it as UTF-8, without control characters")
		return false
	}
	line, depth := 1, 0
	for text := range bytes.Lines(data) {
		if len(text) > maxLine {
			fs.add(pos{line, 1}, "", fmt.Sprintf("the line has more than %d bytes", maxLine), "write one key a line")
			return false
		}
		for col, c := range text {
			switch c {
			case '[', '{':
				depth++
			case ']', '}':
				depth--
			}
			if depth > maxDepth {
				fs.add(pos{line, col + 1}, "", "more than 64 brackets are open here", "close them")
				return false
			}
		}
		line++
	}
	return true
}

// forbidden are control characters other than tab and newline. A carriage
// return alone would count as a line for some readers and not for others.
func forbidden(r rune) bool { return unicode.IsControl(r) && r != '\t' && r != '\n' }

// parseYAML keeps a parser that trips over odd input from ending the process.
func parseYAML(data []byte) (file *ast.File, err error) {
	defer func() {
		if recover() != nil {
			file, err = nil, errors.New("unreadable")
		}
	}()
	return parser.ParseBytes(data, 0, parser.AllowDuplicateMapKey())
}

// refuser finds the parts of YAML that a configuration does not use.
type refuser struct{ fs *faults }

func (r *refuser) Visit(n ast.Node) ast.Visitor {
	const instead = "write the value out in full, in each place"
	switch n.(type) {
	case *ast.AnchorNode, *ast.AliasNode:
		r.fs.add(position(n), key(n), "anchors and aliases are not taken here", instead)
	case *ast.MergeKeyNode:
		r.fs.add(position(n), key(n), "merge keys are not taken here", instead)
	case *ast.TagNode, *ast.DirectiveNode:
		r.fs.add(position(n), key(n), "tags and directives are not taken here", "remove it")
	}
	return r
}

// key is a node's path as a configuration key.
func key(n ast.Node) string { return strings.TrimPrefix(strings.TrimPrefix(n.GetPath(), "$"), ".") }

// find is the place of a key: of its value if it is there, else of the
// nearest key above it that is.
func (d *document) find(key string) pos {
	at := position(d.root)
	var node ast.Node = d.root
	for key != "" {
		if key[0] == '[' {
			index, rest, ok := strings.Cut(key[1:], "]")
			i, err := strconv.Atoi(index)
			list, isList := node.(*ast.SequenceNode)
			if !ok || err != nil || !isList || i < 0 || i >= len(list.Values) {
				return at
			}
			node, key = list.Values[i], strings.TrimPrefix(rest, ".")
			at = position(node)
			continue
		}
		m, ok := mapOf(node)
		if !ok {
			return at
		}
		entry, rest := longest(m, key)
		if entry == nil {
			return at
		}
		node, key = entry.Value, strings.TrimPrefix(rest, ".")
		at = position(entry.Key)
		if _, nested := node.(ast.MapNode); !nested && key == "" {
			at = position(node)
		}
	}
	return at
}

// longest is the entry whose key the path begins with: keys may hold dots.
func longest(m *ast.MappingNode, path string) (entry *ast.MappingValueNode, rest string) {
	best := -1
	for _, e := range m.Values {
		after, ok := strings.CutPrefix(path, keyText(e))
		if ok && len(keyText(e)) > best && (after == "" || after[0] == '.' || after[0] == '[') {
			entry, rest, best = e, after, len(keyText(e))
		}
	}
	return entry, rest
}

// mapOf sees a mapping of one key as a mapping.
func mapOf(n ast.Node) (*ast.MappingNode, bool) {
	switch n := n.(type) {
	case *ast.MappingNode:
		return n, true
	case *ast.MappingValueNode:
		return ast.Mapping(n.Start, false, n), true
	}
	return nil, false
}

func keyText(e *ast.MappingValueNode) string { return e.Key.GetToken().Value }

// position is where a node begins; a mapping begins at its first key.
func position(n ast.Node) pos {
	if m, ok := n.(*ast.MappingNode); ok && len(m.Values) > 0 && !m.IsFlowStyle {
		n = m.Values[0].Key
	}
	if e, ok := n.(*ast.MappingValueNode); ok {
		n = e.Key
	}
	t := n.GetToken()
	if t == nil || t.Position == nil {
		return pos{1, 1}
	}
	return pos{t.Position.Line, t.Position.Column}
}
