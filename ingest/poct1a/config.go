package poct1a

import (
	"net"
	"time"

	"tidegate/ingest"
	"tidegate/poct"
	wire "tidegate/wire/poct1a"
)

// Config is what the operator sets for a POCT1-A inlet, next to id, kind and
// profiles. Zero values mean the defaults named.
type Config struct {
	Listen         string        `yaml:"listen"`                    // host:port
	MaxFrame       int           `yaml:"max_frame,omitempty"`       // bytes of one document; 1048576
	Idle           time.Duration `yaml:"idle,omitempty"`            // longest silence in continuous mode; 0: none, TCP keepalive alone
	FrameTimeout   time.Duration `yaml:"frame_timeout,omitempty"`   // from the first byte of a document to its last; 60s
	AnswerTimeout  time.Duration `yaml:"answer_timeout,omitempty"`  // for a meter that states no application timeout; 60s
	MaxConnections int           `yaml:"max_connections,omitempty"` // at a time; 256
	TLS            *ingest.TLS   `yaml:"tls,omitempty"`             // none: plain TCP, for a network of the meters' own

	Continuous     bool          `yaml:"continuous,omitempty"`      // start the continuous mode where a meter can
	SendOperators  bool          `yaml:"send_operators,omitempty"`  // who may test at the meter's site
	SendPatients   bool          `yaml:"send_patients,omitempty"`   // whose visit at the meter's site is open
	Refresh        time.Duration `yaml:"refresh,omitempty"`         // of lists in continuous mode; 15m
	SetTime        bool          `yaml:"set_time,omitempty"`        // where a clock is off by more than clock_tolerance
	ClockTolerance time.Duration `yaml:"clock_tolerance,omitempty"` // 30s
	Lock           string        `yaml:"lock,omitempty"`            // withdrawn: lock meters that the registry has as withdrawn; never
	NoEvents       bool          `yaml:"no_events,omitempty"`       // do not ask for events
	SendUnsaid     bool          `yaml:"send_unsaid,omitempty"`     // also what a meter does not say that it can take
	Codes          Codes         `yaml:"codes,omitempty"`
}

// Codes replace words of the conversation, for meters that use others. What the
// standard says is known from public software and descriptions alone.
type Codes struct {
	AskResults      string   `yaml:"ask_results,omitempty"`        // REQ.request_cd; ROBS
	AskEvents       string   `yaml:"ask_events,omitempty"`         // RDEV
	StartContinuous string   `yaml:"start_continuous,omitempty"`   // DTV.command_cd; START_CONTINUOUS
	SetTime         string   `yaml:"set_time,omitempty"`           // SET_TIME
	Lock            string   `yaml:"lock,omitempty"`               // LOCK
	Unlock          string   `yaml:"unlock,omitempty"`             // UNLOCK
	Continuous      string   `yaml:"continuous_profile,omitempty"` // DSC.connection_profile_cd; CS
	Operators       []string `yaml:"operators,omitempty"`          // DSC.topics_supported_cd for a full list; OP_LST, OPL
	OperatorChanges []string `yaml:"operator_changes,omitempty"`   // for changes to it; OP_LST_I, OPL_I
	Patients        []string `yaml:"patients,omitempty"`           // PT_LST, PTL
	PatientChanges  []string `yaml:"patient_changes,omitempty"`    // PT_LST_I, PTL_I
	Events          []string `yaml:"events,omitempty"`             // D_EV, EVS
	EndOperators    string   `yaml:"end_operators,omitempty"`      // EOT.topic_cd; OPL
	EndPatients     string   `yaml:"end_patients,omitempty"`       // PTL
	OperatorsMade   []string `yaml:"operators_updated,omitempty"`  // field of DST with the age of its operator list
	PatientsMade    []string `yaml:"patients_updated,omitempty"`   // and of its patient list
	Insert          string   `yaml:"insert,omitempty"`             // UPD.action_cd; I
	Remove          string   `yaml:"remove,omitempty"`             // D
}

const (
	largestFrame  = 256 << 20
	lockWithdrawn = "withdrawn"
	lockNever     = "never"
)

// Validate finds what is wrong with the keys, without looking at files.
func (c Config) Validate() []poct.KeyFault {
	var faults []poct.KeyFault
	bad := func(wrong bool, key, what, instead string) {
		if wrong {
			faults = append(faults, poct.KeyFault{Key: key, What: what, Instead: instead})
		}
	}
	_, _, err := net.SplitHostPort(c.Listen)
	bad(c.Listen == "", "listen", "is missing", "write the address to listen on, such as 127.0.0.1:2577")
	bad(c.Listen != "" && err != nil, "listen", "is not an address and a port", "write it like 127.0.0.1:2577")
	bad(c.MaxFrame < 0 || c.MaxFrame > largestFrame, "max_frame", "is not a number of bytes from 1 to 268435456", "write the size of the largest document, such as 1048576")
	bad(c.MaxConnections < 0, "max_connections", "is below 1", "write how many meters may be connected at a time, such as 256")
	for _, d := range []struct {
		key   string
		value time.Duration
	}{
		{"idle", c.Idle}, {"frame_timeout", c.FrameTimeout}, {"answer_timeout", c.AnswerTimeout},
		{"refresh", c.Refresh}, {"clock_tolerance", c.ClockTolerance},
	} {
		bad(d.value < 0, d.key, "is below 0", "write a duration such as 60s")
	}
	bad(c.ClockTolerance != 0 && !c.SetTime, "clock_tolerance", "has no effect without set_time", "remove it, or write set_time: true")
	bad(c.Refresh != 0 && (!c.Continuous || !c.SendOperators && !c.SendPatients), "refresh", "has no effect without continuous and a list to send", "remove it")
	bad(c.Lock != "" && c.Lock != lockWithdrawn && c.Lock != lockNever, "lock", "is not known", "write withdrawn or never")
	return append(faults, c.TLS.Validate()...)
}

func (c Config) withDefaults() Config {
	for _, d := range []struct {
		to    *time.Duration
		value time.Duration
	}{{&c.FrameTimeout, time.Minute}, {&c.AnswerTimeout, time.Minute}, {&c.Refresh, 15 * time.Minute}, {&c.ClockTolerance, 30 * time.Second}} {
		if *d.to == 0 {
			*d.to = d.value
		}
	}
	if c.MaxFrame == 0 {
		c.MaxFrame = 1 << 20
	}
	if c.MaxConnections == 0 {
		c.MaxConnections = 256
	}
	return c
}

// rules are the conversation's.
func (c Config) rules() wire.Rules {
	words := wire.DefaultVocabulary()
	for _, w := range []struct {
		to   *string
		from string
	}{
		{&words.AskObservations, c.Codes.AskResults}, {&words.AskEvents, c.Codes.AskEvents},
		{&words.StartContinuous, c.Codes.StartContinuous}, {&words.SetTime, c.Codes.SetTime},
		{&words.Lock, c.Codes.Lock}, {&words.Unlock, c.Codes.Unlock}, {&words.ContinuousProfile, c.Codes.Continuous},
		{&words.OperatorTopic, c.Codes.EndOperators}, {&words.PatientTopic, c.Codes.EndPatients},
		{&words.Insert, c.Codes.Insert}, {&words.Remove, c.Codes.Remove},
	} {
		if w.from != "" {
			*w.to = w.from
		}
	}
	for _, w := range []struct {
		to   *[]string
		from []string
	}{
		{&words.Operators, c.Codes.Operators}, {&words.OperatorChanges, c.Codes.OperatorChanges},
		{&words.Patients, c.Codes.Patients}, {&words.PatientChanges, c.Codes.PatientChanges}, {&words.Events, c.Codes.Events},
		{&words.OperatorListUpdated, c.Codes.OperatorsMade}, {&words.PatientListUpdated, c.Codes.PatientsMade},
	} {
		if w.from != nil {
			*w.to = w.from
		}
	}
	return wire.Rules{
		Words: words, Continuous: c.Continuous, Events: !c.NoEvents, Unsaid: c.SendUnsaid,
		Answer: c.AnswerTimeout, Idle: c.Idle,
	}
}
