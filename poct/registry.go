package poct

import "time"

// Rows of the registry. Dates are "YYYY-MM-DD"; an empty text means not known.

// Site is a clinic or a part of one.
type Site struct {
	ID         string        `json:"site"`
	Name       string        `json:"name"`
	TimeZone   string        `json:"time_zone"` // IANA name
	QCInterval time.Duration `json:"qc_interval"`
}

// Meter is one device.
type Meter struct {
	Serial string `json:"serial"`
	Model  string `json:"model"`
	Site   string `json:"site"`
	State  string `json:"state"` // in-use, withdrawn
}

// Operator is a person who may run tests.
type Operator struct {
	ID             string   `json:"operator"`
	Name           string   `json:"name"`
	Sites          []string `json:"sites"` // "*" for all
	CertifiedUntil string   `json:"certified_until"`
	Shared         bool     `json:"shared,omitempty"` // several people use this number, so it names nobody
}

// StripLot is a lot of test strips with the constants of its reagent.
type StripLot struct {
	Lot      string `json:"lot"`
	Model    string `json:"model"`
	Expires  string `json:"expires"`
	ISI      Number `json:"isi"`
	MNPT     Number `json:"mnpt"` // seconds
	Recalled bool   `json:"recalled"`
}

// ControlLot is the range of one level of a control lot on one strip lot.
type ControlLot struct {
	Lot      string `json:"control_lot"`
	Level    string `json:"level"`
	StripLot string `json:"strip_lot"` // "" for every strip lot
	Low      Number `json:"low"`
	High     Number `json:"high"`
	Expires  string `json:"expires"`
	// Mean and SD fixed for the control chart; or how many SDs the range spans
	// to each side, "2" or "3", if the maker says so. Never guessed.
	Mean     Number `json:"mean,omitzero"`
	SD       Number `json:"sd,omitzero"`
	RangeSDs Number `json:"range_sds,omitzero"`
}

// Shipment is a delivery of a strip lot to a site. A lot counts as new at a
// site once more with each shipment.
type Shipment struct {
	ID       string `json:"shipment"`
	StripLot string `json:"strip_lot"`
	Site     string `json:"site"`
	Arrived  string `json:"arrived"` // RFC 3339, or a date: the start of that day at the site
	UseBy    string `json:"use_by"`  // date shortened by opening or leaving the fridge; "" if not
}

// Acceptance is the record of a new-lot procedure at a site.
type Acceptance struct {
	StripLot   string    `json:"strip_lot"`
	Site       string    `json:"site"`
	Shipment   string    `json:"shipment,omitempty"`
	Decision   string    `json:"decision"` // accepted, refused
	ISI        Number    `json:"isi,omitzero"`
	MNPT       Number    `json:"mnpt,omitzero"` // both as retyped by the second person
	ReadBackBy string    `json:"read_back_by"`
	By         string    `json:"by"`
	At         time.Time `json:"at"`
	Reason     string    `json:"reason"`
	Controls   []string  `json:"controls,omitempty"` // control results that passed
	Pairs      int       `json:"pairs"`              // paired patients compared
	Evidence   string    `json:"evidence,omitempty"` // figures of the comparison, in words
}

// ReadBack is a strip lot's constants as a second person retyped them from the
// box, so that a slip in the registry is seen before the lot is used.
type ReadBack struct {
	StripLot string    `json:"strip_lot"`
	Site     string    `json:"site"`
	ISI      Number    `json:"isi,omitzero"`
	MNPT     Number    `json:"mnpt,omitzero"`
	By       string    `json:"by"`
	At       time.Time `json:"at"`
}

// CorrectiveAction is what was done to a meter after its controls failed. The
// chains of its control charts begin anew there.
type CorrectiveAction struct {
	Meter   string    `json:"meter"`
	At      time.Time `json:"at"`
	By      string    `json:"by"`
	What    string    `json:"what"`
	Control string    `json:"control,omitempty"` // the control result that led to it
}

// Finding is something known of a patient that bears on the test.
type Finding struct {
	Authority string `json:"authority"`
	Patient   string `json:"patient"`
	Finding   string `json:"finding"` // haematocrit, heparin, lupus-anticoagulant, ...
	Value     Number `json:"value,omitzero"`
	Unit      string `json:"unit"`
	At        string `json:"at"`    // RFC 3339
	Until     string `json:"until"` // RFC 3339, "" while it lasts
}

// Patient as the registry knows one. Names and dates never enter a log.
type Patient struct {
	Authority string `json:"authority"`
	ID        string `json:"id"`
	Family    string `json:"family"`
	Given     string `json:"given"`
	BirthDate string `json:"birth_date"`
	Sex       string `json:"sex"`
	MergedTo  string `json:"merged_to,omitempty"` // id under the same authority that survives
	AsOf      AsOf   `json:"as_of,omitzero"`      // of what the row says
	Merged    AsOf   `json:"merged,omitzero"`     // of MergedTo
}

// AsOf is when something became true, as a message tells it: what an older
// message says never takes the place of what a newer one said. It is zero for
// what a table said.
type AsOf struct {
	At   time.Time `json:"at,omitzero"`   // when it happened: EVN-2, else MSH-7
	Sent time.Time `json:"sent,omitzero"` // when the message was written: MSH-7
}

// Before orders by what happened, then by when it was told.
func (a AsOf) Before(b AsOf) bool {
	if c := a.At.Compare(b.At); c != 0 {
		return c < 0
	}
	return a.Sent.Before(b.Sent)
}

// Visit is a stay or contact of a patient at a site.
type Visit struct {
	ID        string    `json:"visit"`
	Authority string    `json:"authority"`
	Patient   string    `json:"patient"`
	Site      string    `json:"site"`
	Start     time.Time `json:"start"`
	End       time.Time `json:"end"`                 // zero while open
	Cancelled bool      `json:"cancelled,omitempty"` // it never took place
	Encounter string    `json:"encounter,omitempty"` // the record system's own reference, where it told
	AsOf      AsOf      `json:"as_of,omitzero"`
}

// Order asks for a test of a patient.
type Order struct {
	ID         string    `json:"order"`  // the placer's number, else the filler's
	Placer     string    `json:"placer"` // ORC-2
	Filler     string    `json:"filler"` // ORC-3
	Authority  string    `json:"authority"`
	Patient    string    `json:"patient"`
	Code       string    `json:"code"` // of the test asked for, such as a LOINC code
	Site       string    `json:"site"` // "" for any
	Placed     time.Time `json:"placed"`
	Status     string    `json:"status"` // see the constants
	TargetLow  Number    `json:"target_low,omitzero"`
	TargetHigh Number    `json:"target_high,omitzero"` // the therapeutic INR range that the order names
	Request    string    `json:"request,omitempty"`    // the record system's own reference, where it told
	AsOf       AsOf      `json:"as_of,omitzero"`
}

// Statuses of an order.
const (
	OrderOpen      = "open"
	OrderCompleted = "completed"
	OrderCancelled = "cancelled"
)

// RegistryKind names a kind of registry row, as `tidegate import` takes it.
type RegistryKind string

// Registry kinds.
const (
	Sites       RegistryKind = "sites"
	Meters      RegistryKind = "meters"
	Operators   RegistryKind = "operators"
	StripLots   RegistryKind = "strip_lots"
	ControlLots RegistryKind = "control_lots"
	Patients    RegistryKind = "patients"
	Visits      RegistryKind = "visits"
	Orders      RegistryKind = "orders"
	Shipments   RegistryKind = "shipments"
	Acceptances RegistryKind = "acceptances"
	FindingRows RegistryKind = "findings"
	ReadBacks   RegistryKind = "read_backs"
	Actions     RegistryKind = "corrective_actions"
)

// RegistryRows is a set of rows to upsert in one commit.
type RegistryRows struct {
	Sites       []Site
	Meters      []Meter
	Operators   []Operator
	StripLots   []StripLot
	ControlLots []ControlLot
	Patients    []Patient
	Visits      []Visit
	Orders      []Order
	Shipments   []Shipment
	Acceptances []Acceptance
	Findings    []Finding
	ReadBacks   []ReadBack
	Actions     []CorrectiveAction
}

// Past is an earlier result, as history for a later one.
type Past struct {
	Result   string
	Version  int
	Key      string
	State    State
	Reading  Reading
	Patient  PatientRef // as found in the registry; as sent where it was not
	Digest   string     // content digest of its newest version, see Content
	Tested   time.Time
	QCPassed bool // for controls: within its range
}

// Book is what is known at one moment: registry rows and history. Within one
// Decide it reads the same transaction that the decision commits in, so it
// already holds everything decided before. Not found is (zero, false, nil).
type Book interface {
	Site(id string) (Site, bool, error)
	Meter(serial string) (Meter, bool, error)
	Operator(id string) (Operator, bool, error)
	StripLot(lot string) (StripLot, bool, error)
	// StripLotNumbers lists all registered lot numbers, for the nearest one.
	StripLotNumbers() ([]string, error)
	// ControlLots lists the registered ranges of a control lot.
	ControlLots(lot string) ([]ControlLot, error)
	// Patients lists rows with this identifier; under any authority if authority is "".
	Patients(authority, id string) ([]Patient, error)
	Visits(authority, id string) ([]Visit, error)
	// Orders of a patient, whatever became of them, by their number.
	Orders(authority, id string) ([]Order, error)
	// ByKey is the result that owns a test key.
	ByKey(key string) (Past, bool, error)
	// Controls lists filed control results of a meter tested in [from, to], oldest first.
	Controls(meter string, from, to time.Time) ([]Past, error)
	// PatientResults lists delivered or released results of a patient tested in [from, to], newest first.
	// At most limit of them; 0 is all.
	PatientResults(p PatientRef, from, to time.Time, limit int) ([]Past, error)
	// MeterResults lists the newest results of a meter by arrival, newest first.
	MeterResults(meter string, limit int) ([]Past, error)
	// Shipments of a strip lot to a site, by their arrival as written, oldest first.
	Shipments(stripLot, site string) ([]Shipment, error)
	// Acceptances of a strip lot at a site, oldest first.
	Acceptances(stripLot, site string) ([]Acceptance, error)
	// ReadBacks of a strip lot at a site, and what was done to a meter; oldest first.
	ReadBacks(stripLot, site string) ([]ReadBack, error)
	CorrectiveActions(meter string) ([]CorrectiveAction, error)
	// Findings lists what is known of a patient, ended or not, by finding and time.
	Findings(authority, id string) ([]Finding, error)
	// ControlRuns lists filed, final control results of a meter on a strip lot
	// tested up to `to`, oldest first: of each control lot and level the n newest.
	ControlRuns(meter, stripLot string, to time.Time, n int) ([]Past, error)
	// LabResults lists filed laboratory results of a patient (KindComparison) tested in [from, to], newest first.
	LabResults(p PatientRef, from, to time.Time) ([]Past, error)
	// SiteLots lists the distinct strip lots of the newest n patient tests of a
	// site by arrival, whatever became of them, newest first.
	SiteLots(site string, n int) ([]string, error)
	// Contact is the latest conversation with a meter that told of its clock.
	Contact(meter string) (Contact, bool, error)
}
