package poct1a

import (
	"slices"
	"time"
)

// Rules are what a host wants of its conversations, and what public
// descriptions of the standard leave open.
type Rules struct {
	Words      Vocabulary
	Continuous bool // start the continuous mode where the device can
	Events     bool // ask for events, too
	// Unsaid does also what the device does not say that it can do.
	Unsaid bool
	// Answer is the longest wait for a device that does not state its own
	// (DCP.application_timeout); Idle is the longest silence in continuous mode,
	// 0 for no limit.
	Answer, Idle time.Duration
}

// Vocabulary holds the codes that conversations use. What the standard calls
// them is known from public software and descriptions alone.
type Vocabulary struct {
	AskObservations, AskEvents              string   // REQ.request_cd
	StartContinuous, SetTime, Lock, Unlock  string   // DTV.command_cd, DSC.directives_supported_cd
	Events                                  []string // DSC.topics_supported_cd
	Operators, OperatorChanges              []string
	Patients, PatientChanges                []string
	OperatorTopic, PatientTopic             string   // EOT.topic_cd that ends a list
	Insert, Remove                          string   // UPD.action_cd
	EndNormal, Refused                      string   // TRM.reason_cd, ESC.detail_cd
	ContinuousProfile                       string   // DSC.connection_profile_cd
	OperatorListUpdated, PatientListUpdated []string // fields of DST
}

// DefaultVocabulary is what most public sources say. From public software:
// ROBS, START_CONTINUOUS, SET_TIME, the topics OBS, D_EV and OPL, the actions I
// and D, NRM and OTH, the profiles SA and CS. From memory, to be confirmed
// on a first device: all the others.
func DefaultVocabulary() Vocabulary {
	return Vocabulary{
		AskObservations: "ROBS", AskEvents: "RDEV",
		StartContinuous: "START_CONTINUOUS", SetTime: "SET_TIME", Lock: "LOCK", Unlock: "UNLOCK",
		Events:    []string{"D_EV", "EVS"},
		Operators: []string{"OP_LST", "OPL"}, OperatorChanges: []string{"OP_LST_I", "OPL_I"},
		Patients: []string{"PT_LST", "PTL"}, PatientChanges: []string{"PT_LST_I", "PTL_I"},
		OperatorTopic: "OPL", PatientTopic: "PTL",
		Insert: "I", Remove: "D", EndNormal: "NRM", Refused: "OTH", ContinuousProfile: "CS",
		OperatorListUpdated: []string{"DST.operators_update_dttm", "DST.operator_list_update_dttm"},
		PatientListUpdated:  []string{"DST.patients_update_dttm", "DST.patient_list_update_dttm"},
	}
}

// can reports whether a device says that it can do one of these things.
func (r Rules) can(said []string, words ...string) bool {
	return r.Unsaid || slices.ContainsFunc(words, func(w string) bool { return w != "" && slices.Contains(said, w) })
}

// CanSetTime reports whether a device may be told the time.
func (r Rules) CanSetTime(h Hello) bool { return r.can(h.Directives, r.Words.SetTime) }

// CanLock reports whether a device may be locked.
func (r Rules) CanLock(h Hello) bool { return r.can(h.Directives, r.Words.Lock) }

// Shortest and longest wait that a device's own statement can ask for.
const (
	shortestWait = 5 * time.Second
	longestWait  = 10 * time.Minute
)

// wait is how long an answer of this device may take.
func (r Rules) wait(h Hello) time.Duration {
	if h.Timeout <= 0 {
		return r.Answer
	}
	return min(max(h.Timeout, shortestWait), longestWait)
}
