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

// Formats of a profile.
const (
	formatHL7 = "hl7v2"
	formatCSV = "csv"
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
	fallback hl7.Charset // hl7v2
	csv      csvForm
}

// ID of the profile in the configuration.
func (p *Profile) ID() string { return p.id }

// fields in the form they are read with; see FieldsConfig.
type fields struct {
	meter, sequence, testedAt, sentAt, operator, patient, birthDate, family, given, sex,
	stripLot, stripExpires, onboard, deviceError, status, visit, order field
}

type control struct {
	when       []condition
	lot, level field
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

// place is where something stands: a path of HL7, or a column.
type place struct {
	path   hl7.Path
	column string
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
	siteZone       bool
	zone           *time.Location
	layout         layout
	pattern        *regexp.Regexp
	values         map[string]string
}

var (
	analytes  = []string{"inr", "pt"}
	specimens = []string{"capillary", "venous"}
	statuses  = []string{string(poct.StatusPreliminary), string(poct.StatusFinal), string(poct.StatusCorrected), string(poct.StatusWithdrawn), string(poct.StatusCancelled)}
	loincForm = regexp.MustCompile(`^[0-9]{1,7}-[0-9]$`)
	// sendable lists what not_sent may name.
	sendable = []string{
		poct.FieldSequence, poct.FieldOperator, poct.FieldBirthDate, poct.FieldFamily, poct.FieldGiven, poct.FieldSex,
		poct.FieldStripLot, poct.FieldStripExpires, "sent_at", "pt", "onboard", poct.FieldVisit, poct.FieldOrder,
	}
)

// Compile checks a profile. Keys of the faults are relative to the profile,
// such as "fields.meter"; with a fault the profile is nil.
func Compile(cfg ProfileConfig) (*Profile, []poct.KeyFault) {
	c := compiler{format: cfg.Format}
	p := &Profile{
		id: cfg.ID, format: cfg.Format, model: cfg.Model, specimen: cfg.Specimen,
		errors: maps.Clone(cfg.Errors), notSent: slices.Clone(cfg.NotSent),
	}
	if cfg.ID == "" {
		c.fault("id", "is missing", "give the profile a name, such as quill-hl7")
	}
	c.oneOf("format", cfg.Format, []string{formatHL7, formatCSV})
	c.oneOf("specimen", cfg.Specimen, specimens)
	if cfg.Model == "" {
		c.fault("model", "is missing", "write the meter model as the registry names it")
	}
	if len(c.faults) > 0 && cfg.Format != formatHL7 && cfg.Format != formatCSV {
		return nil, c.faults // without a format nothing else can be judged
	}
	p.limits = c.limits(cfg.MeasuringRange)
	p.match = c.conditions("match", cfg.Match)
	p.fields = c.fields(cfg.Fields)
	p.control = control{
		when: c.conditions("control.when", cfg.Control.When),
		lot:  c.field("control.lot", cfg.Control.Lot), level: c.field("control.level", cfg.Control.Level),
	}
	p.results = c.results(cfg.Results)
	for i, name := range cfg.NotSent {
		if !slices.Contains(sendable, name) {
			c.fault(fmt.Sprintf("not_sent[%d]", i), fmt.Sprintf("%q is no field that a meter may lack", name), "write one of "+strings.Join(sendable, ", "))
		}
	}
	if cfg.Format == formatHL7 {
		p.fallback = c.charset("charset", cfg.Charset)
		if !emptyCSV(cfg.CSV) {
			c.fault("csv", "is for profiles of format csv", "remove it")
		}
	} else {
		p.csv = c.csv(cfg)
		if cfg.Charset != "" {
			c.fault("charset", "is for profiles of format hl7v2", "write csv.encoding")
		}
	}
	if len(c.faults) > 0 {
		return nil, c.faults
	}
	p.csv.known = p.columns()
	return p, nil
}

type compiler struct {
	format string
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
	if c.format == formatCSV {
		if strings.TrimSpace(at) == "" {
			c.fault(key, "names no column", "write the column's name as the header has it")
		}
		return place{column: at}
	}
	path, err := hl7.ParsePath(at)
	if err != nil {
		c.fault(key, fmt.Sprintf("%q is not a place in a message", at), "write it like PID-3.1 or OBX[2]-5(1).1")
	}
	return place{path: path}
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
	if f.At == "" {
		c.fault(key+".at", "is missing", "write where the field stands")
		return out
	}
	out.place = c.place(key, f.At)
	out.where = c.conditions(key+".where", f.Where)
	switch f.Zone {
	case "":
	case "site":
		out.siteZone = true
	default:
		zone, err := time.LoadLocation(f.Zone)
		if err != nil || f.Zone == "Local" {
			c.fault(key+".zone", fmt.Sprintf("%q is not a time zone", f.Zone), `write "site", or an IANA name such as Europe/Dublin`)
		}
		out.zone = zone
	}
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

func (c *compiler) fields(f FieldsConfig) fields {
	out := fields{
		meter: c.field("fields.meter", f.Meter), sequence: c.field("fields.sequence", f.Sequence),
		testedAt: c.field("fields.tested_at", f.TestedAt), sentAt: c.field("fields.sent_at", f.SentAt),
		operator: c.field("fields.operator", f.Operator), patient: c.field("fields.patient", f.Patient),
		birthDate: c.field("fields.birth_date", f.BirthDate), family: c.field("fields.family", f.Family),
		given: c.field("fields.given", f.Given), sex: c.field("fields.sex", f.Sex),
		stripLot: c.field("fields.strip_lot", f.StripLot), stripExpires: c.field("fields.strip_expires", f.StripExpires),
		onboard: c.field("fields.onboard", f.Onboard), deviceError: c.field("fields.error", f.Error),
		status: c.field("fields.status", f.Status), visit: c.field("fields.visit", f.Visit), order: c.field("fields.order", f.Order),
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
		if !needed.f.on {
			c.fault(needed.key, "is missing", needed.why)
		}
	}
	if c.format == formatCSV && out.testedAt.on && !out.testedAt.siteZone && out.testedAt.zone == nil && !out.testedAt.layout.offset {
		c.fault("fields.tested_at.zone", "is missing, and the layout has no offset", `write zone: site, or an IANA name`)
	}
	if out.patient.on && out.patient.authority == "" && c.format == formatCSV {
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
		if !loincForm.MatchString(r.LOINC) {
			c.fault(key+".loinc", fmt.Sprintf("%q is not a LOINC code", r.LOINC), "write the code for this analyte and specimen, such as 46418-0")
		}
		x := result{analyte: r.Analyte, loinc: r.LOINC, units: r.Units, where: c.conditions(key+".where", r.Where)}
		if c.format == formatHL7 {
			if len(r.Where) == 0 {
				c.fault(key+".where", "is missing", "write which OBX holds it, such as {OBX-3.1: [46418-0]}")
			}
			x.value = c.field(key+".value", orAt(r.Value, "OBX-5"))
			x.unit = c.field(key+".unit", orAt(r.Unit, "OBX-6.1"))
			if len(r.Units) == 0 {
				c.fault(key+".units", "is missing", `write each unit as sent and its UCUM code, such as {"{INR}": "{INR}", "": "{INR}"}`)
			}
		} else {
			x.value = c.field(key+".value", r.Value)
			if !r.Value.set() {
				c.fault(key+".value", "is missing", "write the column's name")
			}
			// A text alone is the unit of the whole column; {at: Column} says where it stands.
			if r.Unit.set() && len(r.Units) > 0 {
				x.unit = c.field(key+".unit", r.Unit)
			} else {
				x.fixed = r.Unit.At
			}
			if !r.Unit.set() {
				c.fault(key+".unit", "is missing", `write the UCUM code, such as "{INR}", or {at: Column} with units`)
			}
		}
		out = append(out, x)
	}
	return out
}

func orAt(f FieldConfig, at string) FieldConfig {
	if f.At == "" {
		f.At = at
	}
	return f
}

func emptyCSV(c CSVConfig) bool {
	return c.Delimiter == "" && c.Decimal == "" && c.Encoding == "" && c.Header == nil && c.Ignore == nil
}
