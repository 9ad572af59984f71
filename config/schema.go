package config

import (
	"encoding/json"
	"reflect"
	"strings"

	"github.com/invopop/jsonschema"

	"tidegate/mapping"
	"tidegate/outbound"
	"tidegate/poct"
	"tidegate/validate"
)

const durationPattern = `^([0-9]+(\.[0-9]+)?(ns|us|ms|s|m|h))+$`

// Schema is the JSON schema of the configuration, for editors. It knows every
// key and the form of its value; what must agree between keys only Load knows.
func Schema() ([]byte, error) {
	s := reflectSchema(reflect.TypeFor[Config]())
	s.Version = jsonschema.Version
	s.Title = "tidegate configuration"
	s.Required = []string{"version", "data_dir", "ledger", "profiles", "inlets", "outlets"}
	return json.MarshalIndent(s, "", "  ")
}

func reflectSchema(t reflect.Type) *jsonschema.Schema {
	r := jsonschema.Reflector{
		FieldNameTag: "yaml", Anonymous: true, DoNotReference: true, RequiredFromJSONSchemaTags: true, Mapper: special,
	}
	s := r.ReflectFromType(t)
	s.Version = ""
	return s
}

// special gives the schemas of types that are written in another form than
// their Go type tells.
func special(t reflect.Type) *jsonschema.Schema {
	text := &jsonschema.Schema{Type: "string"}
	switch t {
	case durationType:
		return &jsonschema.Schema{Type: "string", Pattern: durationPattern, Description: "a duration such as 30s, 15m or 24h"}
	case reflect.TypeFor[mapping.Values]():
		return &jsonschema.Schema{OneOf: []*jsonschema.Schema{scalar(), {Type: "array", Items: scalar()}}}
	case reflect.TypeFor[mapping.FieldConfig]():
		type keys mapping.FieldConfig // without its own reading, so that this is not asked again
		return &jsonschema.Schema{OneOf: []*jsonschema.Schema{text, reflectSchema(reflect.TypeFor[keys]())}}
	case reflect.TypeFor[Inlet]():
		type keys Inlet
		return kindsSchema(&Inlet{}, reflect.TypeFor[keys](), "id", "kind")
	case reflect.TypeFor[outbound.Config]():
		type keys outbound.Config
		return kindsSchema(&outbound.Config{}, reflect.TypeFor[keys](), "id", "kind", "sites")
	case reflect.TypeFor[validate.Config]():
		return checksSchema()
	case reflect.TypeFor[poct.RegistryKind]():
		for _, k := range kinds {
			text.Enum = append(text.Enum, k)
		}
		return text
	}
	return nil
}

// scalar is a text that may be written without quotes whatever it looks like.
func scalar() *jsonschema.Schema {
	return &jsonschema.Schema{OneOf: []*jsonschema.Schema{{Type: "string"}, {Type: "number"}, {Type: "boolean"}}}
}

// kindsSchema is one alternative for each kind of a place: the keys of all
// kinds and its own.
func kindsSchema(place kinded, common reflect.Type, required ...string) *jsonschema.Schema {
	all := &jsonschema.Schema{}
	for _, kind := range place.Kinds() {
		s := reflectSchema(common)
		part := reflectSchema(reflect.TypeOf(place.Part(kind)).Elem())
		for p := part.Properties.Oldest(); p != nil; p = p.Next() {
			s.Properties.Set(p.Key, p.Value)
		}
		s.Properties.Set("kind", &jsonschema.Schema{Const: kind})
		s.Required = required
		all.OneOf = append(all.OneOf, s)
	}
	return all
}

// checksSchema lists the checks with their keys, and the same for each site.
func checksSchema() *jsonschema.Schema {
	block, site := object(), object()
	for _, c := range validate.Checks() {
		keys := object()
		keys.Description = c.Title
		keys.Properties.Set("severity", &jsonschema.Schema{Enum: []any{poct.Hold, poct.Flag, poct.Note}})
		keys.Properties.Set("off", &jsonschema.Schema{Type: "boolean"})
		for _, k := range c.Keys {
			s := keySchema(k)
			s.Description = strings.TrimSpace(k.Means + " " + defaultText(k))
			keys.Properties.Set(k.Name, s)
		}
		block.Properties.Set(c.Code, keys)
		site.Properties.Set(c.Code, keys)
	}
	local := localSchema()
	block.Properties.Set("local", local)
	site.Properties.Set("local", local)
	block.Properties.Set("sites", &jsonschema.Schema{Type: "object", AdditionalProperties: site})
	return block
}

// localSchema is the list of the laboratory's own rules.
func localSchema() *jsonschema.Schema {
	rule := object()
	for _, k := range validate.LocalKeys() {
		s := &jsonschema.Schema{Type: "string"}
		switch {
		case k.Name == "off":
			s.Type = "boolean"
		case k.Kind == validate.Choice:
			s = keySchema(k)
		}
		s.Description = strings.TrimSpace(k.Means + " " + defaultText(k))
		rule.Properties.Set(k.Name, s)
	}
	rule.Required = []string{"code"}
	return &jsonschema.Schema{Type: "array", Items: rule}
}

func keySchema(k validate.Key) *jsonschema.Schema {
	switch k.Kind {
	case validate.Decimal:
		return &jsonschema.Schema{Type: "string", Pattern: `^[+-]?[0-9]+(\.[0-9]+)?$`}
	case validate.Duration:
		return &jsonschema.Schema{Type: "string", Pattern: durationPattern}
	case validate.Texts:
		return &jsonschema.Schema{Type: "array", Items: &jsonschema.Schema{Type: "string"}}
	case validate.Choice:
		s := &jsonschema.Schema{Type: "string"}
		for _, option := range k.Options {
			s.Enum = append(s.Enum, option)
		}
		return s
	default:
		return &jsonschema.Schema{Type: "object"}
	}
}

func defaultText(k validate.Key) string {
	if k.Default == "" {
		return ""
	}
	return "(" + k.Default + " if left out)"
}

func object() *jsonschema.Schema {
	return &jsonschema.Schema{Type: "object", Properties: jsonschema.NewProperties(), AdditionalProperties: jsonschema.FalseSchema}
}
