package validate

import (
	"strconv"
	"strings"
	"time"

	"tidegate/poct"
)

// reply is one check's answer with the problems behind it. What a problem
// leaves empty comes from the check's entry in the table.
type reply struct {
	answer   poct.Answer
	problems []poct.Problem
	limit    string // the limit as applied, where it depends on the result
	why      string // for not asked and cannot tell
}

var pass = reply{answer: poct.Pass}

// found reports a problem with a field in a text of its own.
func found(field, text string) reply {
	return reply{answer: poct.Found, problems: []poct.Problem{{Field: field, Text: text}}}
}

// found reports a problem with a field in the check's text, its names filled
// with facts: found("inr", "value", "2.5").
func (k *rule) found(field string, facts ...string) reply {
	text := k.Text
	for i := 0; i+1 < len(facts); i += 2 {
		text = strings.ReplaceAll(text, "{"+facts[i]+"}", facts[i+1])
	}
	return found(field, text)
}

// unsure answers cannot tell, for a reason of its own: it holds.
func (k *rule) unsure(field, because, remedy string) reply {
	return reply{
		answer: poct.CannotTell, why: because,
		problems: []poct.Problem{{
			Field: field, Severity: poct.Hold, Remedy: remedy,
			Text: cannotTell + k.Asks + ": " + because + ".",
		}},
	}
}

// waits answers cannot tell because of another problem, under which it hangs.
func (k *rule) waits(code string) reply {
	because := waiting[code]
	return reply{
		answer: poct.CannotTell, why: because,
		problems: []poct.Problem{{
			Because: code, Text: cannotTell + k.Asks + ", because " + because + ".",
			Remedy: "It is asked again once that is settled.",
		}},
	}
}

// unasked answers not asked; only the configuration may be the reason.
func (k *rule) unasked(why string) reply { return reply{answer: poct.NotAsked, why: why} }

// as sets the severity of what was found.
func (r reply) as(sev poct.Severity) reply {
	for i := range r.problems {
		r.problems[i].Severity = sev
	}
	return r
}

// but sets a remedy other than the check's usual one.
func (r reply) but(remedy string) reply {
	for i := range r.problems {
		r.problems[i].Remedy = remedy
	}
	return r
}

// by sets the limit as applied to this result.
func (r reply) by(limit string) reply {
	r.limit = limit
	return r
}

// and joins two replies; the worse answer stands.
func (r reply) and(o reply) reply {
	if rank(o.answer) > rank(r.answer) {
		r.answer = o.answer
	}
	if r.why == "" {
		r.why = o.why
	}
	if r.limit == "" {
		r.limit = o.limit
	}
	r.problems = append(r.problems, o.problems...)
	return r
}

func rank(a poct.Answer) int {
	switch a {
	case poct.Found:
		return 3
	case poct.CannotTell:
		return 2
	case poct.Pass:
		return 1
	}
	return 0
}

// cannotTell begins the text of every problem that is a doubt rather than a
// finding.
const cannotTell = "Cannot tell "

func isCannotTell(p poct.Problem) bool { return strings.HasPrefix(p.Text, cannotTell) }

// waiting says in words what the problems are for which other checks wait.
var waiting = map[string]string{
	"unreadable-record": "the message could not be read",
	"missing-essential": "something essential is missing",
	"not-a-number":      "the value is not a number",
	"patient-unknown":   "the patient is not in the registry",
	"patient-ambiguous": "it is not clear which patient is meant",
	"operator-unknown":  "the operator is not known",
	"clock-offset":      "what the meter's clock said is not clear",
	"time-ambiguous":    "the time of the test is not clear",
	"meter-unknown":     "the meter is not in the registry",
	"lot-unknown":       "the lot is not in the registry",
	"lot-not-accepted":  "no control has passed with this lot",
}

// notSent says why the profile leaves a check unasked.
func notSent(field string) string {
	name := map[string]string{
		poct.FieldStripLot: "a strip lot", poct.FieldOperator: "an operator", poct.FieldBirthDate: "a birth date",
		poct.FieldSequence: "a sequence number", "pt": "seconds", "specimen": "the kind of sample",
	}[field]
	if name == "" {
		name = field
	}
	return "the meter profile says that this meter does not send " + name
}

func itoa(n int) string { return strconv.Itoa(n) }

// clock writes a time for a reader at the site: local time of the test.
func clock(t time.Time) string { return t.Format("2 Jan 2006 15:04") }

// span writes a duration the way a person would: "9 h 12 min", "8 d".
func span(d time.Duration) string {
	if d < 0 {
		d = -d
	}
	d = d.Round(time.Minute)
	days, hours, mins := int(d.Hours())/24, int(d.Hours())%24, int(d.Minutes())%60
	switch {
	case days >= 2 && hours == 0 && mins == 0:
		return itoa(days) + " d"
	case days >= 2:
		return itoa(days) + " d " + itoa(hours) + " h"
	case d >= time.Hour && mins == 0:
		return itoa(int(d.Hours())) + " h"
	case d >= time.Hour:
		return itoa(int(d.Hours())) + " h " + itoa(mins) + " min"
	}
	return itoa(mins) + " min"
}
