package mapping

import (
	"bytes"
	"fmt"
	"slices"
	"strings"

	"tidegate/poct"
	"tidegate/wire/astm"
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

// Draft proposes a profile for each kind of message among the samples: each
// format, and within it each sending program (MSH-3.1, H.5), header of a table
// or root element. refused says by their index which samples
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
		for _, m := range messagesIn(f.name, raw) {
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

// messagesIn divides a sample where a format has several messages in one file.
func messagesIn(format string, raw []byte) [][]byte {
	var out [][]byte
	switch format {
	case formatHL7:
		parts, _ := hl7.SplitBatch(raw)
		for _, p := range parts {
			out = append(out, p.Raw)
		}
	case formatLIS:
		pieces, rest := astm.Assembly{}.Add(raw, false)
		for _, p := range append(pieces, rest.End()...) {
			out = append(out, p.Raw)
		}
	}
	if len(out) < 2 {
		return [][]byte{raw}
	}
	return out
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
	if len(g.cfg.Control.When) == 0 && !slices.ContainsFunc(g.unsure, func(d Doubt) bool { return d.Key == "control" }) {
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
