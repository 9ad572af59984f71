package validate

import (
	"strings"

	"tidegate/poct"
)

var structureChecks = []check{
	{
		Info: Info{
			Number: "1", Code: "unreadable-record", Title: "Record cannot be read",
			Asks:     "whether the message could be read",
			Compares: "syntax, length, checksum and status of the message",
			Text:     "The message could not be read to its end.",
			Remedy:   "Look at the bytes. Mend the meter profile and read the arrival again, or discard it.",
			Severity: poct.Hold, Acts: "CD", Desk: RoleReviewer,
		},
		of: everyOne, ask: askReadable,
	},
	{
		Info: Info{
			Number: "2", Code: "missing-essential", Title: "Something essential is missing",
			Asks:     "whether everything essential is there",
			Compares: "patient, meter, time to the minute, value; for a control its lot and level instead of the patient; for a laboratory's own result its number where it names no meter",
			Text:     "The message names no {what}.",
			Remedy:   "Find out from the meter's own memory. What is not identity, clock, lot, operator or code has to be sent again.",
			Severity: poct.Hold, Acts: "CD", Desk: RoleReviewer,
		},
		of: measured | withdrawal | comparison, ask: askEssential,
	},
	{
		Info: Info{
			Number: "3", Code: "not-a-number", Title: "Value is not a number",
			Asks:     "whether the value is a number",
			Compares: "value as sent against a plain decimal with an optional comparator",
			Text:     "The meter sent {value} for {analyte}, which is not a number.",
			Remedy:   "Read the meter's own display. If it shows no value: " + repeatAdvice,
			Severity: poct.Hold, Acts: "D", Desk: RoleReviewer,
		},
		of: measured | comparison, ask: askNumber,
	},
	{
		Info: Info{
			Number: "3a", Code: "device-error", Title: "The test failed on the meter",
			Asks:     "whether the meter reports a failed test",
			Compares: "the device error that comes in place of a value (not enough blood, an air bubble, no clot ...); it is an event and never a result",
			Text:     "The meter gave no result: {error}.",
			Remedy:   repeatAdvice,
			Severity: poct.Note, Acts: "R", Desk: RoleReviewer, Source: commonPractice,
		},
		of: event, ask: askDeviceError,
	},
	{
		Info: Info{
			Number: "4", Code: "comparator-kept", Title: "Value is a bound",
			Asks:     "whether the value is exact",
			Compares: "comparators < <= >= > before the value; delta and statistics leave such values out, the range checks take them as bounds",
			Text:     "{analyte} {value} is a bound, not a number: the meter could not measure beyond it.",
			Remedy:   "Read it as a bound. Where the exact value matters, send a venous sample to the laboratory.",
			Severity: poct.Flag, Acts: "R", Desk: RoleReviewer,
		},
		of: patient | comparison, ask: askComparator,
	},
	{
		Info: Info{
			Number: "5", Code: "odd-precision", Title: "Unusual number of decimals",
			Asks:     "whether the value has its usual number of decimals",
			Compares: "digits after the decimal point, as written",
			Text:     "{analyte} {value} has {n} decimals; this meter usually shows {usual}.",
			Remedy:   "Compare with the meter's own display.",
			Severity: poct.Note, Acts: "R", Desk: RoleReviewer, Source: ownDefault,
			Keys: []Key{
				{Name: "inr_decimals", Kind: Decimal, Default: "1", Means: "usual decimals of an INR"},
				{Name: "pt_decimals", Kind: Decimal, Default: "1", Means: "usual decimals of PT in seconds; whole seconds are never odd"},
			},
		},
		of: patient, ask: askPrecision,
	},
}

func askReadable(s *subject, k *rule) reply {
	if s.kind == unread {
		return k.found(poct.FieldMessage)
	}
	if s.r.Status == poct.StatusCancelled && s.kind != event {
		return found(poct.FieldMessage, "The meter calls the test cancelled and sends a value all the same.").
			but("Compare with the meter's own memory.")
	}
	return pass
}

func askEssential(s *subject, k *rule) reply {
	out := pass
	missing := func(field, what string) {
		out = out.and(k.found(field, "what", what))
	}
	switch {
	case s.r.Meter != "":
	case s.kind != comparison:
		missing(poct.FieldMeter, "meter")
	case s.r.Sequence == "":
		missing(poct.FieldSequence, "number of the laboratory's result")
	}
	switch {
	case s.r.TestedAt.Raw == "" || s.r.TestedAt.At.IsZero() && s.r.TestedAt.Ambiguous == "":
		missing(poct.FieldTestedAt, "time of the test")
	case !toTheMinute(s.r.TestedAt.Precision):
		out = out.and(found(poct.FieldTestedAt, "The time of the test is given to the "+s.r.TestedAt.Precision+" only."))
	}
	switch s.kind {
	case patient, comparison:
		if s.r.Patient.ID == "" {
			missing(poct.FieldPatient, "patient identifier")
		}
	case control:
		if s.r.ControlLot == "" {
			missing(poct.FieldControlLot, "control lot")
		}
		if s.r.ControlLevel == "" {
			missing(poct.FieldControlLevel, "control level")
		}
	}
	if s.kind != withdrawal && s.inr.Value.IsZero() && s.inr.RawValue == "" {
		missing("inr", "INR value")
	}
	return out
}

func askNumber(s *subject, k *rule) reply {
	out := pass
	for _, m := range s.r.Measurements {
		if m.Value.IsZero() && m.RawValue != "" {
			out = out.and(k.found(m.Analyte, "value", quote(m.RawValue), "analyte", name(m.Analyte)))
		}
	}
	if s.r.DeviceError != "" && len(out.problems) == 0 {
		text := "The meter sent error " + quote(s.r.DeviceError) + " together with a value."
		if s.r.ErrorText != "" {
			text = strings.TrimSuffix(text, ".") + ": " + strings.TrimSuffix(s.r.ErrorText, ".") + "."
		}
		out = out.and(found("inr", text))
	}
	if out.answer == poct.Pass && s.inr.Value.IsZero() {
		return k.waits("missing-essential")
	}
	return out
}

func askDeviceError(s *subject, k *rule) reply {
	if s.r.DeviceError == "" {
		return pass
	}
	what := "it reports " + quote(s.r.DeviceError)
	if s.r.ErrorText != "" {
		what += ", " + strings.TrimSuffix(s.r.ErrorText, ".")
	}
	return k.found(poct.FieldMessage, "error", what)
}

func askComparator(s *subject, k *rule) reply {
	out := pass
	for _, m := range s.r.Measurements {
		if m.Value.Comparator != "" {
			out = out.and(k.found(m.Analyte, "analyte", name(m.Analyte), "value", m.Value.String()))
		}
	}
	return out
}

func askPrecision(s *subject, k *rule) reply {
	out := pass
	for _, m := range s.r.Measurements {
		usual, known := k.numbers[m.Analyte+"_decimals"]
		if m.Value.IsZero() || !known {
			continue
		}
		n := m.Value.Decimals()
		if itoa(n) == usual.Text || m.Analyte == "pt" && n == 0 {
			continue
		}
		out = out.and(k.found(m.Analyte, "analyte", name(m.Analyte), "value", m.Value.String(), "n", itoa(n), "usual", usual.Text))
	}
	return out
}

// name is an analyte as a clinician writes it.
func name(analyte string) string {
	switch analyte {
	case "inr":
		return "INR"
	case "pt":
		return "PT"
	}
	return analyte
}

// quote shows a text from outside: bounded, on one line.
func quote(s string) string {
	s = strings.Map(func(r rune) rune {
		if r < ' ' || r == 0x7f {
			return '·'
		}
		return r
	}, s)
	if rs := []rune(s); len(rs) > 40 {
		s = string(rs[:40]) + "…"
	}
	return "“" + s + "”"
}
