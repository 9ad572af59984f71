package probe

import (
	"time"
)

// Need says how much hangs on a finding.
type Need string

// Needs. Without what is needed no result should go there.
const (
	Needed Need = "needed"
	Wanted Need = "wanted"
	Told   Need = "told" // worth knowing
)

// Report is what a probe found. It names no patient.
type Report struct {
	Outlet      string        `json:"outlet"`
	BaseURL     string        `json:"base_url"`
	FHIRVersion string        `json:"fhir_version"`
	Patient     string        `json:"patient"` // authority and masked number
	By          string        `json:"by"`
	Version     string        `json:"version"` // of tidegate
	Run         string        `json:"run"`     // UUID of this run
	Began       time.Time     `json:"began"`
	Ended       time.Time     `json:"ended"`
	Good        bool          `json:"good"` // nothing that is needed is missing
	Promises    []Promise     `json:"promises"`
	Findings    []Finding     `json:"findings"`
	Elements    []Element     `json:"elements"`
	Settings    []Setting     `json:"settings"`
	Remains     []Remain      `json:"remains"`
	Transcript  []Exchange    `json:"transcript"`
	SearchShows time.Duration `json:"search_shows_ns"` // how long a search took to show what was just written
	// SHA256 is the hex digest of the document's text up to the line that names
	// it, see Document.
	SHA256 string `json:"sha256"`
}

// Promise is one line of the CapabilityStatement beside what was found.
type Promise struct {
	What     string `json:"what"`
	Need     Need   `json:"need"`
	Promised bool   `json:"promised"`
	Found    Found  `json:"found"`
}

// Found is what trying a thing showed.
type Found string

// What trying can show.
const (
	NotTried Found = ""
	Works    Found = "works"
	Refused  Found = "refused" // and says so
	Ignored  Found = "ignored" // answered as if it worked, and did something else
)

// Finding is one thing that was found.
type Finding struct {
	Step string `json:"step"`
	Need Need   `json:"need"`
	Good bool   `json:"good"`
	Text string `json:"text"`
	Do   string `json:"do,omitempty"` // what to do about it
}

// Fate is what became of an element.
type Fate string

// Fates of an element.
const (
	Survived Fate = "survived"
	Changed  Fate = "changed"
	Lost     Fate = "lost"
	Added    Fate = "added" // by the record system
)

// Element is one element of a resource, as sent and as read back. All values
// are the probe's own.
type Element struct {
	Resource string `json:"resource"` // "Observation INR"
	Element  string `json:"element"`  // "valueQuantity.value"
	Fate     Fate   `json:"fate"`
	Need     Need   `json:"need"`
	Sent     string `json:"sent,omitempty"`
	Stored   string `json:"stored,omitempty"`
}

// Setting is one key of the outlet: as it is, and as it should be.
type Setting struct {
	Key   string `json:"key"`
	Now   string `json:"now"`
	Write string `json:"write"`
	Why   string `json:"why"`
}

// Remain is a resource that the probe left behind.
type Remain struct {
	Reference string `json:"reference"`
	Status    string `json:"status"`
}

// Exchange is one request or one outcome of a delivery.
type Exchange struct {
	At      time.Time `json:"at"`
	Step    string    `json:"step"`
	What    string    `json:"what"` // method, type and conditions
	Request string    `json:"request,omitempty"`
	Status  int       `json:"status"` // 0: no answer
	Answer  string    `json:"answer,omitempty"`
	SHA256  string    `json:"sha256,omitempty"` // of the bytes sent
}

func (r *Report) missing() (needed, wanted int) {
	for _, f := range r.Findings {
		switch {
		case f.Good:
		case f.Need == Needed:
			needed++
		case f.Need == Wanted:
			wanted++
		}
	}
	return needed, wanted
}
