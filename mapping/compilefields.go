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
