package web

import (
	"reflect"
	"strings"
	"time"
)

// shapeOf is the JSON schema of a Go type as encoding/json writes it, so that
// the description of an answer cannot stray from the answer.
func shapeOf[T any]() object { return shapeOfType(reflect.TypeFor[T]()) }

func shapeOfType(t reflect.Type) object {
	switch t {
	case reflect.TypeFor[time.Time]():
		return object{"type": "string", "format": "date-time"}
	case reflect.TypeFor[time.Duration]():
		return object{"type": "integer", "description": "nanoseconds"}
	}
	switch t.Kind() {
	case reflect.Pointer:
		return shapeOfType(t.Elem())
	case reflect.String:
		return object{"type": "string"}
	case reflect.Bool:
		return object{"type": "boolean"}
	case reflect.Int, reflect.Int64:
		return object{"type": "integer"}
	case reflect.Float64:
		return object{"type": "number"}
	case reflect.Slice:
		return object{"type": "array", "items": shapeOfType(t.Elem())}
	case reflect.Map:
		return object{"type": "object", "additionalProperties": shapeOfType(t.Elem())}
	case reflect.Struct:
		return shapeOfStruct(t)
	}
	panic("web: no schema for " + t.String()) // found by the test that writes the description
}

// shapeOfStruct requires what is always written: members without omitempty or
// omitzero. Embedded structs stand among the members.
func shapeOfStruct(t reflect.Type) object {
	members := object{}
	var required []string
	for f := range fieldsOf(t) {
		name, options, _ := strings.Cut(f.Tag.Get("json"), ",")
		if name == "-" {
			continue
		}
		members[name] = shapeOfType(f.Type)
		if options == "" {
			required = append(required, name)
		}
	}
	o := object{"type": "object", "properties": members}
	if len(required) > 0 {
		o["required"] = required
	}
	return o
}

func fieldsOf(t reflect.Type) func(yield func(reflect.StructField) bool) {
	return func(yield func(reflect.StructField) bool) {
		for _, f := range reflect.VisibleFields(t) {
			if f.IsExported() && !f.Anonymous && !yield(f) {
				return
			}
		}
	}
}
