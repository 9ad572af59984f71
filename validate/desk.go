package validate

import (
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"

	"tidegate/poct"
)

// Refusal is why an act on a hold is not done, in words for the person. It
// wraps poct.ErrNotAllowed (nobody may) or poct.ErrForbidden (not this person).
type Refusal struct {
	Text string
	kind error
}

func (e *Refusal) Error() string { return e.Text }

// Unwrap lets errors.Is tell the two kinds apart.
func (e *Refusal) Unwrap() error { return e.kind }

func notAllowed(text string) error { return &Refusal{text, poct.ErrNotAllowed} }
func forbidden(text string) error  { return &Refusal{text, poct.ErrForbidden} }

// desks are the roles that settle holds. A person's role may name several,
// separated by spaces or commas.
var desks = []string{RoleReviewer, RoleCoordinator, RoleClinician}

// May tells whether a person may do an act on a hold with these problems. nil
// means yes; otherwise it is a *Refusal. runBy is the operator number under
// which the test was run, "" if unknown.
//
//	release   every holding problem allows it, the person has the desk of each,
//	          and did not run the test
//	correct   some holding problem allows it; everything is checked again
//	discard   some holding problem allows it
//	retry     reads the arrival again, or sends once more
//
// Problems that hang under another one, and those that do not hold, need no
// act of their own. Of the laboratory's own rules only Rules.May knows.
func May(problems []poct.Problem, act poct.Act, actor poct.Actor, runBy string) error {
	return (&Rules{}).May(problems, act, actor, runBy)
}

// May is the function May with the laboratory's own rules.
func (ru *Rules) May(problems []poct.Problem, act poct.Act, actor poct.Actor, runBy string) error {
	roots := holding(problems)
	if act == poct.ActRelease {
		for _, p := range roots {
			if text := ru.neverReleased(p); text != "" {
				return notAllowed(text)
			}
		}
	}
	if len(roots) > 0 && (act == poct.ActCorrect || act == poct.ActDiscard) && !slices.ContainsFunc(roots, func(p poct.Problem) bool {
		info, known := ru.about(p)
		return !known || info.May(act)
	}) {
		return notAllowed(fmt.Sprintf("A hold for %s cannot be settled by %s. %s", roots[0].Code, doing(act), roots[0].Remedy))
	}
	roles := strings.FieldsFunc(actor.Role, func(r rune) bool { return r == ',' || r == ' ' || r == '+' })
	has := func(role string) bool { return slices.Contains(roles, role) }
	switch act {
	case poct.ActRelease:
		for _, p := range roots {
			if info, _ := ru.about(p); !has(info.Desk) {
				return forbidden(fmt.Sprintf("A hold for %s is released by a %s. Ask yours.", p.Code, info.Desk))
			}
		}
		if !slices.ContainsFunc(desks, has) {
			return forbidden("Results are released by a reviewer, coordinator or clinician.")
		}
		if actor.Ran(runBy) {
			return forbidden("Whoever ran the test may not release it. Ask a colleague.")
		}
	case poct.ActCorrect, poct.ActDiscard:
		if !slices.ContainsFunc(desks, has) {
			return forbidden("Holds are settled by a reviewer, coordinator or clinician.")
		}
	case poct.ActRetry:
		if !slices.ContainsFunc(desks, has) && !has("engineer") && !has("admin") {
			return forbidden("An arrival is read again by a reviewer, coordinator, clinician or engineer.")
		}
	default:
		return notAllowed(fmt.Sprintf("%q is no act. Write correct, release, discard or retry.", act))
	}
	return nil
}

// holding lists the problems that hold by themselves.
func holding(problems []poct.Problem) []poct.Problem {
	var roots []poct.Problem
	for _, p := range problems {
		if p.Severity != poct.Hold {
			continue
		}
		if p.Because != "" {
			if root := reported(problems, p.Because); root != nil && root.Severity == poct.Hold {
				continue
			}
		}
		roots = append(roots, p)
	}
	return roots
}

// neverReleased says why nobody may release what this problem holds, "" if
// somebody may.
func (ru *Rules) neverReleased(p poct.Problem) string {
	info, known := ru.about(p)
	remedy := p.Remedy
	if remedy == "" {
		remedy = info.Remedy
	}
	switch {
	case known && p.Field == poct.FieldControlLot:
		return "A control is never released as a patient's result. " + remedy
	case !known:
		return "This hold is not settled by releasing. " + remedy
	case info.May(poct.ActRelease):
		return ""
	case isCannotTell(p):
		return p.Text + " Such a result cannot be released by anyone. " + remedy
	}
	if what := unreleasable[p.Code]; what != "" {
		return what + " cannot be released by anyone. Repeat the test."
	}
	return "A result held for " + p.Code + " cannot be released by anyone. " + remedy
}

// unreleasable names what stays held whoever asks.
var unreleasable = map[string]string{
	"not-a-number":           "A result without a number",
	"onboard-control-failed": "A result whose strip failed its own control",
	"lot-expired":            "A result from an expired strip",
	"lot-recalled":           "A result from a recalled strip lot",
	"impossible-value":       "An impossible value",
}

func doing(act poct.Act) string {
	if act == poct.ActDiscard {
		return "discarding"
	}
	return "a correction"
}

// longest is the most characters that a corrected field may have.
const longest = 64

var (
	loincForm = regexp.MustCompile(`^[0-9]{1,7}-[0-9]$`)
	controls  = func(r rune) bool { return unicode.IsControl(r) || r == unicode.ReplacementChar }
)

// CorrectReading applies a reviewer's changes to a reading and returns the new
// one; the old one stays as it is. Fields:
//
//	patient                   "authority|identifier", or the identifier alone
//	birth_date                YYYY-MM-DD
//	family, given, sex        as on the wristband or card
//	time_offset               seconds to add to the meter's time, or 1h30m, -45m;
//	                          0 confirms a time that the clocks made unclear
//	strip_lot, operator       as printed, as on the badge
//	code                      LOINC code of the INR, or "pt=5964-2"
//
// Values, units and the meter's own time are never changed. The error is a
// *Refusal that says what to write instead, and tells nothing of the patient.
func CorrectReading(r poct.Reading, changes map[string]string) (poct.Reading, error) {
	out := r
	out.Measurements = slices.Clone(r.Measurements)
	for _, field := range sortedKeys(changes) {
		text := strings.TrimSpace(changes[field])
		if text == "" {
			return r, notAllowed(field + " is empty. Write what is right, or leave the field out.")
		}
		if len([]rune(text)) > longest || strings.ContainsFunc(text, controls) {
			return r, notAllowed(fmt.Sprintf("%s is longer than %d characters or has signs that cannot be printed. Write it as it is on the vial, wristband or card.", field, longest))
		}
		if why := correctField(&out, field, text); why != "" {
			return r, notAllowed(why)
		}
	}
	return out, nil
}

// correctField changes one field, or says what to write instead.
func correctField(r *poct.Reading, field, text string) string {
	switch field {
	case poct.FieldPatient:
		authority, id, both := strings.Cut(text, "|")
		if !both {
			authority, id = r.Patient.Authority, text
		}
		if authority, id = strings.TrimSpace(authority), strings.TrimSpace(id); id == "" {
			return "patient has no identifier. Write authority|identifier, or the identifier alone."
		}
		r.Patient = poct.PatientRef{Authority: authority, ID: id}
	case poct.FieldBirthDate:
		if !isDate(text) {
			return "birth_date is no date. Write year, month and day: YYYY-MM-DD."
		}
		r.BirthDate = text
	case poct.FieldFamily:
		r.Family = text
	case poct.FieldGiven:
		r.Given = text
	case poct.FieldSex:
		r.Sex = text
	case poct.FieldStripLot:
		r.StripLot = text
		r.StripExpires = "" // the expiry that was sent belongs to the lot that was sent
	case poct.FieldOperator:
		r.Operator = text
	case poct.FieldTimeOffset:
		offset, ok := offsetSeconds(text)
		if !ok {
			return "time_offset is no number of seconds. Write seconds such as -3600, or a duration such as 1h30m or -45m."
		}
		if r.TestedAt.At.IsZero() {
			return "The meter's time could not be read, so no offset mends it. Discard this, and have the test repeated."
		}
		r.TimeOffset = offset
		r.TestedAt.Ambiguous = "" // a person has said which time is meant
		r.SentAt.Ambiguous = ""
	case poct.FieldCode:
		return correctCode(r, text)
	default:
		return field + " is never changed by hand: values and the meter's own time stay as they came. What can be corrected: patient, birth_date, family, given, sex, time_offset, strip_lot, operator, code."
	}
	return ""
}

func correctCode(r *poct.Reading, text string) string {
	analyte, code, both := strings.Cut(text, "=")
	if !both {
		analyte, code = "inr", text
	}
	known, ok := loinc[code]
	if !loincForm.MatchString(code) || !ok || known.analyte != analyte {
		var codes []string
		for c, k := range loinc {
			if k.analyte == analyte {
				codes = append(codes, c)
			}
		}
		slices.Sort(codes)
		if len(codes) == 0 {
			return "code names neither inr nor pt. Write a LOINC code for the INR, or pt= and the code for the seconds."
		}
		return "code is no LOINC code for " + name(analyte) + ". Write one of " + strings.Join(codes, ", ") + "."
	}
	for i := range r.Measurements {
		if r.Measurements[i].Analyte == analyte {
			r.Measurements[i].LOINC = code
			return ""
		}
	}
	return "code is for a value that this message does not have."
}

// offsetSeconds reads an offset: whole seconds, or a duration of whole seconds.
func offsetSeconds(text string) (int, bool) {
	if n, err := strconv.Atoi(text); err == nil {
		return n, n > -1<<31 && n < 1<<31
	}
	d, err := time.ParseDuration(text)
	return int(d / time.Second), err == nil && d%time.Second == 0
}
