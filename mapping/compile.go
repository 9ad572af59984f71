package mapping

import (
	"fmt"
	"maps"
	"regexp"
	"slices"
	"strings"
	"time"

	"tidegate/poct"
	"tidegate/wire/hl7"
)

// Profile is a checked ProfileConfig, ready to read with. It is safe for
// concurrent use.
type Profile struct {
	id       string
	format   string
	model    string
	specimen string
	limits   poct.MeasuringRange
	match    []condition
	fields   fields
	control  control
	results  []result
	errors   map[string]string
	notSent  []string
	fallback hl7.Charset // of bytes that are not UTF-8; csv has its own
	csv      csvForm
	rowsAt   any // json, xml: where the records stand
	rowsText string
	comma    bool // decimal comma

	noEscapes bool // lis02: the sender knows no escapes
	poct1a    POCT1AConfig

	// A laboratory's own results: all of the profile's, or those under these
	// conditions.
	comparison         bool
	compared           []condition
	comparisonSpecimen string
}

// ID of the profile in the configuration.
func (p *Profile) ID() string { return p.id }

// fields in the form they are read with; see FieldsConfig.
type fields struct {
	meter, sequence, testedAt, sentAt, operator, patient, birthDate, family, given, sex,
	stripLot, stripExpires, onboard, deviceError, status, visit, order,
	askedAt, sampledAt, runTime, haematocrit, interference field
}

type control struct {
	when       []condition
	lot, level field
}

// all lists every field that is read, the control's too.
func (f *fields) all(c *control) []*field {
	return []*field{
		&f.meter, &f.sequence, &f.testedAt, &f.sentAt, &f.operator, &f.patient, &f.birthDate, &f.family, &f.given, &f.sex,
		&f.stripLot, &f.stripExpires, &f.onboard, &f.deviceError, &f.status, &f.visit, &f.order,
		&f.askedAt, &f.sampledAt, &f.runTime, &f.haematocrit, &f.interference, &c.lot, &c.level,
	}
}

type result struct {
	analyte string
	where   []condition
	value   field
	unit    field
	fixed   string // the unit, where none is sent
	loinc   string
	units   map[string]string
}

// place is where something stands, in the notation of the profile's format.
type place struct {
	text string   // as the profile writes it; csv: the column's name
	path hl7.Path // hl7v2
	in   any      // other formats: what their place function made of it
}

type condition struct {
	at place
	in []string
}

type field struct {
	on bool
	place
	where          []condition
	typ, authority string
	zone           *time.Location
	layout         layout
	pattern        *regexp.Regexp
	values         map[string]string
	formula        *formula // computed, instead of the place
}

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

func (c *compiler) field(key string, f FieldConfig) field {
	if !f.set() {
		return field{}
	}
	out := field{on: true, typ: f.Type, authority: f.Authority, values: f.Values}
	switch {
	case f.CEL != "":
		out.formula = c.formula(key+".cel", f.CEL)
		if f.At != "" {
			c.fault(key+".at", "has no effect beside cel", `remove it; the expression reads places by at("PLACE")`)
		}
	case f.At == "":
		c.fault(key+".at", "is missing", "write where the field stands")
		return out
	default:
		out.place = c.place(key, f.At)
	}
	out.where = c.conditions(key+".where", f.Where)
	if f.Zone != "" && f.Zone != "site" {
		zone, err := time.LoadLocation(f.Zone)
		if err != nil || f.Zone == "Local" {
			c.fault(key+".zone", fmt.Sprintf("%q is not a time zone", f.Zone), `write "site", or an IANA name such as Europe/Dublin`)
		}
		out.zone = zone
	}
	c.idle(key, f, out.path)
	if f.Layout != "" {
		l, err := parseLayout(f.Layout)
		if err != nil {
			c.fault(key+".layout", err.Error(), "write it like dd.MM.yyyy HH:mm (Unicode date pattern)")
		}
		out.layout = l
	}
	if f.Pattern != "" {
		re, err := regexp.Compile(f.Pattern)
		if err != nil || re.NumSubexp() != 1 {
			c.fault(key+".pattern", "is not a regular expression with one group", `write one group around the value, such as "lot ([A-Z0-9]+)"`)
		}
		out.pattern = re
	}
	return out
}

// idle refuses settings that would have no effect on a field.
func (c *compiler) idle(key string, f FieldConfig, at hl7.Path) {
	name := strings.TrimPrefix(key, "fields.")
	isTime := slices.Contains([]string{"tested_at", "sent_at", poct.FieldAskedAt, poct.FieldSampledAt}, name)
	isDate := name == "birth_date" || name == "strip_expires"
	isPatient, isStatus := name == "patient", name == "status" && c.form.perValue
	whole := isPatient && c.form.name == formatHL7 && at.Component == 0 && f.CEL == "" // chosen by authority and type
	measured := strings.HasPrefix(name, "results[")                                    // read as sent, from where the result stands
	for _, s := range []struct {
		key     string
		written bool
		works   bool
	}{
		{"type", f.Type != "", whole}, {"authority", f.Authority != "", isPatient},
		{"zone", f.Zone != "", isTime}, {"layout", f.Layout != "", isTime || isDate},
		{"where", f.Where != nil, !whole && !measured && !isStatus}, {"pattern", f.Pattern != "", !whole && !measured && !isStatus && f.CEL == ""},
		{"values", f.Values != nil, !whole && !measured},
	} {
		if s.written && !s.works {
			c.fault(key+"."+s.key, "has no effect here", "remove it")
		}
	}
}

func (c *compiler) fields(f FieldsConfig, comparison bool) fields {
	out := fields{
		meter: c.field("fields.meter", f.Meter), sequence: c.field("fields.sequence", f.Sequence),
		testedAt: c.field("fields.tested_at", f.TestedAt), sentAt: c.field("fields.sent_at", f.SentAt),
		operator: c.field("fields.operator", f.Operator), patient: c.field("fields.patient", f.Patient),
		birthDate: c.field("fields.birth_date", f.BirthDate), family: c.field("fields.family", f.Family),
		given: c.field("fields.given", f.Given), sex: c.field("fields.sex", f.Sex),
		stripLot: c.field("fields.strip_lot", f.StripLot), stripExpires: c.field("fields.strip_expires", f.StripExpires),
		onboard: c.field("fields.onboard", f.Onboard), deviceError: c.field("fields.error", f.Error),
		status: c.field("fields.status", f.Status), visit: c.field("fields.visit", f.Visit), order: c.field("fields.order", f.Order),
		askedAt: c.field("fields.asked_at", f.AskedAt), sampledAt: c.field("fields.sampled_at", f.SampledAt),
		runTime: c.field("fields.run_time", f.RunTime), haematocrit: c.field("fields.haematocrit", f.Haematocrit),
		interference: c.field("fields.interference", f.Interference),
	}
	for _, needed := range []struct {
		key string
		f   field
		why string
	}{
		{"fields.meter", out.meter, "say where the meter's serial number stands"},
		{"fields.tested_at", out.testedAt, "say where the time of the test stands"},
		{"fields.patient", out.patient, "say where the patient's identifier stands"},
	} {
		if !needed.f.on && !(comparison && needed.key == "fields.meter") {
			c.fault(needed.key, "is missing", needed.why)
		}
	}
	if !c.form.offsets && f.TestedAt.set() && f.TestedAt.Zone == "" && !out.testedAt.layout.offset {
		c.fault("fields.tested_at.zone", "is missing, and the layout has no offset", `write zone: site, or an IANA name`)
	}
	if l := out.testedAt.layout; len(l.parts) > 0 && (!l.has('d') || !l.has('H') && !l.has('h') || !l.has('m')) {
		c.fault("fields.tested_at.layout", "does not reach to the minute", "write it like dd.MM.yyyy HH:mm")
	}
	if out.patient.on && out.patient.authority == "" && c.form.name != formatHL7 {
		c.fault("fields.patient.authority", "is missing", "write the authority that assigned the number, as in registry.identifier_systems")
	}
	c.words("fields.onboard.values", f.Onboard.Values, []string{"pass", "fail"})
	c.words("fields.status.values", f.Status.Values, statuses)
	return out
}

// words checks that a value map leads to words that are known here.
func (c *compiler) words(key string, m map[string]string, known []string) {
	for _, from := range slices.Sorted(maps.Keys(m)) {
		if !slices.Contains(known, m[from]) {
			c.fault(key+"."+from, fmt.Sprintf("%q is not known", m[from]), "write "+strings.Join(known, ", "))
		}
	}
}

func (c *compiler) results(list []ResultConfig) []result {
	var out []result
	if len(list) == 0 {
		c.fault("results", "is empty", "say where the INR stands")
	}
	for i, r := range list {
		key := fmt.Sprintf("results[%d]", i)
		c.oneOf(key+".analyte", r.Analyte, analytes)
		c.loinc(key+".loinc", r)
		x := result{analyte: r.Analyte, loinc: r.LOINC, units: r.Units, where: c.conditions(key+".where", r.Where)}
		if c.form.perValue {
			if len(r.Where) == 0 {
				c.fault(key+".where", "is missing", c.form.where)
			}
			x.value = c.field(key+".value", orAt(r.Value, c.form.value))
			x.unit = c.field(key+".unit", orAt(r.Unit, c.form.unit))
			if len(r.Units) == 0 {
				c.fault(key+".units", "is missing", `write each unit as sent and its UCUM code, such as {"{INR}": "{INR}", "": "{INR}"}`)
			}
		} else {
			x.value = c.field(key+".value", r.Value)
			if !r.Value.set() {
				c.fault(key+".value", "is missing", "write where the value stands")
			}
			// A text alone is the unit of every record; with units it says where one stands.
			if r.Unit.set() && len(r.Units) > 0 {
				x.unit = c.field(key+".unit", r.Unit)
			} else if x.fixed = r.Unit.At; r.Unit.set() && x.fixed != ucum[r.Analyte] {
				c.fault(key+".unit", fmt.Sprintf("%q is not the UCUM code of this analyte", x.fixed),
					fmt.Sprintf("write %q, or {at: PLACE} with units", ucum[r.Analyte]))
			}
			if !r.Unit.set() {
				c.fault(key+".unit", "is missing", `write the UCUM code, such as "{INR}", or {at: PLACE} with units`)
			}
		}
		out = append(out, x)
	}
	return out
}

// notResults are LOINC codes that look like a patient's PT or INR and are not
// (LOINC long common names).
var notResults = map[string]string{
	"92891-1": "the INR that is aimed at", "5901-4": "the time of a control plasma",
	"5894-1": "a ratio, not an INR", "6302-4": "a ratio, not an INR", "43156-9": "a reagent's lot number",
}

// ucum is the unit that each analyte is kept in. Annotations in braces mean 1.
var ucum = map[string]string{"inr": "{INR}", "pt": "s"}

func (c *compiler) loinc(key string, r ResultConfig) {
	instead := "write the code for this analyte and specimen, such as 46418-0 (INR, capillary) or 46417-2 (PT, capillary)"
	switch why, no := notResults[r.LOINC]; {
	case !isLOINC(r.LOINC):
		c.fault(key, fmt.Sprintf("%q is not a LOINC code, or its check digit is wrong", r.LOINC), instead)
	case no:
		c.fault(key, r.LOINC+" is "+why, instead)
	}
	want := ucum[r.Analyte]
	for _, sent := range slices.Sorted(maps.Keys(r.Units)) {
		if got := r.Units[sent]; want != "" && got != want {
			c.fault(strings.TrimSuffix(key, "loinc")+"units."+sent, fmt.Sprintf("%q is not the UCUM code of this analyte", got), fmt.Sprintf("write %q", want))
		}
	}
}

// isLOINC checks form and check digit (modulus 10, as the LOINC Users' Guide has it).
func isLOINC(code string) bool {
	if !loincForm.MatchString(code) {
		return false
	}
	sum, double := 0, true
	for i := len(code) - 3; i >= 0; i-- {
		d := int(code[i] - '0')
		if double {
			d = d*2/10 + d*2%10
		}
		sum, double = sum+d, !double
	}
	return int(code[len(code)-1]-'0') == (10-sum%10)%10
}

func orAt(f FieldConfig, at string) FieldConfig {
	if f.At == "" && f.CEL == "" {
		f.At = at
	}
	return f
}

func emptyCSV(c CSVConfig) bool {
	return c.Delimiter == "" && c.Decimal == "" && c.Encoding == "" && c.Header == nil && c.Ignore == nil
}
