package mapping

import (
	"regexp"
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
