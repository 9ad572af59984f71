package config

import (
	"encoding"
	"fmt"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/ast"
)

// binder puts the tree's values into Go values, by their yaml tags. Unlike a
// decoder it goes on after a fault, so that all are found at once.
type binder struct{ *faults }

var durationType = reflect.TypeFor[time.Duration]()

// bind sets v from a node.
func (b binder) bind(n ast.Node, key string, v reflect.Value) {
	if isNull(n) {
		if v.Kind() != reflect.Interface {
			b.lost(position(n), key, "has no value", "write one, or remove the key")
		}
		return
	}
	if custom(v.Type()) {
		b.custom(n, key, v)
		return
	}
	b.plain(n, key, v)
}

func (b binder) plain(n ast.Node, key string, v reflect.Value) {
	if v.Type() == durationType {
		b.duration(n, key, v)
		return
	}
	switch v.Kind() {
	case reflect.Pointer:
		v.Set(reflect.New(v.Type().Elem()))
		b.bind(n, key, v.Elem())
	case reflect.Struct:
		b.variant(n, key, v)
	case reflect.Map:
		b.table(n, key, v)
	case reflect.Slice:
		list, ok := n.(*ast.SequenceNode)
		if !ok {
			b.lost(position(n), key, "is not a list", "write it in brackets, or a line with - for each")
			return
		}
		v.Set(reflect.MakeSlice(v.Type(), len(list.Values), len(list.Values)))
		for i, item := range list.Values {
			b.bind(item, fmt.Sprintf("%s[%d]", key, i), v.Index(i))
		}
	case reflect.Interface:
		if value, ok := b.free(n, key); ok {
			v.Set(reflect.ValueOf(value))
		}
	default:
		b.scalar(n, key, v)
	}
}

// structs sets the fields of one or more structs from one mapping: a key
// belongs to whichever struct has it.
func (b binder) structs(n ast.Node, key string, targets ...reflect.Value) {
	m, ok := mapOf(n)
	if !ok {
		b.lost(position(n), key, "is not a set of keys", "write its keys below it, each with a value")
		return
	}
	known, places := placesOf(targets)
	b.each(m, key, func(e *ast.MappingValueNode, name, at string) {
		if len(places[name]) == 0 {
			meant, instead := suggest(name, known)
			b.add(position(e.Key), at, "is no key that is known here", instead)
			if meant != "" {
				b.unread[joinKey(key, meant)] = true
			}
			return
		}
		for _, v := range places[name] {
			b.bind(e.Value, at, v)
		}
	})
}

func placesOf(targets []reflect.Value) (known []string, places map[string][]reflect.Value) {
	places = map[string][]reflect.Value{}
	for _, t := range targets {
		for _, f := range fieldsOf(t) {
			known = append(known, f.name)
			places[f.name] = append(places[f.name], f.value)
		}
	}
	slices.Sort(known)
	return slices.Compact(known), places
}

// kinded is a struct of which some keys belong to its kind alone. Part is a
// pointer to the struct that takes them, nil for a kind that there is not.
type kinded interface {
	Kinds() []string
	Part(kind string) any
}

// variant reads a struct of which some keys depend on its kind. Where the kind
// is not known, those keys are left unjudged.
func (b binder) variant(n ast.Node, key string, v reflect.Value) {
	choice, ok := v.Addr().Interface().(kinded)
	m, isMap := mapOf(n)
	if !ok || !isMap {
		b.structs(n, key, v)
		return
	}
	kind, at, what := "", position(n), "is missing"
	for _, e := range m.Values {
		if keyText(e) == "kind" {
			kind, _ = textOf(e.Value)
			at, what = position(e.Value), "is no kind that is known here"
		}
	}
	if part := choice.Part(kind); part != nil {
		b.structs(n, key, v, reflect.ValueOf(part).Elem())
		return
	}
	b.lost(at, joinKey(key, "kind"), what, "write one of "+strings.Join(choice.Kinds(), ", "))
	_, places := placesOf([]reflect.Value{v})
	b.each(m, key, func(e *ast.MappingValueNode, name, at string) {
		for _, v := range places[name] {
			b.bind(e.Value, at, v)
		}
	})
}

func (b binder) table(n ast.Node, key string, v reflect.Value) {
	m, ok := mapOf(n)
	if !ok {
		b.lost(position(n), key, "is not a set of keys", "write its keys below it, each with a value")
		return
	}
	v.Set(reflect.MakeMap(v.Type()))
	b.each(m, key, func(e *ast.MappingValueNode, name, at string) {
		value := reflect.New(v.Type().Elem()).Elem()
		b.bind(e.Value, at, value)
		v.SetMapIndex(reflect.ValueOf(name).Convert(v.Type().Key()), value)
	})
}

// each visits the entries of a mapping once per key.
func (b binder) each(m *ast.MappingNode, key string, visit func(e *ast.MappingValueNode, name, at string)) {
	seen := map[string]pos{}
	for _, e := range m.Values {
		name := keyText(e)
		at := joinKey(key, name)
		if first, ok := seen[name]; ok {
			delete(b.has, at)
			b.lost(position(e.Key), at, fmt.Sprintf("stands here a second time, first on line %d", first.line), "keep one of the two")
			continue
		}
		seen[name] = position(e.Key)
		visit(e, name, at)
	}
}

// custom is a type that reads itself. A struct written as a mapping is read
// key by key all the same, for the positions.
func (b binder) custom(n ast.Node, key string, v reflect.Value) {
	_, isMap := mapOf(n)
	if isMap && v.Kind() == reflect.Struct {
		b.structs(n, key, v)
		return
	}
	if err := yaml.NodeToValue(n, v.Addr().Interface(), yaml.Strict()); err != nil {
		switch v.Kind() {
		case reflect.Struct:
			b.lost(position(n), key, "is neither a text nor a set of keys", "write one of the two")
		case reflect.Slice:
			b.lost(position(n), key, "is neither a text nor a list of texts", "write one of the two")
		default:
			b.lost(position(n), key, "cannot be read", "write a text")
		}
	}
}

func (b binder) scalar(n ast.Node, key string, v reflect.Value) {
	text := n.GetToken().Value
	switch v.Kind() {
	case reflect.String:
		if s, ok := textOf(n); ok {
			v.SetString(s)
			return
		}
		switch n.(type) {
		case *ast.IntegerNode, *ast.FloatNode:
			b.lost(position(n), key, "is a number without quotes", fmt.Sprintf("write it as it is meant, in quotes: %q", text))
		case *ast.BoolNode:
			b.lost(position(n), key, "is true or false where a text belongs", fmt.Sprintf("write it in quotes: %q", text))
		default:
			b.lost(position(n), key, "is not a text", "write a text")
		}
	case reflect.Bool:
		node, ok := n.(*ast.BoolNode)
		if !ok {
			b.lost(position(n), key, "is neither true nor false", "write true or false, without quotes")
			return
		}
		v.SetBool(node.Value)
	case reflect.Int, reflect.Int64:
		i, err := strconv.ParseInt(text, 10, 64)
		if _, ok := n.(*ast.IntegerNode); !ok || err != nil || v.OverflowInt(i) {
			b.lost(position(n), key, "is not a whole number", "write digits without quotes")
			return
		}
		v.SetInt(i)
	default:
		panic("config: no way to read a " + v.Type().String())
	}
}

func (b binder) duration(n ast.Node, key string, v reflect.Value) {
	text, ok := textOf(n)
	d, err := time.ParseDuration(text)
	if !ok || err != nil || d < 0 {
		b.lost(position(n), key, "is not a duration", "write a number with its unit, such as 30s, 15m or 24h")
		return
	}
	v.SetInt(int64(d))
}

// free reads a value whose form its package checks itself.
func (b binder) free(n ast.Node, key string) (any, bool) {
	if m, ok := mapOf(n); ok {
		out := map[string]any{}
		b.each(m, key, func(e *ast.MappingValueNode, name, at string) {
			if isNull(e.Value) {
				out[name] = nil
				return
			}
			if value, ok := b.free(e.Value, at); ok {
				out[name] = value
			}
		})
		return out, true
	}
	switch n := n.(type) {
	case *ast.SequenceNode:
		out := make([]any, 0, len(n.Values))
		for i, item := range n.Values {
			if value, ok := b.free(item, fmt.Sprintf("%s[%d]", key, i)); ok {
				out = append(out, value)
			}
		}
		return out, true
	case *ast.BoolNode:
		return n.Value, true
	case *ast.IntegerNode, *ast.FloatNode:
		b.lost(position(n), key, "is a number without quotes",
			fmt.Sprintf("write a limit in quotes, %q, and a duration with its unit, such as 24h", n.GetToken().Value))
		return nil, false
	}
	if s, ok := textOf(n); ok {
		return s, true
	}
	b.lost(position(n), key, "cannot be read", "write a text, a list or keys with values")
	return nil, false
}

func textOf(n ast.Node) (string, bool) {
	switch n := n.(type) {
	case *ast.StringNode:
		return n.Value, true
	case *ast.LiteralNode:
		return n.Value.Value, true
	}
	return "", false
}

func isNull(n ast.Node) bool {
	_, ok := n.(*ast.NullNode)
	return n == nil || ok
}

func custom(t reflect.Type) bool {
	p := reflect.PointerTo(t)
	return p.Implements(reflect.TypeFor[yaml.InterfaceUnmarshaler]()) || p.Implements(reflect.TypeFor[yaml.BytesUnmarshaler]()) ||
		p.Implements(reflect.TypeFor[yaml.NodeUnmarshaler]()) || p.Implements(reflect.TypeFor[encoding.TextUnmarshaler]())
}

type field struct {
	name  string
	value reflect.Value
}

// fieldsOf lists a struct's fields by key, those of inlined structs too.
func fieldsOf(v reflect.Value) []field {
	var list []field
	for i := range v.NumField() {
		f := v.Type().Field(i)
		name, options, _ := strings.Cut(f.Tag.Get("yaml"), ",")
		switch {
		case name == "-" || !f.IsExported():
		case strings.Contains(options, "inline"):
			list = append(list, fieldsOf(v.Field(i))...)
		case name == "":
			list = append(list, field{strings.ToLower(f.Name), v.Field(i)})
		default:
			list = append(list, field{name, v.Field(i)})
		}
	}
	return list
}

// suggest names the known key that was probably meant, or all of them.
func suggest(name string, known []string) (meant, instead string) {
	least := 3
	for _, k := range known {
		if d := distance(name, k); d < least && d < len(k) {
			meant, least = k, d
		}
	}
	if meant != "" {
		return meant, "write " + meant + ", or remove it"
	}
	return "", "remove it; known here: " + strings.Join(known, ", ")
}

// distance is the number of single characters to change, add or leave out.
func distance(a, b string) int {
	if len(a) > 64 || len(b) > 64 {
		return 64
	}
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := range len(a) {
		diagonal := row[0]
		row[0] = i + 1
		for j := range len(b) {
			cost := 1
			if a[i] == b[j] {
				cost = 0
			}
			diagonal, row[j+1] = row[j+1], min(row[j+1]+1, row[j]+1, diagonal+cost)
		}
	}
	return row[len(b)]
}
