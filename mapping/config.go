package mapping

import (
	"github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/ast"
)

// ProfileConfig is how the messages of one meter model are read, as an
// integration engineer writes it.
type ProfileConfig struct {
	ID     string `yaml:"id"`
	Format string `yaml:"format"` // hl7v2, lis02, csv, json, xml ...
	Model  string `yaml:"model"`
	// Kind is empty for a meter's profile; comparison for a laboratory's own
	// results, which are compared with meters' and never sent on.
	Kind string `yaml:"kind,omitempty"`
	// Match chooses between several profiles of an inlet: each place must hold
	// one of its values. Empty fits everything of the format.
	Match          map[string]Values `yaml:"match,omitempty"`
	Specimen       string            `yaml:"specimen"` // capillary or venous; plasma for comparisons
	MeasuringRange RangeConfig       `yaml:"measuring_range,omitempty"`
	// Charset reads bytes that are not UTF-8 in a message that declares no
	// character set: windows-1252, iso-8859-1 or iso-8859-15. A csv profile has
	// csv.encoding instead.
	Charset string `yaml:"charset,omitempty"`
	// Rows is where the records of a json or xml file stand: a list, each of
	// its members a record, or one record. Left out: the file is one record, or
	// a JSON list of records.
	Rows    string       `yaml:"rows,omitempty"`
	Decimal string       `yaml:"decimal,omitempty"` // json, xml, lis02: "." or ","; "." if left out
	Escapes string       `yaml:"escapes,omitempty"` // lis02: none where the sender knows no escapes; standard if left out
	CSV     CSVConfig    `yaml:"csv,omitempty"`
	POCT1A  POCT1AConfig `yaml:"poct1a,omitempty"`

	Fields     FieldsConfig     `yaml:"fields"`
	Control    ControlConfig    `yaml:"control,omitempty"`
	Comparison ComparisonConfig `yaml:"comparison,omitempty"`
	Results    []ResultConfig   `yaml:"results"`
	// Errors are the model's error codes in words. A record whose value is one
	// of them is a device event, not a result.
	Errors  map[string]string `yaml:"errors,omitempty"`
	NotSent []string          `yaml:"not_sent,omitempty"` // fields that the model never sends: checks on them are not asked
}

// FieldsConfig says where each field of a reading stands. One left out is not read.
type FieldsConfig struct {
	Meter        FieldConfig `yaml:"meter,omitempty"`
	Sequence     FieldConfig `yaml:"sequence,omitempty"`
	TestedAt     FieldConfig `yaml:"tested_at,omitempty"`
	SentAt       FieldConfig `yaml:"sent_at,omitempty"` // hl7v2: MSH-7 if left out, lis02: H.14
	Operator     FieldConfig `yaml:"operator,omitempty"`
	Patient      FieldConfig `yaml:"patient,omitempty"`
	BirthDate    FieldConfig `yaml:"birth_date,omitempty"`
	Family       FieldConfig `yaml:"family,omitempty"`
	Given        FieldConfig `yaml:"given,omitempty"`
	Sex          FieldConfig `yaml:"sex,omitempty"`
	StripLot     FieldConfig `yaml:"strip_lot,omitempty"`
	StripExpires FieldConfig `yaml:"strip_expires,omitempty"`
	// Onboard is the strip's own control. Its values map to pass and fail; a
	// text that they do not name counts as fail.
	Onboard FieldConfig `yaml:"onboard,omitempty"`
	// Error is an error code beside the value.
	Error FieldConfig `yaml:"error,omitempty"`
	// Status is what the meter says of its result. hl7v2: OBX-11 by HL7 table
	// 0085 if left out; lis02: R.9; others: final if left out. Its values map to
	// preliminary, final, corrected, withdrawn or cancelled.
	Status FieldConfig `yaml:"status,omitempty"`
	Visit  FieldConfig `yaml:"visit,omitempty"`
	Order  FieldConfig `yaml:"order,omitempty"`
	// Of the run itself: when the meter asked for the sample, when the sample
	// was on the strip, and the seconds from there to the result.
	AskedAt   FieldConfig `yaml:"asked_at,omitempty"`
	SampledAt FieldConfig `yaml:"sampled_at,omitempty"`
	RunTime   FieldConfig `yaml:"run_time,omitempty"`
	// Haematocrit in percent. Interference is every note at its place of what
	// may disturb the test; its values may map a note to "", which says nothing.
	Haematocrit  FieldConfig `yaml:"haematocrit,omitempty"`
	Interference FieldConfig `yaml:"interference,omitempty"`
}

// FieldConfig is one place, written as a text alone or with how to read it.
type FieldConfig struct {
	At string `yaml:"at"` // hl7v2: PID-3.1; lis02: P.6.1; csv: the column's name
	// CEL computes the text from other places, instead of At: at("PLACE") is
	// the text there. It is one expression of the Common Expression Language.
	CEL       string            `yaml:"cel,omitempty"`
	Where     map[string]Values `yaml:"where,omitempty"`     // only in a segment or row with these values
	Type      string            `yaml:"type,omitempty"`      // patient: identifier type, CX.5
	Authority string            `yaml:"authority,omitempty"` // patient: assigning authority, CX.4
	Zone      string            `yaml:"zone,omitempty"`      // times without offset: "site" or an IANA name
	Layout    string            `yaml:"layout,omitempty"`    // times and dates: Unicode date pattern
	Pattern   string            `yaml:"pattern,omitempty"`   // regular expression; its first group is the value
	Values    map[string]string `yaml:"values,omitempty"`    // what the meter writes -> the word it means
}

// UnmarshalYAML reads a field written as a text alone, or as a map.
func (f *FieldConfig) UnmarshalYAML(decode func(any) error) error {
	if at := ""; decode(&at) == nil {
		*f = FieldConfig{At: at}
		return nil
	}
	type plain FieldConfig // without this method
	return decode((*plain)(f))
}

// set reports whether the field was written at all.
func (f FieldConfig) set() bool {
	return f.At != "" || f.CEL != "" || f.Where != nil || f.Type != "" || f.Authority != "" || f.Zone != "" ||
		f.Layout != "" || f.Pattern != "" || f.Values != nil
}

// Values is one text or a list of them.
type Values []string

// UnmarshalYAML reads a text alone, or a list. It takes the text as written:
// read as a number, 007 would become 7.
func (v *Values) UnmarshalYAML(node ast.Node) error {
	if list, ok := node.(*ast.SequenceNode); ok {
		*v = make(Values, 0, len(list.Values))
		for _, n := range list.Values {
			if err := v.add(n); err != nil {
				return err
			}
		}
		return nil
	}
	*v = nil
	return v.add(node)
}

func (v *Values) add(node ast.Node) error {
	if _, ok := node.(ast.ScalarNode); !ok {
		return &yaml.UnexpectedNodeTypeError{Actual: node.Type(), Expected: ast.StringType, Token: node.GetToken()}
	}
	*v = append(*v, node.GetToken().Value)
	return nil
}

// RangeConfig is the measuring range of a model for INR, as quoted decimals.
type RangeConfig struct {
	Low  string `yaml:"low,omitempty"`
	High string `yaml:"high,omitempty"`
}

// CSVConfig is how a CSV file is written.
type CSVConfig struct {
	Delimiter string `yaml:"delimiter,omitempty"` // one character, "," if left out
	Decimal   string `yaml:"decimal,omitempty"`   // "." or ","; "." if left out
	// Encoding reads files that have no byte order mark and are not UTF-8:
	// windows-1252, iso-8859-1 or iso-8859-15.
	Encoding string `yaml:"encoding,omitempty"`
	// Header names the columns of files that have no header line.
	Header []string `yaml:"header,omitempty"`
	// Ignore lists columns that the profile does not use; "*" stands for any.
	// A column named nowhere makes the file unreadable: it may change what the
	// others mean.
	Ignore []string `yaml:"ignore,omitempty"`
}

// ComparisonConfig tells a laboratory's own results from a meter's where both
// come in under one profile.
type ComparisonConfig struct {
	When     map[string]Values `yaml:"when,omitempty"`
	Specimen string            `yaml:"specimen,omitempty"` // the profile's if left out
}

// ControlConfig tells control measurements from patients'.
type ControlConfig struct {
	When  map[string]Values `yaml:"when,omitempty"` // each place holds one of its values: a control
	Lot   FieldConfig       `yaml:"lot,omitempty"`
	Level FieldConfig       `yaml:"level,omitempty"`
}

// ResultConfig is one analyte.
type ResultConfig struct {
	Analyte string            `yaml:"analyte"` // inr or pt
	Where   map[string]Values `yaml:"where,omitempty"`
	Value   FieldConfig       `yaml:"value,omitempty"` // hl7v2: OBX-5 if left out; csv: the column's name
	Unit    FieldConfig       `yaml:"unit,omitempty"`  // hl7v2: OBX-6.1 if left out; csv: a UCUM code as text, or {at: column}
	LOINC   string            `yaml:"loinc"`
	Units   map[string]string `yaml:"units,omitempty"` // unit as sent -> UCUM code
}
