package poct

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"time"
)

// Severity of a problem.
type Severity string

// Severities: hold stops the result, flag delivers it marked, note passes.
const (
	Hold Severity = "hold"
	Flag Severity = "flag"
	Note Severity = "note"
)

// Problem is what a check found about a record. It is data, stored and shown;
// a failure of ours is an error, never a Problem.
type Problem struct {
	Check    string   `json:"check"` // number in the table of checks: "1" ... "46", "16a"
	Code     string   `json:"code"`  // stable name: "lot-unknown"
	Severity Severity `json:"severity"`
	Field    string   `json:"field,omitempty"`
	Text     string   `json:"text"`              // for a clinician; may hold the value, never a name
	Remedy   string   `json:"remedy,omitempty"`  // what to do
	Limit    string   `json:"limit,omitempty"`   // the limit and where it comes from
	Because  string   `json:"because,omitempty"` // code of the problem that causes this one: makes no cause of its own
}

// Answer of one check.
type Answer string

// Answers. Cannot tell holds; not asked only by configuration.
const (
	Pass       Answer = "pass"
	Found      Answer = "problem"
	CannotTell Answer = "cannot tell"
	NotAsked   Answer = "not asked"
)

// CheckAnswer is what one check answered, for the trace.
type CheckAnswer struct {
	Check  string `json:"check"`
	Code   string `json:"code"`
	Answer Answer `json:"answer"`
	Limit  string `json:"limit,omitempty"`
	Why    string `json:"why,omitempty"` // for not asked and cannot tell
}

// Verdict on a reading.
type Verdict string

// Verdicts.
const (
	Release   Verdict = "release"
	File      Verdict = "file" // controls, events: kept and used, never sent
	HoldIt    Verdict = "hold"
	Duplicate Verdict = "duplicate"
	Ignore    Verdict = "ignore"
)

// State of a result: one of the six ends, or on its way.
type State string

// States. The first six are ends.
const (
	Held       State = "held"
	Delivered  State = "delivered"
	Filed      State = "filed"
	Discarded  State = "discarded"
	Duplicated State = "duplicate"
	Ignored    State = "ignored"
	Waiting    State = "waiting"    // an arrival not yet judged
	Delivering State = "delivering" // released, not yet in every outlet
)

// Facts is a reading's context as looked up at one moment. Pointers are nil
// where nothing was found; Failed names look-ups that failed in transit.
type Facts struct {
	Now           time.Time // when it was judged
	Received      time.Time // when its arrival came
	Site          *Site
	Zone          *time.Location // of the site; nil if it is not known
	Meter         *Meter
	Operator      *Operator
	StripLot      *StripLot
	NearestLot    string       // nearest registered lot number, one character apart; "" if none
	NearestMeter  string       // registered serial that looks like an unknown one (O and 0, I and 1); "" if none
	ControlLots   []ControlLot // ranges of the reading's control lot
	Patients      []Patient    // all rows that match the identifier
	Patient       *Patient     // the one, after merges are followed
	Visit         *Visit
	Order         *Order             // the one that asked for this test
	Orders        []Order            // where several fit and none is chosen
	Owner         *Past              // the result that already owns this test key
	Controls      []Past             // controls of this meter in the window before the test, oldest first
	History       []Past             // this patient's results in the window before the test, newest first
	MeterHistory  []Past             // newest results of the meter
	Chains        []Past             // control runs of this meter and strip lot before the test, oldest first, as many of each level as the rules look back on
	Labs          []Past             // laboratory results (KindComparison) of the patient about the test, newest first
	Shipment      *Shipment          // of the strip lot to the meter's site, the newest before the test
	Acceptance    *Acceptance        // of the strip lot at the meter's site, the newest before the test
	Findings      []Finding          // of the patient, in force at the test
	LotsInUse     []string           // strip lots of the newest patient tests at the meter's site, newest first; only where Shipment is known
	NewerLot      *Shipment          // of another lot in use there on this model of meter, arrived after Shipment; the newest before the test
	ChainRanges   []ControlLot       // rows of the control lots in Chains
	Actions       []CorrectiveAction // on the meter, up to the test
	Contact       *Contact           // the latest with the meter; its Device is zero if it did not tell its clock
	Heard         time.Time          // for readiness: when anything of the meter came last, where the caller knows; else it goes by contacts and tests
	ClocksChange  time.Time          // the change of the site's clocks nearest to the arrival; zero where they never change
	PatientSource string             // "registry", or "record" where the record system was asked
	Record        string             // the outlet whose record system was asked
	RegistryEmpty bool
}

// Result is a reading with its context attached, at one version.
type Result struct {
	ID        string  `json:"id"`
	Version   int     `json:"version"`
	Filing    int     `json:"filing"` // filing revision, from 0; raised when it is filed anew after a withdrawal
	Key       string  `json:"key"`
	Site      string  `json:"site,omitempty"`
	SiteName  string  `json:"site_name,omitempty"`
	Reading   Reading `json:"reading"`
	Patient   Patient `json:"patient,omitzero"`
	Visit     string  `json:"visit,omitempty"`
	Encounter string  `json:"encounter,omitempty"` // the record system's own reference of the visit
	// Record is the outlet whose record system gave Encounter and
	// Ordered.Request: no other one knows these references.
	Record string `json:"record,omitempty"`
	// Ordered is the order that asked for the test, found in the registry.
	Ordered Order `json:"ordered,omitzero"`
	// Announce tells an HL7 v2 receiver that nobody ordered the test, so that it
	// places the order itself (ORU^R30).
	Announce   bool   `json:"announce,omitempty"`
	OperatorOK bool   `json:"operator_ok,omitempty"` // registered, so it may be named as performer
	LotExpires string `json:"lot_expires,omitempty"`
	LotOK      bool   `json:"lot_ok,omitempty"` // registered
	// Issued is when this version became available; strictly increasing per result.
	Issued time.Time `json:"issued,omitzero"`
	// Marks are the flags and release reasons that travel with the result as notes.
	Marks []string `json:"marks,omitempty"`
	// Replaces tells a correction's note what changed: old value and reason.
	Replaces string `json:"replaces,omitempty"`
	// Noted tells that this version changes no value: it adds a mark to what
	// stands in the record, whose status stays as it is.
	Noted bool `json:"noted,omitempty"`
}

// Content is a digest of what a reading says, leaving out where and how often
// it was said: equal content under one key is a resend. For a reading that a
// person corrected it is the digest of what was sent.
func Content(r Reading) string {
	if r.AsSent != "" {
		return r.AsSent
	}
	type m struct{ A, V, U, F string }
	c := struct {
		Kind, Status, Meter, Seq, At, Op, Auth, ID, Birth, Lot, CLot, CLevel, Err, On string
		M                                                                             []m
	}{string(r.Kind), string(r.Status), r.Meter, r.Sequence, r.TestedAt.Raw, r.Operator,
		r.Patient.Authority, r.Patient.ID, r.BirthDate, r.StripLot, r.ControlLot, r.ControlLevel,
		r.DeviceError, r.Onboard, nil}
	for _, x := range r.Measurements {
		c.M = append(c.M, m{x.Analyte, x.RawValue, x.RawUnit, x.Flags})
	}
	b, err := json.Marshal(c)
	if err != nil {
		panic(err) // strings only: cannot happen
	}
	s := sha256.Sum256(b)
	return hex.EncodeToString(s[:16])
}
