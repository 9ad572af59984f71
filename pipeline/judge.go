package pipeline

import (
	"slices"
	"strconv"
	"time"

	"tidegate/mapping"
	"tidegate/poct"
	"tidegate/validate"
)

// FactsFunc answers what is known about a reading. The registry provides it.
type FactsFunc func(book poct.Book, r poct.Reading, received, now time.Time) (poct.Facts, error)

// ZonesFunc gives the time zone of a meter's site. The registry provides it.
type ZonesFunc func(book poct.Book) mapping.Zones

// ContextFunc settles what a message about patients, visits and orders changes.
// The registry provides it.
type ContextFunc func(book poct.Book, c poct.Context) (poct.Changes, error)

// InletRule is what the configuration says of one inlet's arrivals.
type InletRule struct {
	Profiles []*mapping.Profile
	Context  mapping.ContextRule // what it takes, and how messages about patients and orders are read
	// AllowNonProduction judges training and debugging messages like live
	// ones; otherwise the rule "not-production" ignores them.
	AllowNonProduction bool
}

// OutletRule binds an outlet to sites.
type OutletRule struct {
	ID    string
	Sites []string // "*" for all
}

func (o OutletRule) serves(site string) bool {
	for _, s := range o.Sites {
		if s == "*" || s == site {
			return true
		}
	}
	return false
}

// Judge decides arrivals. Make one with its fields set; it is safe for
// concurrent use as long as they are not changed.
type Judge struct {
	Inlets  map[string]InletRule
	Outlets []OutletRule
	Rules   *validate.Rules
	Facts   FactsFunc
	Zones   ZonesFunc
	Context ContextFunc
	Now     func() time.Time
	// Patience is how long an arrival waits for look-ups that fail, counted
	// from when it came; then it is held.
	Patience time.Duration
	// Failed is told of each look-up that failed; may be nil.
	Failed func(error)
}

// lookAgain is the pause before a failed look-up is tried once more.
const lookAgain = 5 * time.Second

// Decide reads an arrival and judges each of its readings. It never fails on
// what the bytes say: whatever cannot be read is held with a reason. A look-up
// that fails is no answer: the arrival waits, and is held once that has taken
// too long.
func (j *Judge) Decide(book poct.Book, a poct.Arrival) (poct.Decision, error) {
	d := poct.Decision{Arrival: a.ID}
	seen := map[string]bool{}
	for _, dec := range j.decode(book, a) {
		facts, err := j.Facts(book, dec.Reading, a.Received, j.Now())
		if err != nil && j.Now().Sub(a.Received) < j.Patience {
			j.failed(err)
			return poct.Decision{Arrival: a.ID, Wait: j.Now().Add(lookAgain)}, nil
		}
		o, _ := j.outcome(a.Inlet, dec.Reading, facts, dec.Problems)
		if err == nil {
			if err := j.tell(book, dec.Context, &o); err != nil {
				return poct.Decision{}, err
			}
		}
		if err != nil {
			j.failed(err)
			o.Result.Key, o.Owner = "", "" // what else has this key could not be asked
			blind(&o, dec.Problems)
			hold(&o, poct.Problem{
				Code: "look-up-failed", Severity: poct.Hold, Field: poct.FieldMessage,
				Text:   "What is known about this result could not be looked up, for too long to wait.",
				Remedy: "Once the log says that look-ups work again, read the arrival again.",
			})
		}
		// The store applies outcomes after this function returns, so a second
		// reading of one message under the same key is told apart here.
		if key := o.Result.Key; key != "" {
			if seen[key] {
				o = conflict(o)
			}
			seen[key] = true
		}
		d.Outcomes = append(d.Outcomes, o)
	}
	return d, nil
}

func (j *Judge) decode(book poct.Book, a poct.Arrival) []mapping.Decoded {
	if d, ok := mapping.DecodeContext(a, j.Inlets[a.Inlet].Context); ok {
		return []mapping.Decoded{d}
	}
	return mapping.Decode(a, j.Inlets[a.Inlet].Profiles, j.Zones(book))
}

// Patients lists the patients whom an arrival's readings name.
func (j *Judge) Patients(a poct.Arrival) []poct.PatientRef {
	rule := j.Inlets[a.Inlet]
	if _, ok := mapping.DecodeContext(a, rule.Context); ok {
		return nil // what it tells of is not looked up
	}
	var refs []poct.PatientRef
	for _, dec := range mapping.Decode(a, rule.Profiles, nil) {
		if k := dec.Reading.Kind; (k == poct.KindPatient || k == poct.KindComparison) && dec.Reading.Patient.ID != "" {
			refs = append(refs, dec.Reading.Patient)
		}
	}
	return refs
}

func (j *Judge) failed(err error) {
	if j.Failed != nil {
		j.Failed(err)
	}
}

// outcome turns what the checks found into everything that the deciding commit
// needs. The findings also tell what it would be if a person answered for what
// holds it.
func (j *Judge) outcome(inlet string, r poct.Reading, f poct.Facts, decoded []poct.Problem) (poct.Outcome, validate.Findings) {
	if j.Inlets[inlet].AllowNonProduction {
		r.Processing = "P"
	}
	res := mapping.Resolve(r, f)
	found := j.Rules.Check(res, f, decoded)
	o := poct.Outcome{
		Result:   res,
		Verdict:  found.Verdict,
		Rule:     found.Rule,
		Problems: found.Problems,
		Checks:   found.Answers,
		Cause:    found.Cause,
		Critical: found.Critical,
		QCPassed: found.QCPassed,
	}
	o.Result.Announce = found.Announce
	for _, p := range found.Problems {
		if p.Severity == poct.Flag {
			o.Result.Marks = append(o.Result.Marks, p.Text)
		}
	}
	if f.Owner != nil {
		j.own(&o, *f.Owner)
	}
	if o.Verdict == poct.Release {
		j.bind(&o, f.Owner)
	}
	return o, found
}

// own relates a reading to the result that already has its test key: the same
// once more, a new version of it, or something that must not touch it.
func (j *Judge) own(o *poct.Outcome, owner poct.Past) {
	switch {
	case o.Verdict == poct.Duplicate, o.Verdict == poct.Ignore:
		o.Owner = owner.Result
	case has(o.Problems, "conflicting-resend"):
		o.Result.Key = "" // the key stays with its owner
	default:
		o.Owner = owner.Result
		o.Result.Replaces = replaces(owner.Reading, o.Result.Reading)
	}
}

// bind says where a released result goes and what is done there.
func (j *Judge) bind(o *poct.Outcome, owner *poct.Past) {
	switch o.Result.Reading.Status {
	case poct.StatusWithdrawn:
		o.Action = poct.Withdraw
	case poct.StatusCorrected:
		o.Action = poct.Correct
	default:
		o.Action = poct.Create
	}
	if owner == nil {
		o.Action = poct.Create
	} else if o.Action == poct.Create {
		o.Action = poct.Correct // a further version of a result is never a second one
	}
	if o.Action == poct.Correct && owner != nil && owner.Reading.Patient != o.Result.Reading.Patient {
		o.Refile = true // subject is never edited: withdrawn, then filed anew
	}
	for _, out := range j.Outlets {
		if out.serves(o.Result.Site) {
			o.Outlets = append(o.Outlets, out.ID)
		}
	}
	if len(o.Outlets) == 0 {
		hold(o, poct.Problem{
			Code: "no-outlet", Severity: poct.Hold, Field: poct.FieldMeter,
			Text:   "No outlet is bound to the site of this meter, so this result has nowhere to go.",
			Remedy: "Name the site under an outlet in the configuration, then read the arrival again.",
		})
	}
}

// conflict holds a reading whose key another reading of the same message has.
func conflict(o poct.Outcome) poct.Outcome {
	o.Result.Key, o.Owner = "", ""
	hold(&o, poct.Problem{
		Check: "44", Code: "conflicting-resend", Severity: poct.Hold, Field: poct.FieldSequence,
		Text:   "The message holds two results under one meter, sequence number and time.",
		Remedy: "Compare with the meter's own memory, then discard the one that is not there.",
	})
	return o
}

func hold(o *poct.Outcome, p poct.Problem) {
	o.Verdict, o.Rule = poct.HoldIt, ""
	o.Problems = append(o.Problems, p)
	o.Outlets, o.Action, o.Refile = nil, "", false
	if o.Cause == "" {
		o.Cause = p.Code + "|" + o.Result.Site + "|" + o.Result.Reading.Meter
	}
}

// blind leaves of the findings what needs no look-up: what the bytes told, and
// that a value is critical. The others would say "unknown" of what was not asked.
func blind(o *poct.Outcome, decoded []poct.Problem) {
	o.Problems = slices.DeleteFunc(o.Problems, func(p poct.Problem) bool { return p.Code != "critical" && !has(decoded, p.Code) })
	o.Checks, o.Result.Marks, o.Cause = nil, nil, ""
}

func has(problems []poct.Problem, code string) bool {
	for _, p := range problems {
		if p.Code == code {
			return true
		}
	}
	return false
}

// replaces says in one line what a new version changes, for the note that
// travels with it. Values only: who it belongs to is not for a note.
func replaces(old, now poct.Reading) string {
	text := ""
	add := func(name, was, is string) {
		if was == is {
			return
		}
		if text != "" {
			text += "; "
		}
		text += name + " was " + orNone(was) + ", is " + orNone(is)
	}
	for _, m := range now.Measurements {
		was, _ := old.Measured(m.Analyte)
		add(analyteName(m.Analyte), was.RawValue, m.RawValue)
	}
	add("strip lot", old.StripLot, now.StripLot)
	add("operator", old.Operator, now.Operator)
	if old.TimeOffset != now.TimeOffset {
		add("clock offset", strconv.Itoa(old.TimeOffset)+" s", strconv.Itoa(now.TimeOffset)+" s")
	}
	return text
}

func analyteName(a string) string {
	if a == "pt" {
		return "PT"
	}
	return "INR"
}

func orNone(s string) string {
	if s == "" {
		return "none"
	}
	return s
}
