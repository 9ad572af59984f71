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
		of: measured, needs: []string{poct.FieldStripLot}, ready: true, ask: askLot,
	},
	{
		Info: Info{
			Number: "24", Code: "lot-expired", Title: "Strip lot had expired",
			Asks:     "whether the lot was in date",
			Compares: "the day of the test against the earliest expiry that is known: as sent, registered, or shortened for the shipment by opening or leaving the fridge; for a control that of its lot",
			Text:     "Strip lot {lot} expired on {expires}, before the test.",
			Remedy:   "Repeat the test with a strip that is in date, and throw the expired strips away.",
			Severity: poct.Hold, Acts: "D", Desk: RoleCoordinator,
			Unasked: "the meter profile lists strip_lot under not_sent",
		},
		of: measured, needs: []string{poct.FieldStripLot}, late: true, ready: true, ask: askExpiry,
	},
	{
		Info: Info{
			Number: "25", Code: "lot-not-accepted", Title: "Strip lot has not passed its controls here",
			Asks:     "whether the lot was accepted",
			Compares: "controls of this meter with this lot, up to the test; where a shipment of the lot to the site is registered, two levels must have passed since it arrived; and the record of the lot's acceptance",
			Text:     "No control has passed on meter {meter} with strip lot {lot} in the days before the test.",
			Remedy:   "Run both controls with this lot. Repeat the test once they pass.",
			Severity: poct.Hold, Acts: "RD", Desk: RoleCoordinator, Source: commonPractice,
			Keys: []Key{{Name: "acceptance", Kind: Choice, Options: []string{"optional", "required"}, Default: "optional",
				Means: "whether a record must say that the lot was accepted at the site, for this shipment if one is registered; a record that it was refused holds always"}},
			Unasked: "the meter profile lists strip_lot under not_sent",
		},
		of: patient, needs: []string{poct.FieldStripLot}, ready: true, ask: askAccepted,
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
		of: patient, needs: []string{poct.FieldStripLot}, ready: true, ask: askRecalled,
	},
	{
		Info: Info{
			Number: "26a", Code: "old-lot-in-use", Title: "Meter is still set to an older lot",
			Asks:     "whether the lot is the one in use at the site",
			Compares: "when the reading's lot came to the site, against the lots of the site's newest tests on this model of meter, by their shipments",
			Text:     "The meter says strip lot {lot}, but lot {newer} came on {when} and is in use at the site.",
			Remedy:   "Compare the lot on the vial with the one that the meter is set to. If the meter is set to the wrong one, set it and repeat the test: another lot has other constants.",
			Severity: poct.Flag, Acts: "CRD", Desk: RoleCoordinator, Source: ownDefault,
			Unasked: "the meter profile lists strip_lot under not_sent",
		},
		of: patient, needs: []string{poct.FieldStripLot}, ready: true, ask: askOldLot,
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
			text += " The nearest registered lot is " + s.f.NearestLot + ", " + slip(lot, s.f.NearestLot) + "."
		}
		return found(poct.FieldStripLot, text)
	case s.f.Meter != nil && s.f.Meter.Model != "" && s.f.StripLot.Model != "" &&
		!strings.EqualFold(s.f.Meter.Model, s.f.StripLot.Model):
		return found(poct.FieldStripLot, "Strip lot "+lot+" is registered for "+s.f.StripLot.Model+", not for "+s.f.Meter.Model+".")
	}
	return pass
}

// slip says how two lot numbers that are near each other differ.
func slip(a, b string) string {
	x, y := []rune(a), []rune(b)
	differ := 0
	for i := range min(len(x), len(y)) {
		if x[i] != y[i] {
			differ++
		}
	}
	if len(x) == len(y) && differ == 2 {
		return "with 2 characters swapped"
	}
	return "1 character apart"
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
	expires := s.expires()
	switch {
	case s.lacks(poct.FieldStripLot) && s.r.StripExpires == "":
		return k.unasked(notSent(poct.FieldStripLot))
	case s.timeWaits != "":
		return k.waits(s.timeWaits)
	case s.r.StripExpires != "" && !isDate(s.r.StripExpires):
		return k.unsure(poct.FieldStripExpires, "the expiry that the meter sent is no date", "Read the expiry from the vial and enter it in the registry.")
	case expires != "" && s.day() > expires:
		return k.found(poct.FieldStripLot, "lot", s.r.StripLot, "expires", expires).by("last day " + expires)
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

// expires is the earliest last day of the strips that is known, "" if none is.
func (s *subject) expires() string {
	expires := s.r.StripExpires
	if s.f.StripLot != nil {
		expires = earlier(expires, s.f.StripLot.Expires)
	}
	if s.f.Shipment != nil {
		expires = earlier(expires, s.f.Shipment.UseBy)
	}
	return expires
}

func askAccepted(s *subject, k *rule) reply {
	switch {
	case s.timeWaits != "":
		return k.waits(s.timeWaits)
	case s.r.Meter == "":
		return k.waits("missing-essential")
	case s.f.StripLot == nil:
		return k.waits("lot-unknown")
	}
	return s.controlled(k).and(s.decided(k))
}

// controlled asks for the controls that a lot needs before its first test: one
// pass in the days before, and after a shipment has come both levels anew.
func (s *subject) controlled(k *rule) reply {
	all := s.passes(s.r.StripLot, time.Time{})
	if len(all) == 0 {
		return k.found(poct.FieldStripLot, "meter", s.r.Meter, "lot", s.r.StripLot)
	}
	if s.f.Shipment == nil {
		return pass
	}
	arrived, ok := s.arrived()
	if !ok {
		return k.unsure(poct.FieldStripLot, "the registry's shipment of this lot has no time of arrival", "Enter in the registry when the shipment arrived.")
	}
	if n := len(s.passes(s.r.StripLot, arrived)); n < levels {
		return found(poct.FieldStripLot, "Strip lot "+s.r.StripLot+" came anew on "+clock(arrived)+", and "+itoa(n)+" of "+itoa(levels)+
			" control levels have passed on meter "+s.r.Meter+" with it since.")
	}
	return pass
}

// arrived is when the newest shipment of the lot came, in local time.
func (s *subject) arrived() (time.Time, bool) {
	local := s.tested.Location()
	if t, err := time.Parse(time.RFC3339, s.f.Shipment.Arrived); err == nil {
		return t.In(local), true
	}
	t, err := time.ParseInLocation(time.DateOnly, s.f.Shipment.Arrived, local)
	return t, err == nil
}

// decided asks what the record of the lot's acceptance says.
func (s *subject) decided(k *rule) reply {
	const accept = "Have the lot accepted: controls, ISI and MNPT read back by a second person, paired patients."
	a := s.f.Acceptance
	switch {
	case a != nil && a.Decision == "refused":
		return found(poct.FieldStripLot, "Strip lot "+s.r.StripLot+" was refused at this site on "+clock(a.At.In(s.tested.Location()))+".").
			but("Repeat the test with another lot, and take this one out of reach.")
	case k.choices["acceptance"] != "required":
		return pass
	case a == nil || a.Decision != "accepted":
		return found(poct.FieldStripLot, "No record says that strip lot "+s.r.StripLot+" was accepted at this site before the test.").but(accept)
	case s.f.Shipment != nil && a.Shipment != "" && a.Shipment != s.f.Shipment.ID:
		return found(poct.FieldStripLot, "Strip lot "+s.r.StripLot+" was accepted at this site for an earlier shipment, not for "+s.f.Shipment.ID+".").but(accept)
	}
	return pass
}

func askOldLot(s *subject, k *rule) reply {
	switch newer := s.f.NewerLot; {
	case s.timeWaits != "":
		return k.waits(s.timeWaits)
	case s.f.StripLot == nil:
		return k.waits("lot-unknown")
	case newer != nil:
		return k.found(poct.FieldStripLot, "lot", s.r.StripLot, "newer", newer.StripLot, "when", dayOf(newer.Arrived))
	}
	return pass
}

// dayOf is the day of a date or time as the registry writes it.
func dayOf(text string) string {
	if len(text) < len(time.DateOnly) {
		return text
	}
	return text[:len(time.DateOnly)]
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
