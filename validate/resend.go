package validate

import (
	"time"

	"tidegate/poct"
)

const codeResent = "resent"

var resendChecks = []check{
	{
		Info: Info{
			Number: "43", Code: codeResent, Title: "Same result once more",
			Asks:     "whether this result came before",
			Compares: "meter, sequence, device time and content against the result that has this key",
			Text:     "The meter sent this result before; it is set aside as a duplicate.",
			Remedy:   "Nothing to do.",
			Severity: poct.Note, Desk: RoleReviewer,
		},
		of: everyOne &^ unread, ask: askResent,
	},
	{
		Info: Info{
			Number: "44", Code: "conflicting-resend", Title: "Same test, other content",
			Asks:     "whether this contradicts what came before",
			Compares: "content under the same meter, sequence and device time, and the status of both",
			Text:     "Under this meter, sequence and time another result came before, and nothing marks this one as its correction.",
			Remedy:   "Compare both with the meter's own memory. Discard the one that is not there.",
			Severity: poct.Hold, Acts: "CD", Desk: RoleReviewer,
		},
		of: everyOne &^ unread, ask: askConflict,
	},
	{
		Info: Info{
			Number: "45", Code: "repeat-test", Title: "Repeated test",
			Asks:     "whether this repeats a test",
			Compares: "this patient's results shortly before, on any meter",
			Text:     "This patient was tested {ago} earlier, with INR {before}. Both results are kept.",
			Remedy:   "Choose which of the two to follow.",
			Severity: poct.Flag, Acts: "RD", Desk: RoleClinician, Source: ownDefault,
			Keys: []Key{{Name: "limit", Kind: Duration, Default: "15m", Means: "how soon after another a test counts as its repeat"}},
		},
		of: patient, ask: askRepeat,
	},
	lateCheck,
}

// resent is the whole judgement on a reading that came before.
func resent() Findings {
	i := place[codeResent]
	info := table[i].Info
	return Findings{
		Verdict: poct.Duplicate, Rule: RuleResent, Else: poct.Duplicate,
		Problems: []poct.Problem{complete(poct.Problem{Field: poct.FieldMessage, Text: info.Text}, info, "")},
		Answers:  []poct.CheckAnswer{{Check: info.Number, Code: info.Code, Answer: poct.Found}},
	}
}

// askResent only sees what came for the first time: Check ends a resend before
// any check is asked.
func askResent(s *subject, k *rule) reply {
	if s.r.Key() == "" && s.kind != event {
		return k.waits("missing-essential")
	}
	return pass
}

// askConflict relates a reading to the result that has its key.
func askConflict(s *subject, k *rule) reply {
	const compare = "Compare both with the meter's own memory."
	if s.r.Key() == "" && s.kind != event {
		return k.waits("missing-essential")
	}
	owner := s.f.Owner
	if owner == nil {
		switch {
		case s.kind == withdrawal:
			return found(poct.FieldMessage, "The meter withdraws a result that never came here.").
				but("Look for it in the record system. Discard this once nothing is left of it there.")
		case s.r.Status == poct.StatusCorrected:
			return found(poct.FieldMessage, "The meter calls this a correction, but no earlier result of this test is known here.").
				as(poct.Flag).but("Look in the record system for the result that it corrects.")
		}
		return pass
	}
	was, now := owner.Reading.Status, s.r.Status
	switch {
	case s.kind == event && (owner.Reading.Kind == poct.KindEvent || was == poct.StatusCancelled):
		return pass // events claim nothing that they could contradict
	case owner.Reading.Kind != s.r.Kind:
		return found(poct.FieldSequence, "Under this meter, sequence and time the meter has sent something of another kind before.").but(compare)
	case was == poct.StatusWithdrawn:
		return found(poct.FieldMessage, "The meter withdrew this result before, and now sends it again.").but(compare)
	case s.kind == withdrawal:
		return askWithdrawal(s, owner)
	case s.kind == event:
		return found(poct.FieldMessage, "The meter now says that this test gave no result, but a result came before.").but(compare)
	case was == poct.StatusPreliminary, now == poct.StatusCorrected:
		return pass
	case was == poct.StatusCorrected:
		return found(poct.FieldMessage, "A correction of this result came before; this one is not marked as a correction of it.").
			but("Keep the correction and discard this one, unless the meter's own memory says otherwise.")
	case now == poct.StatusPreliminary:
		return found(poct.FieldMessage, "The final result came before; this one is marked as preliminary.").
			but("Keep the final result and discard this one.")
	}
	return k.found(poct.FieldSequence)
}

// askWithdrawal asks whether a withdrawal may take back what it names.
func askWithdrawal(s *subject, owner *poct.Past) reply {
	switch {
	case s.r.Patient.ID != "" && owner.Reading.Patient.ID != "" && s.r.Patient.ID != owner.Reading.Patient.ID:
		return found(poct.FieldPatient, "The withdrawal names another patient than the result that it withdraws.").
			but("Find out which result is meant. A result is withdrawn under the patient that it was filed for.")
	case owner.State == poct.Held:
		return found(poct.FieldMessage, "The meter withdraws a result that is still held here. Nothing of it was sent.").
			but("Discard the held result, then this withdrawal.")
	}
	return pass
}

// withdrawsSent reports whether this takes back something that was sent on;
// the withdrawal of anything else is filed.
func (s *subject) withdrawsSent() bool {
	o := s.f.Owner
	return s.kind == withdrawal && s.r.Kind == poct.KindPatient && o != nil &&
		(o.State == poct.Delivered || o.State == poct.Delivering || o.State == poct.Waiting)
}

func askRepeat(s *subject, k *rule) reply {
	switch {
	case s.timeWaits != "":
		return k.waits(s.timeWaits)
	case s.f.Patient == nil:
		return k.waits(s.patientWaits())
	}
	for _, p := range s.f.History {
		gap := s.tested.Sub(p.Tested)
		if p.Key == s.r.Key() || gap < 0 || gap > k.spans["limit"] {
			continue
		}
		before, _ := p.Reading.Measured("inr")
		ago := span(gap)
		if gap < time.Minute {
			ago = "less than a minute"
		}
		return k.found(poct.FieldTestedAt, "ago", ago, "before", before.Value.String())
	}
	return pass
}
