package validate

import (
	"slices"
	"strings"

	"tidegate/poct"
)

// Roles that own a desk: which of them may release what a check held.
const (
	RoleReviewer    = "reviewer"
	RoleCoordinator = "coordinator"
	RoleClinician   = "clinician"
)

// repeatAdvice is the usual advice for a test that failed or whose sample is
// doubtful: common practice, no source.
const repeatAdvice = "Repeat the test with a new strip and a fresh fingerstick on a different finger. Never add blood to a strip that already has some."

// Sources of a default that has no published one.
const (
	ownDefault     = "our default, set per site"
	commonPractice = "common practice, no source"
)

// Info describes one check, for the documentation, the pages and `check`.
type Info struct {
	Number   string // "1" ... "46", "16a"; "local" for a rule of the laboratory's own
	Code     string // stable name: "lot-unknown"
	Title    string
	Asks     string // what it asks, as a clause: "whether the strip had expired"
	Compares string
	Text     string        // for a clinician; {names} are filled with facts of the result
	Remedy   string        // what to do
	Severity poct.Severity // by default; the highest where a check has two
	Keys     []Key         // what the configuration can set, besides severity and off
	Source   string        // where the defaults come from
	Acts     string        // what a reviewer may do: letters of "CRD": correct, release, discard
	Desk     string        // the role that releases
	Unasked  string        // when it is not asked, "" if it always is
}

// May reports whether the table allows a reviewer's act on this check.
func (i Info) May(act poct.Act) bool {
	letter := map[poct.Act]string{poct.ActCorrect: "C", poct.ActRelease: "R", poct.ActDiscard: "D"}[act]
	return letter != "" && strings.Contains(i.Acts, letter)
}

// Key is one limit of a check, as `checks:` in the configuration sets it.
type Key struct {
	Name    string
	Kind    KeyKind
	Default string // "" where the check needs none, or is only asked once it is set; a list with ", " between
	Means   string
	Options []string // of a Choice
}

// KeyKind is how a key's value is written.
type KeyKind string

// Kinds of key.
const (
	Decimal  KeyKind = "decimal"  // quoted: "5.0"
	Duration KeyKind = "duration" // 24h
	Texts    KeyKind = "list"     // ["T-1", "T-2"]
	Choice   KeyKind = "choice"   // one of the key's options
	IDForms  KeyKind = "forms"    // assigning authority -> {form, scheme}
)

// check is a row of the table with the function that answers it.
type check struct {
	Info
	of    kinds    // the readings it is asked of
	needs []string // fields of a patient's result that the profile may lack: then it is not asked
	late  bool     // its function looks after needs itself
	optIn bool     // asked only where the configuration names it
	ready bool     // asked of a meter before its next test too: see Ready
	// fits checks limits that must fit one another; nil if there are none.
	fits func(*rule) (what, instead string)
	ask  func(*subject, *rule) reply
}

// kinds of reading, as a set.
type kinds uint8

const (
	unread kinds = 1 << iota
	patient
	withdrawal // of a patient result or a control
	control
	comparison
	event
	told // of patients, visits or orders: no check is asked

	measured = patient | control
	everyOne = unread | measured | withdrawal | comparison | event
)

// table holds every check in the order of its number; causes come before what
// hangs under them.
var table = slices.Concat(structureChecks, identityChecks, timeChecks, deviceChecks,
	lotChecks, qcChecks, valueChecks, sampleChecks, consistencyChecks, historyChecks, resendChecks)

// place finds a check's place in the table by its code.
var place = func() map[string]int {
	m := make(map[string]int, len(table))
	for i := range table {
		m[table[i].Code] = i
	}
	return m
}()

// Checks lists every check in the order of its number.
func Checks() []Info {
	infos := make([]Info, len(table))
	for i, c := range table {
		infos[i] = c.Info
	}
	return infos
}

// Lookup finds a check by its code.
func Lookup(code string) (Info, bool) {
	i, ok := place[code]
	if !ok {
		return Info{}, false
	}
	return table[i].Info, true
}
