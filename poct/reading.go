package poct

import "time"

// Arrival is the bytes of one message as they came, never changed afterwards.
// HL7 batches are split before they become arrivals; Batch and Position then
// tell where in which batch the message stood.
type Arrival struct {
	ID       string    // UUID v7, given by the store
	Inlet    string    // configured inlet id
	Source   string    // what de-duplication is keyed by, with Digest: the inlet (and later the edge)
	Digest   [32]byte  // SHA-256 of Raw
	Received time.Time // when the last byte came
	Peer     string    // network address, certificate name, file name or subject it came from
	Format   string    // "hl7v2" or "csv", as the inlet knows it; "" where it does not
	Raw      []byte
	Batch    []byte // the whole batch this message was split from, else nil
	Position int    // 1-based place in the batch, else 0
	Fault    string // why the inlet already knows that it is unreadable, "" otherwise
	// ControlID is the sender's own number for the message (MSH-10), "" where
	// there is none. It is for searching alone: nothing is de-duplicated by it.
	ControlID string
}

// Accepted is the answer of a durable store to an arrival. The same bytes at
// the same inlet are no new arrival: they get the first one's id and Resent.
type Accepted struct {
	Arrival string `json:"arrival"`
	Resent  bool   `json:"resent"`
}

// Stamp is a time as a device wrote it, and what we make of it.
type Stamp struct {
	Raw       string    `json:"raw,omitempty"`       // as sent, part of a result's identity
	At        time.Time `json:"at,omitzero"`         // the instant, with the offset it was read in; zero if unknown
	Precision string    `json:"precision,omitempty"` // year month day hour minute second fraction
	Assumed   bool      `json:"assumed,omitempty"`   // the zone is the site's, not sent
	Ambiguous string    `json:"ambiguous,omitempty"` // "twice" or "never": a local time at a clock change
}

// Span is a byte range in an arrival's raw bytes, [From, To).
type Span struct {
	From int `json:"from"`
	To   int `json:"to"`
}

// ReadingKind tells what was measured on.
type ReadingKind string

// Kinds of reading. Only a patient reading can reach a record.
const (
	KindPatient ReadingKind = "patient"
	KindControl ReadingKind = "control"
	KindEvent   ReadingKind = "event" // a device event or device error; no value
	// KindComparison is a laboratory's own result, taken in to be compared with
	// a meter's. It stands in the record already and is never sent.
	KindComparison ReadingKind = "comparison"
	// KindContext tells of patients, visits or orders: nothing was measured.
	KindContext ReadingKind = "context"
	KindUnread  ReadingKind = "unread"
)

// Status of what a device says of its own result.
type Status string

// Statuses, from HL7 table 0085 or the profile.
const (
	StatusPreliminary Status = "preliminary"
	StatusFinal       Status = "final"
	StatusCorrected   Status = "corrected"
	StatusWithdrawn   Status = "withdrawn"
	StatusCancelled   Status = "cancelled"
)

// PatientRef is a patient's identifier as sent: never looked up, never mended.
type PatientRef struct {
	Authority string `json:"authority,omitempty"`
	ID        string `json:"id,omitempty"`
}

// Measurement is one analyte of a reading.
type Measurement struct {
	Analyte  string `json:"analyte"`             // "inr" or "pt"
	Value    Number `json:"value,omitzero"`      // zero if it is not a number
	RawValue string `json:"raw_value,omitempty"` // as sent
	Unit     string `json:"unit,omitempty"`      // UCUM code after the profile's unit map; "" if not mapped
	RawUnit  string `json:"raw_unit,omitempty"`  // as sent
	Code     string `json:"code,omitempty"`      // the code the device sent
	LOINC    string `json:"loinc,omitempty"`     // the profile's code for what is sent on
	Flags    string `json:"flags,omitempty"`     // abnormal flags as sent
}

// Names of a reading's fields, used in Problem.Field, Reading.Where and the
// desk's changes. A measurement's field is its analyte.
const (
	FieldMeter        = "meter"
	FieldSequence     = "sequence"
	FieldTestedAt     = "tested_at"
	FieldOperator     = "operator"
	FieldPatient      = "patient"
	FieldBirthDate    = "birth_date"
	FieldFamily       = "family"
	FieldGiven        = "given"
	FieldSex          = "sex"
	FieldStripLot     = "strip_lot"
	FieldStripExpires = "strip_expires"
	FieldControlLot   = "control_lot"
	FieldControlLevel = "control_level"
	FieldTimeOffset   = "time_offset"
	FieldVisit        = "visit"
	FieldOrder        = "order"
	FieldCode         = "code"
	FieldMessage      = "message"
	FieldAskedAt      = "asked_at"
	FieldSampledAt    = "sampled_at"
	FieldRunTime      = "run_time"
	FieldHaematocrit  = "haematocrit"
	FieldInterference = "interference"
)

// Reading is what one arrival says about one test, in our words, before
// anything is looked up. Texts are as sent.
type Reading struct {
	Arrival      string      `json:"arrival"`
	Index        int         `json:"index"` // 0-based place in the arrival
	Profile      string      `json:"profile,omitempty"`
	Model        string      `json:"model,omitempty"`
	Kind         ReadingKind `json:"kind"`
	Status       Status      `json:"status,omitempty"`
	Meter        string      `json:"meter,omitempty"`
	Sequence     string      `json:"sequence,omitempty"`
	TestedAt     Stamp       `json:"tested_at,omitzero"`
	SentAt       Stamp       `json:"sent_at,omitzero"` // when the meter built the message, by its own clock
	Operator     string      `json:"operator,omitempty"`
	Patient      PatientRef  `json:"patient,omitzero"`
	BirthDate    string      `json:"birth_date,omitempty"` // YYYY-MM-DD, or as sent if it is none
	Family       string      `json:"family,omitempty"`
	Given        string      `json:"given,omitempty"`
	Sex          string      `json:"sex,omitempty"`
	StripLot     string      `json:"strip_lot,omitempty"`
	StripExpires string      `json:"strip_expires,omitempty"` // YYYY-MM-DD
	ControlLot   string      `json:"control_lot,omitempty"`
	ControlLevel string      `json:"control_level,omitempty"`
	ControlHint  string      `json:"control_hint,omitempty"` // evidence that a patient-slot record is a control
	Onboard      string      `json:"onboard,omitempty"`      // on-board strip control: "pass", "fail" or ""
	DeviceError  string      `json:"device_error,omitempty"` // device error code, "" if none
	ErrorText    string      `json:"error_text,omitempty"`   // the profile's words for it
	Visit        string      `json:"visit,omitempty"`
	Order        string      `json:"order,omitempty"`
	Event        string      `json:"event,omitempty"` // of a message about patients or orders: "ADT^A08"
	// What a meter tells of the run itself, where it does: when it asked for the
	// sample, when the sample was on the strip, and the seconds from there to the
	// result. SampledAt is in device time like TestedAt.
	AskedAt   Stamp  `json:"asked_at,omitzero"`
	SampledAt Stamp  `json:"sampled_at,omitzero"`
	RunTime   Number `json:"run_time,omitzero"`
	// Haematocrit in percent, and notes of what may disturb the test, as sent.
	Haematocrit  Number          `json:"haematocrit,omitzero"`
	Interference []string        `json:"interference,omitempty"`
	Specimen     string          `json:"specimen,omitempty"`   // capillary, venous
	Processing   string          `json:"processing,omitempty"` // MSH-11
	Measurements []Measurement   `json:"measurements,omitempty"`
	Where        map[string]Span `json:"where,omitempty"`    // field -> bytes in the arrival
	Range        MeasuringRange  `json:"range,omitzero"`     // the profile's measuring range, INR
	NotSent      []string        `json:"not_sent,omitempty"` // fields that the profile says do not exist here: checks on them are not asked
	// TimeOffset is a reviewer's correction of the clock, in seconds, added to
	// TestedAt.At wherever a time is compared or sent; the device's time stays.
	TimeOffset int `json:"time_offset,omitempty"`
	// AsSent is the content digest of what the meter sent, kept once a person
	// has corrected the reading: the meter's resend still says the same.
	AsSent string `json:"as_sent,omitempty"`
}

// MeasuringRange of a meter model for INR; zero Numbers where not stated.
type MeasuringRange struct {
	Low  Number `json:"low,omitzero"`
	High Number `json:"high,omitzero"`
}

// Tested is the time of the test after a reviewer's offset; zero if unknown.
func (r Reading) Tested() time.Time {
	if r.TestedAt.At.IsZero() {
		return r.TestedAt.At
	}
	return r.TestedAt.At.Add(time.Duration(r.TimeOffset) * time.Second)
}

// Measured returns the measurement of an analyte.
func (r Reading) Measured(analyte string) (Measurement, bool) {
	for _, m := range r.Measurements {
		if m.Analyte == analyte {
			return m, true
		}
	}
	return Measurement{}, false
}

// Sends reports whether the profile has the field at all.
func (r Reading) Sends(field string) bool {
	for _, f := range r.NotSent {
		if f == field {
			return false
		}
	}
	return true
}

// Key identifies the test: meter serial, sequence (empty where the meter sends
// none) and device time as sent, never the patient. It is "" while meter or
// time is missing: such a reading can be held but never released. A laboratory
// names no meter; there its profile stands for it, and its own number of the
// result, the sequence, must be there.
func (r Reading) Key() string {
	source := r.Meter
	if r.Kind == KindComparison && source == "" && r.Sequence != "" {
		source = r.Profile
	}
	if source == "" || r.TestedAt.Raw == "" {
		return ""
	}
	return source + "|" + r.Sequence + "|" + r.TestedAt.Raw
}
