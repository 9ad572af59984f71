package mapping

import (
	"fmt"
	"maps"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"unicode"
)

// YAML writes the profile as an item of the list `profiles`, each doubt as a
// comment above what it is about.
func (p Proposal) YAML() string {
	w := yamlWriter{unsure: p.Unsure, told: map[string]bool{}}
	c := p.Config
	w.line("", "- id: "+yamlText(c.ID))
	w.line("format", "  format: "+c.Format)
	w.line("model", "  model: "+yamlText(c.Model))
	w.when("match", "  match: ", c.Match)
	w.line("specimen", "  specimen: "+c.Specimen)
	w.comment("measuring_range", "  ")
	for _, x := range []struct{ key, text string }{{"charset", c.Charset}, {"rows", c.Rows}, {"decimal", c.Decimal}} {
		if w.comment(x.key, "  "); x.text != "" {
			w.line("", "  "+x.key+": "+yamlText(x.text))
		}
	}
	if !emptyCSV(c.CSV) {
		w.line("csv", "  csv: "+csvYAML(c.CSV))
	}
	w.line("fields", "  fields:")
	for _, f := range c.Fields.named() {
		if w.comment("fields."+f.name, "    "); f.FieldConfig.set() {
			w.line("", "    "+f.name+": "+fieldYAML(*f.FieldConfig))
		}
	}
	w.comment("control", "  ")
	w.comment("control.when", "  ")
	w.comment("control.lot", "  ")
	w.comment("control.level", "  ")
	if len(c.Control.When) > 0 {
		w.line("", "  control:")
		w.line("", "    when: "+whenYAML(c.Control.When))
		w.line("", "    lot: "+fieldYAML(c.Control.Lot))
		w.line("", "    level: "+fieldYAML(c.Control.Level))
	}
	w.line("results", "  results:")
	for i, r := range c.Results {
		w.comment(fmt.Sprintf("results[%d]", i), "    ")
		w.line("", "    - "+resultYAML(r))
	}
	if w.comment("errors", "  "); c.Errors != nil {
		w.line("", "  errors: "+mapYAML(c.Errors))
	}
	w.comment("not_sent", "  ")
	for _, d := range p.Unsure { // what is about nothing that was written
		if !w.told[d.Key] {
			w.comment(d.Key, "  ")
		}
	}
	return w.b.String()
}

type yamlWriter struct {
	b      strings.Builder
	unsure []Doubt
	told   map[string]bool
}

// comment writes the doubts about a key.
func (w *yamlWriter) comment(key, indent string) {
	if w.told[key] {
		return
	}
	w.told[key] = true
	for _, d := range w.unsure {
		if d.Key == key {
			text := strings.Map(func(r rune) rune {
				if unprintable(r) {
					return ' '
				}
				return r
			}, d.What)
			w.b.WriteString(indent + "# unsure: " + d.Key + ": " + text + "\n")
		}
	}
}

func (w *yamlWriter) line(key, text string) {
	if key != "" {
		w.comment(key, text[:len(text)-len(strings.TrimLeft(text, " "))])
	}
	w.b.WriteString(text + "\n")
}

func (w *yamlWriter) when(key, head string, m map[string]Values) {
	if w.comment(key, "  "); len(m) > 0 {
		w.line("", head+whenYAML(m))
	}
}

// named lists the fields in the order of the documentation.
func (f *FieldsConfig) named() []struct {
	name string
	*FieldConfig
} {
	return []struct {
		name string
		*FieldConfig
	}{
		{"meter", &f.Meter}, {"sequence", &f.Sequence}, {"tested_at", &f.TestedAt}, {"sent_at", &f.SentAt}, {"operator", &f.Operator},
		{"patient", &f.Patient}, {"birth_date", &f.BirthDate}, {"family", &f.Family}, {"given", &f.Given}, {"sex", &f.Sex},
		{"strip_lot", &f.StripLot}, {"strip_expires", &f.StripExpires}, {"onboard", &f.Onboard}, {"error", &f.Error}, {"status", &f.Status},
		{"visit", &f.Visit}, {"order", &f.Order}, {"asked_at", &f.AskedAt}, {"sampled_at", &f.SampledAt}, {"run_time", &f.RunTime},
		{"haematocrit", &f.Haematocrit}, {"interference", &f.Interference},
	}
}

func fieldYAML(f FieldConfig) string {
	if f.Where == nil && f.Type == "" && f.Authority == "" && f.Zone == "" && f.Layout == "" && f.Pattern == "" && f.Values == nil && f.CEL == "" {
		return yamlText(f.At)
	}
	var parts []string
	for _, x := range []struct{ key, text string }{{"at", f.At}, {"cel", f.CEL}, {"type", f.Type}, {"authority", f.Authority}, {"layout", f.Layout}, {"zone", f.Zone}, {"pattern", f.Pattern}} {
		if x.text != "" {
			parts = append(parts, x.key+": "+yamlText(x.text))
		}
	}
	if f.Where != nil {
		parts = append(parts, "where: "+whenYAML(f.Where))
	}
	if f.Values != nil {
		parts = append(parts, "values: "+mapYAML(f.Values))
	}
	return "{" + strings.Join(parts, ", ") + "}"
}

func whenYAML(m map[string]Values) string {
	var parts []string
	for _, at := range slices.Sorted(maps.Keys(m)) {
		var list []string
		for _, v := range m[at] {
			list = append(list, yamlText(v))
		}
		parts = append(parts, yamlText(at)+": ["+strings.Join(list, ", ")+"]")
	}
	return "{" + strings.Join(parts, ", ") + "}"
}

func mapYAML(m map[string]string) string {
	var parts []string
	for _, k := range slices.Sorted(maps.Keys(m)) {
		parts = append(parts, yamlText(k)+": "+yamlText(m[k]))
	}
	return "{" + strings.Join(parts, ", ") + "}"
}

func resultYAML(r ResultConfig) string {
	parts := []string{"analyte: " + r.Analyte}
	if r.Where != nil {
		parts = append(parts, "where: "+whenYAML(r.Where))
	}
	if r.Value.set() {
		parts = append(parts, "value: "+fieldYAML(r.Value))
	}
	if r.Unit.set() {
		parts = append(parts, "unit: "+fieldYAML(r.Unit))
	}
	parts = append(parts, "loinc: "+r.LOINC)
	if r.Units != nil {
		parts = append(parts, "units: "+mapYAML(r.Units))
	}
	return "{" + strings.Join(parts, ", ") + "}"
}

func csvYAML(c CSVConfig) string {
	var parts []string
	for _, x := range []struct{ key, text string }{{"delimiter", c.Delimiter}, {"decimal", c.Decimal}, {"encoding", c.Encoding}} {
		if x.text != "" {
			parts = append(parts, x.key+": "+yamlText(x.text))
		}
	}
	for _, x := range []struct {
		key  string
		list []string
	}{{"header", c.Header}, {"ignore", c.Ignore}} {
		if x.list != nil {
			var list []string
			for _, v := range x.list {
				list = append(list, yamlText(v))
			}
			parts = append(parts, x.key+": ["+strings.Join(list, ", ")+"]")
		}
	}
	return "{" + strings.Join(parts, ", ") + "}"
}

func unprintable(r rune) bool { return !unicode.IsPrint(r) }

// yamlText writes a text plainly where that cannot be read as anything else.
func yamlText(s string) string {
	if plainText.MatchString(s) && !slices.Contains([]string{"true", "false", "yes", "no", "on", "off", "null", "y", "n"}, strings.ToLower(s)) {
		return s
	}
	if !strings.Contains(s, "'") && strings.ContainsAny(s, `"\`) && !strings.ContainsFunc(s, unprintable) {
		return "'" + s + "'"
	}
	return strconv.Quote(s) // its escapes are YAML's too (YAML 1.2.2, 5.7)
}

var plainText = regexp.MustCompile(`^[A-Za-z/][A-Za-z0-9_./()-]*$`)
