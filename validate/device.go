package validate

import (
	"slices"
	"strings"
	"time"

	"tidegate/poct"
)

var deviceChecks = []check{
	{
		Info: Info{
			Number: "17", Code: "meter-unknown", Title: "Meter is not in the registry",
			Asks:     "whether the meter is known",
			Compares: "the serial as sent against the meters of the registry",
			Text:     "Meter {meter} is not in the registry.",
			Remedy:   "Register the meter, then read the arrival again.",
			Severity: poct.Hold, Acts: "CD", Desk: RoleReviewer,
		},
		of: measured, ready: true, ask: askMeter,
	},
	{
		Info: Info{
			Number: "18", Code: "meter-withdrawn", Title: "Meter is withdrawn",
			Asks:     "whether the meter was in use",
			Compares: "the meter's state in the registry",
			Text:     "Meter {meter} is withdrawn from use.",
			Remedy:   "Repeat the test on another meter, and take this one out of reach.",
			Severity: poct.Hold, Acts: "RD", Desk: RoleCoordinator,
		},
		of: patient, ready: true, ask: askMeterState,
	},
	{
		Info: Info{
			Number: "19", Code: "wrong-site", Title: "Meter belongs to another site than the visit",
			Asks:     "whether meter and visit are at one site",
			Compares: "the meter's site against the visit's",
			Text:     "The meter belongs to {here}, the patient's visit is at {there}.",
			Remedy:   "Check that the result belongs to this patient, and the meter's site in the registry.",
			Severity: poct.Flag, Acts: "CR", Desk: RoleCoordinator, Source: ownDefault,
			Unasked: "it needs visits in the registry, so it is asked only where checks.wrong-site is set",
		},
		of: patient, optIn: true, ask: askSite,
	},
	{
		Info: Info{
			Number: "20", Code: "operator-unknown", Title: "Operator is not in the registry",
			Asks:     "whether the operator is known",
			Compares: "the operator number against the operators of the registry and their sites",
			Text:     "Operator {operator} is not in the registry.",
			Remedy:   "Ask who ran the test and correct the operator, or register the person and read the arrival again.",
			Severity: poct.Hold, Acts: "CR", Desk: RoleCoordinator,
			Unasked: "the meter profile lists operator under not_sent",
		},
		of: patient, needs: []string{poct.FieldOperator}, ask: askOperator,
	},
	{
		Info: Info{
			Number: "21", Code: "operator-lapsed", Title: "Operator's certificate had lapsed",
			Asks:     "whether the operator was certified",
			Compares: "the day of the test against the last day of the certificate",
			Text:     "The certificate of operator {operator} ended on {until}, before the test.",
			Remedy:   "Have somebody else repeat the test, and renew the certificate.",
			Severity: poct.Hold, Acts: "RD", Desk: RoleCoordinator, Source: "42 CFR 493.1413(b)(8) and 493.1445(e)(13) ask for yearly competency, as pages on competency cite them",
			Unasked: "the meter profile lists operator under not_sent",
		},
		of: patient, needs: []string{poct.FieldOperator}, ask: askCertified,
	},
	{
		Info: Info{
			Number: "21a", Code: "shared-log-in", Title: "Operator number is shared",
			Asks:     "whether the operator number names one person",
			Compares: "the mark of the operator's row in the registry",
			Text:     "Operator number {operator} is shared by several people, so it does not say who ran the test.",
			Remedy:   "Ask who ran the test and correct the operator. Give each person a number of their own.",
			Severity: poct.Flag, Acts: "CR", Desk: RoleCoordinator, Source: ownDefault + "; 42 CFR 493.1283 asks for the identity of whoever tests",
			Unasked: "the meter profile lists operator under not_sent",
		},
		of: patient, needs: []string{poct.FieldOperator}, ask: askShared,
	},
	{
		Info: Info{
			Number: "22", Code: "onboard-control-failed", Title: "The strip's own control failed",
			Asks:     "whether the strip's own control passed",
			Compares: "outcome of the on-board control, sent with a value",
			Text:     "The strip's own control failed, and the meter sent a value all the same.",
			Remedy:   repeatAdvice,
			Severity: poct.Hold, Acts: "D", Desk: RoleCoordinator,
		},
		of: patient, ask: askOnboard,
	},
	{
		Info: Info{
			Number: "22a", Code: "sampling-late", Title: "Sample came late onto the strip",
			Asks:     "whether the sample came onto the strip in time",
			Compares: "the time from the meter's prompt to the sample, where the meter tells both; times given to the minute count as the shortest that they allow",
			Text:     "The sample came onto the strip {after} the meter asked for it; the usual limit is {limit}.",
			Remedy:   repeatAdvice,
			Severity: poct.Flag, Acts: "RD", Desk: RoleClinician, Source: commonPractice,
			Keys:    []Key{{Name: "limit", Kind: Duration, Default: "150s", Means: "longest time from prompt to sample"}},
			Unasked: "the meter profile lists asked_at or sampled_at under not_sent",
		},
		of: patient, needs: []string{poct.FieldAskedAt, poct.FieldSampledAt}, ask: askSampling,
	},
}

func askMeter(s *subject, k *rule) reply {
	switch {
	case s.r.Meter == "":
		return k.waits("missing-essential")
	case s.f.RegistryEmpty:
		return k.found(poct.FieldMeter, "meter", s.r.Meter).but("The registry has no rows yet. Import it, then read the arrival again.")
	case s.f.Meter == nil:
		text := "Meter " + s.r.Meter + " is not in the registry."
		if s.f.NearestMeter != "" {
			text += " A registered serial looks like it: " + s.f.NearestMeter + "."
		}
		return found(poct.FieldMeter, text)
	case s.f.Site == nil:
		return found(poct.FieldMeter, "Meter "+s.r.Meter+" is registered at site "+quote(s.f.Meter.Site)+", which is not in the registry.").
			but("Register the site, then read the arrival again.")
	}
	return pass
}

func askMeterState(s *subject, k *rule) reply {
	switch m := s.f.Meter; {
	case m == nil:
		return k.waits(s.meterWaits())
	case m.State == "in-use":
		return pass
	case m.State == "withdrawn":
		return k.found(poct.FieldMeter, "meter", s.r.Meter)
	default:
		return k.unsure(poct.FieldMeter, "the registry says neither in-use nor withdrawn", "Enter the meter's state in the registry.")
	}
}

func askSite(s *subject, k *rule) reply {
	switch {
	case s.f.Meter == nil:
		return k.waits(s.meterWaits())
	case s.f.Patient == nil:
		return k.waits(s.patientWaits())
	case s.f.Visit == nil:
		return found(poct.FieldVisit, "No visit of this patient is known at the time of the test, so its site cannot be compared.")
	case s.f.Visit.Site != s.f.Meter.Site:
		return k.found(poct.FieldMeter, "here", s.f.Meter.Site, "there", s.f.Visit.Site)
	}
	return pass
}

func askOperator(s *subject, k *rule) reply {
	const find = "Ask who ran the test and correct the operator."
	op := s.f.Operator
	switch {
	case s.r.Operator == "":
		return k.unsure(poct.FieldOperator, "the message names no operator", find)
	case op == nil:
		return k.found(poct.FieldOperator, "operator", s.r.Operator)
	case s.f.Meter == nil:
		return k.waits(s.meterWaits())
	case !slices.Contains(op.Sites, "*") && !slices.Contains(op.Sites, s.f.Meter.Site):
		return found(poct.FieldOperator, "Operator "+s.r.Operator+" is not registered for site "+s.f.Meter.Site+".")
	}
	return pass
}

func askCertified(s *subject, k *rule) reply {
	op := s.f.Operator
	switch {
	case op == nil:
		return k.waits("operator-unknown")
	case s.timeWaits != "":
		return k.waits(s.timeWaits)
	case op.CertifiedUntil == "":
		return k.unsure(poct.FieldOperator, "the registry does not say until when", "Enter the last day of the certificate in the registry.")
	case s.day() > op.CertifiedUntil:
		return k.found(poct.FieldOperator, "operator", s.r.Operator, "until", op.CertifiedUntil).by("last day " + op.CertifiedUntil + " (registry)")
	}
	return pass.by("last day " + op.CertifiedUntil + " (registry)")
}

func askShared(s *subject, k *rule) reply {
	switch op := s.f.Operator; {
	case op == nil:
		return k.waits("operator-unknown")
	case op.Shared:
		return k.found(poct.FieldOperator, "operator", s.r.Operator)
	}
	return pass
}

func askSampling(s *subject, k *rule) reply {
	asked, sampled, limit := s.r.AskedAt, s.r.SampledAt, k.spans["limit"]
	if asked.Raw == "" && sampled.Raw == "" {
		return pass
	}
	for _, t := range []poct.Stamp{asked, sampled} {
		if t.At.IsZero() || t.Ambiguous != "" || !toTheMinute(t.Precision) {
			return k.unsure(poct.FieldSampledAt, "one of the two times is missing or not clear",
				"Look at the meter's own memory. If this model does not tell both times, list asked_at and sampled_at under not_sent in its profile.")
		}
	}
	wait := sampled.At.Sub(asked.At)
	if wait < 0 {
		return found(poct.FieldSampledAt, "The sample is dated "+seconds(-wait)+" before the meter asked for it.")
	}
	if least := wait - toMinuteOnly(asked) - toMinuteOnly(sampled); least > limit {
		return k.found(poct.FieldSampledAt, "after", seconds(wait)+" after", "limit", seconds(limit))
	}
	return pass
}

// toMinuteOnly is how much shorter a time may make what is measured with it.
func toMinuteOnly(t poct.Stamp) time.Duration {
	if t.Precision == "minute" {
		return time.Minute
	}
	return 0
}

// seconds writes a short time the way a meter counts it.
func seconds(d time.Duration) string { return itoa(int(d.Round(time.Second)/time.Second)) + " s" }

func askOnboard(s *subject, k *rule) reply {
	value := !s.inr.Value.IsZero()
	if value && s.r.Onboard == "fail" {
		return k.found("inr")
	}
	for _, m := range s.r.Measurements {
		if !m.Value.IsZero() && slices.Contains(strings.FieldsFunc(m.Flags, flagGap), "QCF") {
			// HL7 table 0078, QCF: quality control failure.
			return k.found(m.Analyte)
		}
	}
	return pass
}

func flagGap(r rune) bool { return r == '~' || r == ',' || r == ' ' || r == ';' }

// meterWaits names the problem that leaves the meter unknown.
func (s *subject) meterWaits() string {
	if s.r.Meter == "" {
		return "missing-essential"
	}
	return "meter-unknown"
}

// day is the local date of the test, YYYY-MM-DD, so that dates compare as texts.
func (s *subject) day() string { return s.tested.Format("2006-01-02") }
