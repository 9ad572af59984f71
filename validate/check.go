package validate

import (
	"cmp"
	"slices"
	"strings"
	"time"

	"tidegate/poct"
)

// Findings is what the checks found about one reading.
type Findings struct {
	Problems []poct.Problem
	// Answers has one entry for each check that is asked of this kind of
	// reading; a control is not asked about a patient.
	Answers []poct.CheckAnswer
	Verdict poct.Verdict
	Rule    string // the named rule, for ignore and duplicate
	// Cause groups holds that one act may settle: a code and the fact that
	// they share, such as "lot-unknown|7K4O231". Never about a patient.
	Cause string
	// Critical asks for a person at once, also where the result is held.
	Critical bool
	// QCPassed is true for a control that was filed and lies within its range.
	QCPassed bool
	// Else is the verdict once a person answers for every holding problem:
	// release for a patient's result, file for anything that never leaves.
	Else poct.Verdict
	// Announce tells that nobody ordered the test and the site wants an order
	// asked for.
	Announce bool
	// ElsePassed is QCPassed under that verdict: a control in range that a
	// person answered for has passed like any other.
	ElsePassed bool
}

// Names of the rules that end a reading without a person.
const (
	RuleNotProduction = "not-production"
	RuleResent        = "resent"
)

// Check judges one reading in its context. decoded are the problems that
// reading the bytes already found; they count like those found here.
func (ru *Rules) Check(res poct.Result, f poct.Facts, decoded []poct.Problem) Findings {
	s := newSubject(&res, &f)
	if mode, _, _ := strings.Cut(s.r.Processing, "^"); mode != "" && mode != "P" {
		return Findings{Verdict: poct.Ignore, Rule: RuleNotProduction, Else: poct.Ignore}
	}
	if f.Owner != nil && f.Owner.Digest == poct.Content(*s.r) {
		return resent()
	}
	out := ru.askAll(s, decoded)
	out.Else = poct.Release
	if s.kind != patient && !s.withdrawsSent() || s.r.Status == poct.StatusPreliminary {
		out.Else = poct.File
	}
	out.Verdict = out.Else
	for _, p := range out.Problems {
		if p.Severity == poct.Hold {
			out.Verdict = poct.HoldIt
			out.Cause = s.cause(out.Problems)
			break
		}
	}
	out.Announce = ru.announces(s)
	passed := s.kind == control && s.controlPassed()
	out.QCPassed, out.ElsePassed = passed && out.Verdict == poct.File, passed && out.Else == poct.File
	return out
}

// askAll runs the table and joins what decoding found with what it finds.
func (ru *Rules) askAll(s *subject, decoded []poct.Problem) Findings {
	rules := ru.at(s.site)
	out := Findings{Answers: make([]poct.CheckAnswer, 0, len(table))}
	for _, p := range decoded {
		if _, known := place[p.Code]; !known {
			out.Problems = append(out.Problems, complete(p, Info{}, ""))
		}
	}
	for _, c := range rules {
		var r reply
		if c.of&s.kind != 0 {
			r = c.answer(s)
		}
		seen := c.among(decoded)
		switch {
		case len(seen) > 0:
			r.answer = poct.Found
		case r.answer == "":
			continue // not asked of this kind of reading
		}
		a := poct.CheckAnswer{Check: c.Number, Code: c.Code, Answer: r.answer, Why: r.why}
		if r.answer != poct.NotAsked {
			a.Limit = cmp.Or(r.limit, c.limit)
		}
		out.Answers = append(out.Answers, a)
		for _, p := range merge(seen, c.complete(r.problems)) {
			p.Limit = cmp.Or(p.Limit, a.Limit)
			out.Problems = append(out.Problems, p)
		}
		if c.Code == codeCritical && r.answer == poct.Found {
			out.Critical = true
		}
	}
	settleBecause(out.Problems)
	return out
}

// among picks what decoding found for this check.
func (k *rule) among(decoded []poct.Problem) []poct.Problem {
	var mine []poct.Problem
	for _, p := range decoded {
		if p.Code == k.Code {
			mine = append(mine, p)
		}
	}
	return k.complete(mine)
}

func (k *rule) complete(problems []poct.Problem) []poct.Problem {
	for i, p := range problems {
		problems[i] = complete(p, k.Info, k.sev)
	}
	return problems
}

// merge joins what decoding and the check found. About one field decoding's
// words stand, since it saw the bytes, with the graver severity of both.
func merge(decoded, own []poct.Problem) []poct.Problem {
	if len(decoded) == 0 {
		return own
	}
	for _, p := range own {
		i := slices.IndexFunc(decoded, func(d poct.Problem) bool { return d.Field == p.Field })
		switch {
		case i < 0:
			decoded = append(decoded, p)
		case weight(p.Severity) > weight(decoded[i].Severity):
			decoded[i].Severity = p.Severity
		}
	}
	return decoded
}

// complete gives a problem what its check's entry says, where it says nothing.
func complete(p poct.Problem, info Info, set poct.Severity) poct.Problem {
	p.Check = cmp.Or(p.Check, info.Number)
	p.Code = cmp.Or(p.Code, info.Code)
	p.Remedy = cmp.Or(p.Remedy, info.Remedy)
	switch {
	case set != "" && p.Because == "" && !isCannotTell(p):
		p.Severity = set
	case p.Severity == "" && info.Severity != "":
		p.Severity = info.Severity
	case p.Severity == "":
		p.Severity = poct.Hold
	}
	return p
}

// settleBecause gives each problem that hangs under another one its severity,
// and makes it a problem of its own where that other one was not reported.
// What cannot be told holds; only where both this check and its cause would
// never hold does it stay what its cause is.
func settleBecause(problems []poct.Problem) {
	for i := range problems {
		p := &problems[i]
		if p.Because == "" {
			continue
		}
		root := reported(problems, p.Because)
		if root == nil {
			p.Because = ""
			p.Severity = poct.Hold
			continue
		}
		p.Severity = poct.Hold
		if table[place[p.Code]].Severity != poct.Hold {
			p.Severity = root.Severity
		}
	}
}

func reported(problems []poct.Problem, code string) *poct.Problem {
	for i := range problems {
		if problems[i].Code == code && problems[i].Because == "" {
			return &problems[i]
		}
	}
	return nil
}

const switchedOff = "switched off in the configuration"

// answer asks one check, unless the configuration leaves it unasked.
func (k *rule) answer(s *subject) reply {
	if why := k.unaskedEverywhere(); why != "" {
		return k.unasked(why)
	}
	if s.kind&(patient|comparison) != 0 && !k.late {
		for _, field := range k.needs {
			if s.lacks(field) {
				return k.unasked(notSent(field))
			}
		}
	}
	return k.ask(s, k)
}

// subject is the reading under judgement with what is derived from it once.
type subject struct {
	r    *poct.Reading
	f    *poct.Facts
	kind kinds
	site string
	inr  poct.Measurement
	pt   poct.Measurement
	// tested is the time of the test; timeWaits names the problem for which
	// every check that needs it waits, "" if the time is known.
	tested    time.Time
	timeWaits string
	vars      map[string]any // for local rules, once one asks
}

func newSubject(res *poct.Result, f *poct.Facts) *subject {
	s := &subject{r: &res.Reading, f: f, site: res.Site}
	if s.site == "" && f.Site != nil {
		s.site = f.Site.ID
	}
	switch {
	case s.r.Kind == poct.KindUnread || s.r.Kind == "":
		s.kind = unread
	case s.r.Kind == poct.KindEvent:
		s.kind = event
	case s.r.Kind == poct.KindContext:
		s.kind = told
	case s.r.Status == poct.StatusWithdrawn:
		s.kind = withdrawal
	case s.r.Kind == poct.KindControl:
		s.kind = control
	case s.r.Kind == poct.KindComparison:
		s.kind = comparison
	default:
		s.kind = patient
	}
	s.inr, _ = s.r.Measured("inr")
	s.pt, _ = s.r.Measured("pt")
	// A test that gave no result is no result. An error that the profile has no
	// words for stays what it is: perhaps the profile reads the wrong field.
	noValue := s.inr.RawValue == "" && s.pt.RawValue == ""
	if noValue && (s.kind == patient && s.r.Status == poct.StatusCancelled || s.kind&(measured|comparison) != 0 && s.r.ErrorText != "") {
		s.kind = event
	}
	s.tested = s.r.Tested()
	switch {
	case s.r.TestedAt.Ambiguous != "":
		s.timeWaits = "time-ambiguous"
	case s.tested.IsZero() || !toTheMinute(s.r.TestedAt.Precision):
		s.timeWaits = "missing-essential"
	}
	return s
}

// toTheMinute reports whether a time is precise enough to order a test and its
// controls. An empty precision comes from a source that has only one.
func toTheMinute(precision string) bool {
	return precision == "" || precision == "minute" || precision == "second" || precision == "fraction"
}

// lacks reports whether the profile says that a field does not exist, and the
// reading has none either.
func (s *subject) lacks(field string) bool {
	if s.r.Sends(field) {
		return false
	}
	switch field {
	case poct.FieldStripLot:
		return s.r.StripLot == ""
	case poct.FieldOperator:
		return s.r.Operator == ""
	case poct.FieldBirthDate:
		return s.r.BirthDate == ""
	case poct.FieldSequence:
		return s.r.Sequence == ""
	case "pt":
		return s.pt.RawValue == ""
	}
	return true
}

// cause names what groups this hold with others: the first problem that others
// may share, else the first of all, which then groups with nothing.
func (s *subject) cause(problems []poct.Problem) string {
	first := ""
	for _, p := range problems {
		if p.Severity != poct.Hold || p.Because != "" {
			continue
		}
		if fact := s.shared(p); fact != "" {
			return p.Code + "|" + fact
		}
		if first == "" {
			first = p.Code + "|" + s.own()
		}
	}
	return first
}

// own identifies this reading alone, without its patient.
func (s *subject) own() string {
	if key := s.r.Key(); key != "" {
		return key
	}
	return s.r.Arrival + "#" + itoa(s.r.Index)
}

// shared is the fact that a problem has in common with other results, "" if
// it is this result's alone.
func (s *subject) shared(p poct.Problem) string {
	r := s.r
	switch p.Code {
	case "lot-unknown", "lot-expired", "lot-recalled", "lot-constants-implausible":
		if p.Field == poct.FieldControlLot {
			return r.ControlLot
		}
		return r.StripLot
	case "lot-not-accepted", "qc-overdue", "qc-failed", "qc-multirule":
		return r.Meter + "|" + r.StripLot
	case "meter-unknown":
		if s.f.RegistryEmpty {
			return "registry is empty"
		}
		return r.Meter
	case "meter-withdrawn", "clock-offset", "future-time":
		return r.Meter
	case "operator-unknown", "operator-lapsed":
		return r.Operator
	case "unit-unexpected", "unreadable-record":
		return r.Profile
	}
	return ""
}
