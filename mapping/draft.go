package mapping

import (
	"bytes"
	"fmt"
	"maps"
	"slices"
	"strings"

	"tidegate/poct"
	"tidegate/wire/hl7"
)

// Proposal is a profile drafted from samples, and what its author is unsure
// of. It compiles, and holds no patient's value: samples are shown as shapes.
type Proposal struct {
	Config ProfileConfig
	Unsure []Doubt
	From   []int // which of the samples it was drafted from
}

// Doubt is something that a person has to decide or to look up.
type Doubt struct {
	Key  string `json:"key"` // of the profile, such as fields.patient
	What string `json:"what"`
}

// Draft proposes a profile for each format, and for HL7 each sending program
// (MSH-3.1), among the samples. refused says by their index which samples
// cannot be drafted from, and why.
func Draft(samples [][]byte) (list []Proposal, refused map[int]string) {
	refused = map[int]string{}
	groups := map[string]*drafted{}
	var order []string
	for i, raw := range samples {
		f := formFor(poct.Arrival{Raw: raw})
		if f.draft == nil {
			refused[i] = "no profile can be drafted from messages of format " + f.name + " yet"
			continue
		}
		messages := [][]byte{raw}
		if f.name == formatHL7 {
			messages = nil
			parts, _ := hl7.SplitBatch(raw)
			for _, p := range parts {
				messages = append(messages, p.Raw)
			}
		}
		for _, m := range messages {
			key, problem := f.draftKey(m)
			if problem != "" {
				refused[i] = problem
				continue
			}
			key = f.name + " " + key
			g := groups[key]
			if g == nil {
				g = &drafted{form: f, key: key}
				groups[key], order = g, append(order, key)
			}
			g.messages = append(g.messages, m)
			if !slices.Contains(g.from, i) {
				g.from = append(g.from, i)
			}
		}
	}
	taken := map[string]int{}
	for _, key := range order {
		g := groups[key]
		p := g.propose()
		if taken[p.Config.ID]++; taken[p.Config.ID] > 1 {
			p.Config.ID = fmt.Sprintf("%s-%d", p.Config.ID, taken[p.Config.ID])
		}
		list = append(list, p)
	}
	return list, refused
}

// Unframed takes MLLP framing off captured messages; other bytes come back as
// they are.
func Unframed(raw []byte) []byte {
	if len(raw) == 0 || raw[0] != 0x0b {
		return raw
	}
	var out []byte
	for _, part := range bytes.Split(raw, []byte{0x0b}) {
		part, _, _ = bytes.Cut(part, []byte{0x1c})
		out = append(out, part...)
	}
	return out
}

// drafted is a profile in the making.
type drafted struct {
	form     *form
	key      string
	messages [][]byte
	from     []int
	cfg      ProfileConfig
	unsure   []Doubt
}

func (g *drafted) doubt(key, format string, args ...any) {
	g.unsure = append(g.unsure, Doubt{Key: key, What: fmt.Sprintf(format, args...)})
}

// propose lets the format look, then adds what no sample can tell.
func (g *drafted) propose() Proposal {
	g.cfg = ProfileConfig{Format: g.form.name, Specimen: "capillary"}
	g.doubt("specimen", "no sample can tell how the blood was taken; capillary is a fingerstick")
	g.form.draft(g)
	if g.cfg.Model == "" {
		g.cfg.Model = "MODEL"
	}
	g.doubt("model", "write it as the registry's meters have it")
	g.doubt("measuring_range", "write the lowest and highest INR from the model's instructions, such as {low: \"0.8\", high: \"8.0\"}")
	if g.cfg.ID == "" {
		g.cfg.ID = "drafted-" + g.form.name
	}
	if g.cfg.Errors == nil {
		g.doubt("errors", "no error code was seen; write the model's codes in words, and try a sample with one")
	}
	if len(g.cfg.Control.When) == 0 {
		g.doubt("control", "nothing in the samples marks a control measurement; without it controls are taken for patients. Add a sample of each level")
	}
	if lacks := g.lacks(); len(lacks) > 0 {
		g.doubt("not_sent", "no sample holds %s. Where the model never sends one of them, list it in not_sent: checks on it are then not asked", strings.Join(lacks, ", "))
	}
	return Proposal{Config: g.cfg, Unsure: g.unsure, From: g.from}
}

func (g *drafted) lacks() []string {
	f := g.cfg.Fields
	var out []string
	for _, x := range []struct {
		name string
		set  bool
	}{
		{poct.FieldSequence, f.Sequence.set()}, {poct.FieldOperator, f.Operator.set()}, {poct.FieldBirthDate, f.BirthDate.set()}, {poct.FieldStripLot, f.StripLot.set()},
		{"pt", slices.ContainsFunc(g.cfg.Results, func(r ResultConfig) bool { return r.Analyte == "pt" })},
	} {
		if !x.set {
			out = append(out, x.name)
		}
	}
	return out
}

// analyteCodes are LOINC codes under which INR and PT in seconds are commonly
// sent, and the specimen that each is of.
var analyteCodes = map[string]struct{ analyte, specimen string }{
	"46418-0": {"inr", "capillary"}, "34714-6": {"inr", "blood"}, "6301-6": {"inr", "plasma"}, "38875-1": {"inr", "plasma or blood"},
	"46417-2": {"pt", "capillary"}, "5964-2": {"pt", "blood"}, "5902-2": {"pt", "plasma"},
}

// sendAs is the code that a capillary result is filed under.
var sendAs = map[string]string{"inr": "46418-0", "pt": "46417-2"}

// unitWords are ways of writing the two units (common practice, no source).
var unitWords = map[string][]string{
	"inr": {"{inr}", "inr", "ratio", "{ratio}", "1", ""},
	"pt":  {"s", "sec", "secs", "sec.", "second", "seconds"},
}

// units maps what was seen; what is not known is left out, and said.
func (g *drafted) units(key, analyte string, seen []string) map[string]string {
	out := map[string]string{}
	for _, u := range seen {
		if !slices.Contains(unitWords[analyte], strings.ToLower(u)) {
			g.doubt(key, "the unit %q was seen and is none that is known for %s; a result with it is held", u, strings.ToUpper(analyte))
			continue
		}
		out[u] = ucum[analyte]
		if u == "" {
			g.doubt(key, "some samples send no unit for %s; the draft takes that for %s", strings.ToUpper(analyte), ucum[analyte])
		}
	}
	if len(out) == 0 {
		out[ucum[analyte]] = ucum[analyte]
		g.doubt(key, "no unit was seen for %s", strings.ToUpper(analyte))
	}
	return out
}

// errorCodes proposes codes that stood where a value should.
func (g *drafted) errorCodes(values []string) {
	for _, v := range values {
		if errorForm.MatchString(v) {
			if g.cfg.Errors == nil {
				g.cfg.Errors = map[string]string{}
				g.doubt("errors", "write what the model's instructions say of each code")
			}
			g.cfg.Errors[v] = "Error " + v + " of the meter."
		}
	}
}

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
			w.b.WriteString(indent + "# unsure: " + d.Key + ": " + d.What + "\n")
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

// yamlText writes a text plainly where that cannot be read as anything else.
func yamlText(s string) string {
	if plainText.MatchString(s) && !slices.Contains([]string{"true", "false", "yes", "no", "on", "off", "null", "y", "n"}, strings.ToLower(s)) {
		return s
	}
	if !strings.ContainsAny(s, "'\n\r\t") && strings.ContainsAny(s, `"\`) {
		return "'" + s + "'"
	}
	return quoteYAML(s)
}
