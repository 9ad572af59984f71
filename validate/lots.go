package validate

import (
	"strings"
	"time"

	"tidegate/poct"
)

var lotChecks = []check{
	{
		Info: Info{
			Number: "23", Code: "lot-unknown", Title: "Lot is not in the registry",
			Asks:     "whether the lot is known",
			Compares: "the strip lot as sent against the registry; for a control the range of its lot and level",
			Text:     "Strip lot {lot} is not in the registry.",
			Remedy:   "Read the lot from the vial and correct it, or register the lot and read the arrival again.",
			Severity: poct.Hold, Acts: "CRD", Desk: RoleCoordinator,
			Unasked: "the meter profile lists strip_lot under not_sent",
		},
		of: measured, needs: []string{poct.FieldStripLot}, ask: askLot,
	},
	{
		Info: Info{
			Number: "24", Code: "lot-expired", Title: "Strip lot had expired",
			Asks:     "whether the lot was in date",
			Compares: "the day of the test against the earliest expiry that is known, printed or registered; for a control that of its lot",
			Text:     "Strip lot {lot} expired on {expires}, before the test.",
			Remedy:   "Repeat the test with a strip that is in date, and throw the expired strips away.",
			Severity: poct.Hold, Acts: "D", Desk: RoleCoordinator,
			Unasked: "the meter profile lists strip_lot under not_sent",
		},
		of: measured, needs: []string{poct.FieldStripLot}, late: true, ask: askExpiry,
	},
	{
		Info: Info{
			Number: "25", Code: "lot-not-accepted", Title: "Strip lot has not passed a control",
			Asks:     "whether the lot was accepted",
			Compares: "controls of this meter with this lot, up to the test",
			Text:     "No control has passed on meter {meter} with strip lot {lot} in the days before the test.",
			Remedy:   "Run both controls with this lot. Repeat the test once they pass.",
			Severity: poct.Hold, Acts: "RD", Desk: RoleCoordinator, Source: commonPractice,
			Unasked: "the meter profile lists strip_lot under not_sent",
		},
		of: patient, needs: []string{poct.FieldStripLot}, ask: askAccepted,
	},
	{
		Info: Info{
			Number: "26", Code: "lot-recalled", Title: "Strip lot is recalled",
			Asks:     "whether the lot is recalled",
			Compares: "the registry's recall mark",
			Text:     "Strip lot {lot} is recalled.",
			Remedy:   "Repeat the test with another lot, and take the recalled strips out of reach.",
			Severity: poct.Hold, Acts: "D", Desk: RoleCoordinator,
			Unasked: "the meter profile lists strip_lot under not_sent",
		},
		of: patient, needs: []string{poct.FieldStripLot}, ask: askRecalled,
	},
}

func askLot(s *subject, k *rule) reply {
	if s.kind == control {
		return askControlLot(s, k)
	}
	lot := s.r.StripLot
	switch {
	case lot == "":
		return k.unsure(poct.FieldStripLot, "the message names no strip lot", "Read the lot from the vial and correct it.")
	case s.f.StripLot == nil:
		text := "Strip lot " + lot + " is not in the registry."
		if s.f.NearestLot != "" {
			text += " The nearest registered lot is " + s.f.NearestLot + ", 1 character apart."
		}
		return found(poct.FieldStripLot, text)
	case s.f.Meter != nil && s.f.Meter.Model != "" && s.f.StripLot.Model != "" &&
		!strings.EqualFold(s.f.Meter.Model, s.f.StripLot.Model):
		return found(poct.FieldStripLot, "Strip lot "+lot+" is registered for "+s.f.StripLot.Model+", not for "+s.f.Meter.Model+".")
	}
	return pass
}

// askControlLot asks whether the range of a control is known. Without a range
// a run proves nothing, so it never counts as a pass.
func askControlLot(s *subject, k *rule) reply {
	if s.r.ControlLot == "" || s.r.ControlLevel == "" {
		return k.waits("missing-essential")
	}
	if _, ok := s.controlRange(); ok {
		return pass
	}
	text := "Control lot " + s.r.ControlLot + " has no range in the registry for level " + s.r.ControlLevel
	if s.r.StripLot != "" {
		text += " on strip lot " + s.r.StripLot
	}
	return found(poct.FieldControlLot, text+". Until it has one, this run counts as no pass.").
		but("Register the range from the control's sheet, then read the arrival again.")
}

func askExpiry(s *subject, k *rule) reply {
	if s.kind == control {
		return askControlExpiry(s, k)
	}
	lot := s.f.StripLot
	registered := ""
	if lot != nil {
		registered = lot.Expires
	}
	expires := earlier(s.r.StripExpires, registered)
	switch {
	case s.lacks(poct.FieldStripLot) && s.r.StripExpires == "":
		return k.unasked(notSent(poct.FieldStripLot))
	case s.timeWaits != "":
		return k.waits(s.timeWaits)
	case s.r.StripExpires != "" && !isDate(s.r.StripExpires):
		return k.unsure(poct.FieldStripExpires, "the expiry that the meter sent is no date", "Read the expiry from the vial and enter it in the registry.")
	case expires != "" && s.day() > expires:
		return found(poct.FieldStripLot, "Strip lot "+s.r.StripLot+" expired on "+expires+", before the test.").by("last day " + expires)
	case lot == nil && !s.lacks(poct.FieldStripLot):
		return k.waits("lot-unknown") // its registered expiry may be earlier than the one sent
	case expires == "":
		return k.unsure(poct.FieldStripLot, "neither the message nor the registry gives a date", "Read the expiry from the vial and enter it in the registry, then read the arrival again.")
	}
	return pass.by("last day " + expires)
}

func askControlExpiry(s *subject, k *rule) reply {
	row, ok := s.controlRange()
	switch {
	case !ok:
		return k.waits("lot-unknown")
	case s.timeWaits != "":
		return k.waits(s.timeWaits)
	case row.Expires == "":
		return k.unasked("the registry gives this control lot no expiry")
	case s.day() > row.Expires:
		return found(poct.FieldControlLot, "Control lot "+s.r.ControlLot+" expired on "+row.Expires+", so this run proves nothing.").
			but("Run a control of a lot that is in date.").by("last day " + row.Expires)
	}
	return pass.by("last day " + row.Expires)
}

func askAccepted(s *subject, k *rule) reply {
	switch {
	case s.timeWaits != "":
		return k.waits(s.timeWaits)
	case s.r.Meter == "":
		return k.waits("missing-essential")
	case s.f.StripLot == nil:
		return k.waits("lot-unknown")
	case len(s.passes(s.r.StripLot)) == 0:
		return k.found(poct.FieldStripLot, "meter", s.r.Meter, "lot", s.r.StripLot)
	}
	return pass
}

func askRecalled(s *subject, k *rule) reply {
	switch {
	case s.f.StripLot == nil:
		return k.waits("lot-unknown")
	case s.f.StripLot.Recalled:
		return k.found(poct.FieldStripLot, "lot", s.r.StripLot)
	}
	return pass
}

// earlier is the earlier of two dates, leaving out what is no date.
func earlier(a, b string) string {
	switch {
	case !isDate(a):
		a = ""
	case !isDate(b):
		b = ""
	}
	if a == "" || b != "" && b < a {
		return b
	}
	return a
}

func isDate(s string) bool {
	_, err := time.Parse(time.DateOnly, s)
	return err == nil
}
