package validate

import (
	"strings"
	"time"

	"tidegate/poct"
)

var timeChecks = []check{
	{
		Info: Info{
			Number: "12", Code: "future-time", Title: "Test lies in the future",
			Asks:     "whether the test was run before its result came",
			Compares: "time of the test, after a reviewer's clock offset, against the time of arrival",
			Text:     "The test is dated {tested}, {ahead} after its result came.",
			Remedy:   "Set the meter's clock. Correct the time by the offset read from the meter's display.",
			Severity: poct.Hold, Acts: "CD", Desk: RoleReviewer, Source: ownDefault,
			Keys: []Key{{Name: "limit", Kind: Duration, Default: "5m", Means: "how far ahead a test may be dated"}},
		},
		of: measured | comparison, ask: askFuture,
	},
	{
		Info: Info{
			Number: "13", Code: "stale-result", Title: "Result came late",
			Asks:     "whether the result came in time",
			Compares: "time from test to arrival",
			Text:     "The result came {age} after the test.",
			Remedy:   "Check that nobody has acted on another value meanwhile, and that the meter's clock is right.",
			Severity: poct.Hold, Acts: "CRD", Desk: RoleReviewer, Source: ownDefault,
			Keys: []Key{
				{Name: "flag", Kind: Duration, Default: "24h", Means: "flagged above this age"},
				{Name: "hold", Kind: Duration, Default: "168h", Means: "held above this age"},
			},
		},
		of: patient, ask: askStale, fits: flagBelowHold,
	},
	{
		Info: Info{
			Number: "14", Code: "clock-offset", Title: "Meter's clock is off",
			Asks:     "whether the meter's clock is right",
			Compares: "the time at which the meter says it sent, after a reviewer's clock offset, against the time of arrival; where the message has no such time, the offset of the latest contact with the meter, unless a reviewer has corrected the time",
			Text:     "The meter's clock is {off} {way} this machine's.",
			Remedy:   "Set the meter's clock. Correct the time by the offset, if it was that far off at the time of the test.",
			Severity: poct.Hold, Acts: "CR", Desk: RoleReviewer,
			Source: ownDefault + "; hospital devices were found 24 min wrong on average: Pa Patient Saf Advis 2012;9:143",
			Keys: []Key{
				{Name: "flag", Kind: Duration, Default: "5m", Means: "flagged above this offset"},
				{Name: "hold", Kind: Duration, Default: "30m", Means: "held above this offset"},
			},
			Unasked: noClock,
		},
		of: measured, ready: true, ask: askOffset, fits: flagBelowHold,
	},
	{
		Info: Info{
			Number: "15", Code: "dst-hour", Title: "Clock was not changed to or from summer time",
			Asks:     "whether the clock was changed with the season",
			Compares: "the same offset as check 14, where it is about an hour and the site's clocks changed not long before or after",
			Text:     "The meter's clock is {off} {way} this machine's, and the clocks changed on {day}: it was probably not set, or set twice.",
			Remedy:   "Set the meter's clock. Look at each result of the hours about the change, and correct the time by the offset.",
			Severity: poct.Flag, Acts: "CR", Desk: RoleReviewer,
			Source: ownDefault + "; most devices are set by hand twice a year: MD PnP, clock page",
			Keys: []Key{
				{Name: "low", Kind: Duration, Default: "57m", Means: "least offset that counts as an hour"},
				{Name: "high", Kind: Duration, Default: "63m", Means: "greatest one"},
				{Name: "within", Kind: Duration, Default: "168h", Means: "how far from a change of the clocks"},
			},
			Unasked: noClock,
		},
		of: measured, ready: true, ask: askSummerTime,
		fits: func(k *rule) (string, string) {
			if k.spans["low"] > k.spans["high"] {
				return "has a low limit above its high limit", "write the low limit below the high one"
			}
			return "", ""
		},
	},
	{
		Info: Info{
			Number: "16", Code: "time-order", Title: "Clock went backwards",
			Asks:     "whether the meter's times follow its sequence numbers",
			Compares: "sequence number and time against the meter's newest results",
			Text:     "Test {seq} is dated {tested}, but test {other} of this meter is dated {then}.",
			Remedy:   "Compare with the meter's own memory and set its clock.",
			Severity: poct.Flag, Acts: "CR", Desk: RoleReviewer, Source: ownDefault,
			Unasked: "the meter profile lists sequence under not_sent",
		},
		of: patient, needs: []string{poct.FieldSequence}, ask: askOrder,
	},
	{
		Info: Info{
			Number: "16a", Code: "time-ambiguous", Title: "Local time is not clear",
			Asks:     "whether the time of the test is clear",
			Compares: "a local time without offset against the changes of the site's clocks",
			Text:     "The local time {raw} occurs {often} on that day, because the clocks changed.",
			Remedy:   "Find out when the test was run and correct the time by an offset; 0 confirms the time as it was read.",
			Severity: poct.Hold, Acts: "CD", Desk: RoleReviewer,
		},
		of: measured | comparison, ask: askAmbiguous,
	},
}

func askFuture(s *subject, k *rule) reply {
	if s.timeWaits != "" {
		return k.waits(s.timeWaits)
	}
	if ahead := s.tested.Sub(s.f.Received); ahead > k.spans["limit"] {
		return k.found(poct.FieldTestedAt, "tested", clock(s.tested), "ahead", span(ahead))
	}
	return pass
}

func askStale(s *subject, k *rule) reply {
	if s.timeWaits != "" {
		return k.waits(s.timeWaits)
	}
	age := s.f.Received.Sub(s.tested)
	if sev := k.step(age); sev != "" {
		return k.found(poct.FieldTestedAt, "age", span(age)).as(sev)
	}
	return pass
}

// noClock says why no offset of the meter's clock is known.
const noClock = "the message does not say when it was sent, and no contact with the meter near it told its clock"

// A contact tells the clock for messages that came a day after it, and for
// those that waited a little while in the queue when it came.
const (
	contactAfter  = 24 * time.Hour
	contactBefore = 15 * time.Minute
)

// clockOffset is how far the meter's clock is ahead, and the field that tells
// it. Otherwise the reply that stands instead.
func (s *subject) clockOffset(k *rule) (off time.Duration, field string, instead *reply) {
	answer := func(r reply) (time.Duration, string, *reply) { return 0, "", &r }
	sent, c := s.r.SentAt, s.f.Contact
	switch {
	case sent.Raw != "" && (sent.At.IsZero() || sent.Ambiguous != "" || !toTheMinute(sent.Precision)):
		return answer(k.unsure("sent_at", "the time at which the message was sent is not clear",
			"Read the time from the meter's display, then correct the offset; 0 confirms its clock."))
	case sent.Raw != "":
		return sent.At.Add(time.Duration(s.r.TimeOffset) * time.Second).Sub(s.f.Received), "sent_at", nil
	case c == nil || c.Device.IsZero() || s.f.Received.Sub(c.At) > contactAfter || c.At.Sub(s.f.Received) > contactBefore:
		return answer(k.unasked(noClock))
	case s.r.TimeOffset != 0:
		return answer(pass) // a person has said by how much it was wrong
	}
	return c.Offset, poct.FieldMeter, nil
}

func askOffset(s *subject, k *rule) reply {
	off, field, instead := s.clockOffset(k)
	if instead != nil {
		return *instead
	}
	if sev := k.step(off.Abs()); sev != "" {
		return k.found(field, "off", span(off), "way", aheadOrBehind(off)).as(sev)
	}
	return pass
}

func askSummerTime(s *subject, k *rule) reply {
	off, field, instead := s.clockOffset(k)
	change := s.f.ClocksChange
	switch {
	case instead != nil && instead.answer == poct.CannotTell:
		return k.waits("clock-offset")
	case instead != nil:
		return *instead
	case off.Abs() < k.spans["low"] || off.Abs() > k.spans["high"],
		change.IsZero() || s.f.Received.Sub(change).Abs() > k.spans["within"]:
		return pass
	}
	return k.found(field, "off", span(off), "way", aheadOrBehind(off), "day", change.Format("2 Jan 2006"))
}

func aheadOrBehind(off time.Duration) string {
	if off < 0 {
		return "behind"
	}
	return "ahead of"
}

func askOrder(s *subject, k *rule) reply {
	if s.timeWaits != "" {
		return k.waits(s.timeWaits)
	}
	for _, past := range s.f.MeterHistory {
		if past.Key == s.r.Key() || past.Tested.IsZero() {
			continue
		}
		order := compareSequence(s.r.Sequence, past.Reading.Sequence)
		if order != 0 && order != s.tested.Compare(past.Tested) && !s.tested.Equal(past.Tested) {
			return k.found(poct.FieldTestedAt, "seq", s.r.Sequence, "tested", clock(s.tested),
				"other", past.Reading.Sequence, "then", clock(past.Tested))
		}
	}
	return pass
}

func askAmbiguous(s *subject, k *rule) reply {
	switch s.r.TestedAt.Ambiguous {
	case "":
		return pass
	case "never":
		return found(poct.FieldTestedAt, "The local time "+quote(s.r.TestedAt.Raw)+" does not exist on that day, because the clocks changed.")
	}
	return k.found(poct.FieldTestedAt, "raw", quote(s.r.TestedAt.Raw), "often", "twice")
}

// step is the severity at which a two-step check finds a duration, "" if it
// lies within both limits.
func (k *rule) step(d time.Duration) poct.Severity {
	switch {
	case d > k.spans["hold"]:
		return poct.Hold
	case d > k.spans["flag"]:
		return poct.Flag
	}
	return ""
}

func flagBelowHold(k *rule) (string, string) {
	if k.spans["flag"] > k.spans["hold"] {
		return "flags above the limit at which it holds", "write a flag limit below the hold limit"
	}
	return "", ""
}

// compareSequence orders two sequence numbers of one meter: -1, 0 or 1. Only
// numbers behind the same letters can be told apart; else it answers 0.
func compareSequence(a, b string) int {
	pa, na := splitNumber(a)
	pb, nb := splitNumber(b)
	if pa != pb || na == "" || nb == "" {
		return 0
	}
	na, nb = strings.TrimLeft(na, "0"), strings.TrimLeft(nb, "0")
	if len(na) != len(nb) {
		if len(na) < len(nb) {
			return -1
		}
		return 1
	}
	return strings.Compare(na, nb)
}

func splitNumber(s string) (prefix, digits string) {
	i := len(s)
	for i > 0 && s[i-1] >= '0' && s[i-1] <= '9' {
		i--
	}
	return s[:i], s[i:]
}
