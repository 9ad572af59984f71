package mapping

import (
	"fmt"
	"maps"
	"regexp"
	"slices"
	"strings"

	"tidegate/poct"
	"tidegate/wire/hl7"
)

var (
	analytes     = []string{"inr", "pt"}
	specimens    = []string{"capillary", "venous"}
	labSpecimens = []string{"capillary", "venous", "plasma"}
	statuses     = []string{string(poct.StatusPreliminary), string(poct.StatusFinal), string(poct.StatusCorrected), string(poct.StatusWithdrawn), string(poct.StatusCancelled)}
	loincForm    = regexp.MustCompile(`^[0-9]{1,7}-[0-9]$`)
	// sendable lists what not_sent may name.
	sendable = []string{
		poct.FieldSequence, poct.FieldOperator, poct.FieldBirthDate, poct.FieldFamily, poct.FieldGiven, poct.FieldSex,
		poct.FieldStripLot, poct.FieldStripExpires, "sent_at", "pt", "onboard", poct.FieldVisit, poct.FieldOrder,
		poct.FieldAskedAt, poct.FieldSampledAt, poct.FieldRunTime, poct.FieldHaematocrit, poct.FieldInterference,
	}
)

// Compile checks a profile. Keys of the faults are relative to the profile,
// such as "fields.meter"; with a fault the profile is nil.
func Compile(cfg ProfileConfig) (*Profile, []poct.KeyFault) {
	c := compiler{form: formOf(cfg.Format)}
	p := &Profile{
		id: cfg.ID, format: cfg.Format, model: cfg.Model, specimen: cfg.Specimen,
		rowsText: cfg.Rows, errors: maps.Clone(cfg.Errors), notSent: slices.Clone(cfg.NotSent),
	}
	if cfg.ID == "" {
		c.fault("id", "is missing", "give the profile a name, such as quill-hl7")
	}
	c.oneOf("format", cfg.Format, formNames())
	p.comparison = cfg.Kind == kindComparison
	if cfg.Kind != "" {
		c.oneOf("kind", cfg.Kind, []string{kindComparison})
	}
	if p.comparison {
		c.oneOf("specimen", cfg.Specimen, labSpecimens)
	} else {
		c.oneOf("specimen", cfg.Specimen, specimens)
	}
	if cfg.Model == "" {
		c.fault("model", "is missing", "write the meter model as the registry names it")
	}
	if c.form == nil {
		return nil, c.faults // without a format nothing else can be judged
	}
	p.limits = c.limits(cfg.MeasuringRange)
	p.match = c.conditions("match", cfg.Match)
	p.fields = c.fields(cfg.Fields, p.comparison)
	c.comparison(cfg, p)
	p.control = c.control(cfg.Control)
	p.results = c.results(cfg.Results)
	c.notSent(cfg)
	if !emptyCSV(cfg.CSV) && cfg.Format != formatCSV {
		c.fault("csv", "is for profiles of format csv", "remove it")
	}
	if cfg.Charset != "" && cfg.Format == formatCSV {
		c.fault("charset", "is not for profiles of format csv", "write csv.encoding")
	}
	p.fallback = c.charset("charset", cfg.Charset)
	c.recordSettings(cfg, p)
	if c.form.settle != nil {
		c.form.settle(&c, cfg, p)
	}
	if len(c.faults) > 0 {
		return nil, c.faults
	}
	return p, nil
}

// notSent checks what the profile says the meter lacks, also against what it reads.
func (c *compiler) notSent(cfg ProfileConfig) {
	f := cfg.Fields
	reads := map[string]bool{
		poct.FieldSequence: f.Sequence.set(), poct.FieldOperator: f.Operator.set(), poct.FieldBirthDate: f.BirthDate.set(),
		poct.FieldFamily: f.Family.set(), poct.FieldGiven: f.Given.set(), poct.FieldSex: f.Sex.set(),
		poct.FieldStripLot: f.StripLot.set(), poct.FieldStripExpires: f.StripExpires.set(), "sent_at": f.SentAt.set(),
		"onboard": f.Onboard.set(), poct.FieldVisit: f.Visit.set(), poct.FieldOrder: f.Order.set(),
		poct.FieldAskedAt: f.AskedAt.set(), poct.FieldSampledAt: f.SampledAt.set(), poct.FieldRunTime: f.RunTime.set(),
		poct.FieldHaematocrit: f.Haematocrit.set(), poct.FieldInterference: f.Interference.set(),
		"pt": slices.ContainsFunc(cfg.Results, func(r ResultConfig) bool { return r.Analyte == "pt" }),
	}
	for i, name := range cfg.NotSent {
		key := fmt.Sprintf("not_sent[%d]", i)
		switch {
		case !slices.Contains(sendable, name):
			c.fault(key, fmt.Sprintf("%q is no field that a meter may lack", name), "write one of "+strings.Join(sendable, ", "))
		case reads[name]:
			c.fault(key, fmt.Sprintf("%q is read by this profile as well", name), "remove one of the two")
		}
	}
}

const kindComparison = "comparison"

// comparison checks what tells a laboratory's own results from a meter's.
func (c *compiler) comparison(cfg ProfileConfig, p *Profile) {
	p.compared = c.conditions("comparison.when", cfg.Comparison.When)
	p.comparisonSpecimen = cfg.Specimen
	if s := cfg.Comparison.Specimen; s != "" {
		c.oneOf("comparison.specimen", s, labSpecimens)
		p.comparisonSpecimen = s
	}
	switch {
	case p.comparison && (len(p.compared) > 0 || cfg.Comparison.Specimen != ""):
		c.fault("comparison", "has no effect beside kind: comparison", "remove one of the two")
	case len(p.compared) == 0 && cfg.Comparison.Specimen != "":
		c.fault("comparison.when", "is missing", "say what marks a laboratory's own result, or remove comparison")
	}
	if p.comparison && !p.fields.meter.on && !p.fields.sequence.on {
		c.fault("fields.sequence", "is missing", "say where the laboratory's own number of the result stands, such as the filler order number: it tells its results apart")
	}
}

// recordSettings checks what some formats alone may set.
func (c *compiler) recordSettings(cfg ProfileConfig, p *Profile) {
	lis := c.form.name == formatLIS
	for _, s := range []struct {
		key     string
		written bool
		works   bool
	}{
		{"rows", cfg.Rows != "", c.form.rows != nil}, {"decimal", cfg.Decimal != "", c.form.rows != nil || lis}, {"escapes", cfg.Escapes != "", lis},
		{"poct1a", cfg.POCT1A.set(), c.form.name == formatPOCT1A},
	} {
		if s.written && !s.works {
			c.fault(s.key, "has no effect in a profile of format "+cfg.Format, "remove it")
		}
	}
	if c.form.rows != nil {
		var ok bool
		if p.rowsAt, ok = c.form.rows(cfg.Rows); !ok {
			c.fault("rows", fmt.Sprintf("%q is not a place of records", cfg.Rows), c.form.rowsForm)
		}
	}
	switch cfg.Decimal {
	case "", ".":
	case ",":
		p.comma = true
	default:
		c.fault("decimal", fmt.Sprintf("%q is not known", cfg.Decimal), `write "." or ","`)
	}
}

func (c *compiler) control(cfg ControlConfig) control {
	out := control{
		when: c.conditions("control.when", cfg.When),
		lot:  c.field("control.lot", cfg.Lot), level: c.field("control.level", cfg.Level),
	}
	if len(out.when) > 0 && !out.lot.on {
		c.fault("control.lot", "is missing", "say where the control lot stands: a control without it is held")
	}
	if len(out.when) > 0 && !out.level.on {
		c.fault("control.level", "is missing", "say where the control's level stands: a control without it is held")
	}
	return out
}

type compiler struct {
	form   *form
	faults []poct.KeyFault
}

func (c *compiler) fault(key, what, instead string) {
	c.faults = append(c.faults, poct.KeyFault{Key: key, What: what, Instead: instead})
}

func (c *compiler) oneOf(key, value string, words []string) {
	switch {
	case value == "":
		c.fault(key, "is missing", "write "+strings.Join(words, " or "))
	case !slices.Contains(words, value):
		c.fault(key, fmt.Sprintf("%q is not known", value), "write "+strings.Join(words, " or "))
	}
}

func (c *compiler) limits(r RangeConfig) poct.MeasuringRange {
	out := poct.MeasuringRange{}
	for _, l := range []struct {
		key, text string
		to        *poct.Number
	}{{"measuring_range.low", r.Low, &out.Low}, {"measuring_range.high", r.High, &out.High}} {
		if l.text == "" {
			continue
		}
		n, err := poct.ParseNumber(l.text)
		if err != nil || !n.Exact() {
			c.fault(l.key, fmt.Sprintf("%q is not a decimal number", l.text), `write it in quotes, such as "0.7"`)
			continue
		}
		*l.to = n
	}
	if !out.Low.IsZero() && !out.High.IsZero() && out.Low.Cmp(out.High) >= 0 {
		c.fault("measuring_range.high", "is not above measuring_range.low", "write the highest INR that the model reports")
	}
	return out
}

func (c *compiler) charset(key, name string) hl7.Charset {
	if name == "" {
		return hl7.NoCharset
	}
	set, ok := hl7.ParseCharset(name)
	if !ok {
		c.fault(key, fmt.Sprintf("%q is not known", name), "write windows-1252, iso-8859-1 or iso-8859-15")
	}
	return set
}

func (c *compiler) place(key, at string) place {
	out, ok := c.form.place(at)
	if !ok {
		c.fault(key, fmt.Sprintf("%q is not a place in a message of format %s", at, c.form.name), c.form.places)
	}
	out.text = at
	return out
}

// conditions in the order of their keys, so that the same profile always
// reads alike.
func (c *compiler) conditions(key string, m map[string]Values) []condition {
	var out []condition
	for _, at := range slices.Sorted(maps.Keys(m)) {
		if len(m[at]) == 0 {
			c.fault(key+"."+at, "has no value to compare with", "write one value or a list")
			continue
		}
		out = append(out, condition{at: c.place(key+"."+at, at), in: m[at]})
	}
	return out
}

func emptyCSV(c CSVConfig) bool {
	return c.Delimiter == "" && c.Decimal == "" && c.Encoding == "" && c.Header == nil && c.Ignore == nil
}
