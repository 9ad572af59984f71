package poct

import "time"

// Context is what one message tells of patients, visits and orders, in our
// words, before anything is looked up.
type Context struct {
	Event    string // "ADT^A40"
	AsOf     AsOf
	Patients []PatientNews
	Merges   []MergeNews
	Visits   []VisitNews
	Orders   []OrderNews
}

// Empty tells that the message says nothing that is used here.
func (c Context) Empty() bool {
	return len(c.Patients)+len(c.Merges)+len(c.Visits)+len(c.Orders) == 0
}

// Changes is what a message about patients, visits and orders changes in the
// registry.
type Changes struct {
	Rows     RegistryRows
	Touched  []PatientRef // whom the message tells of, whether or not a row changed
	Problems []Problem    // these refuse the message as a whole: then there are no rows
}

// PatientNews is what is told of a person under one identifier. nil keeps what
// was known; an empty text deletes it.
type PatientNews struct {
	Ref                           PatientRef
	Family, Given, BirthDate, Sex *string
}

// MergeNews retires an identifier in favour of another one under the same
// authority.
type MergeNews struct {
	Retires, Survives PatientRef
}

// VisitAct is what happened to a visit.
type VisitAct string

// What may happen to a visit.
const (
	VisitBegins  VisitAct = "begins"
	VisitEnds    VisitAct = "ends"
	VisitCancels VisitAct = "cancels" // it never took place
	VisitReopens VisitAct = "reopens" // its end is taken back
	VisitChanges VisitAct = "changes" // what was known of it is told anew
)

// VisitNews is what is told of a visit of one patient.
type VisitNews struct {
	Patient    PatientRef
	ID         string // PV1-19; "" where the sender numbers none
	Act        VisitAct
	Places     []string  // where, most exact first; one that is a site's id counts
	Start, End time.Time // zero where not told
}

// OrderNews is what is told of an order; the order's Site is settled from
// Places. An empty Status keeps the one known, or is open for a new order.
type OrderNews struct {
	Order  Order
	Places []string
}
