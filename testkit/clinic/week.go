package clinic

import (
	"fmt"
	"strings"
	"time"

	"tidegate/poct"
)

// Lots of the supervised clinic.
const (
	LotInUse = "7K40231"
	LotOld   = "7K38810"
	LotNew   = "7K44102" // came yesterday, not accepted yet
)

// Supervised is the clinic with what a coordinator looks after: two weeks of
// controls at Millrace Surgery, a meter whose control failed this morning with
// three results in doubt, one that was not heard from, a lot to be accepted,
// pairs with the laboratory, a recall, and device errors.
func Supervised() *Clinic {
	c := New()
	for _, serial := range []string{"M-2044", "M-2049", "M-2058", "M-2066", "M-2070"} {
		c.meters = append(c.meters, poct.Meter{Serial: serial, Model: "Quill 3", Site: "millrace", State: "in-use"})
	}
	c.lots[LotOld] = poct.StripLot{Lot: LotOld, Model: "Quill 3", Expires: "2026-11-25", ISI: poct.MustNumber("1.01"), MNPT: poct.MustNumber("12.0")}
	c.lots[LotNew] = poct.StripLot{Lot: LotNew, Model: "Quill 3", Expires: "2027-09-30", ISI: poct.MustNumber("1.03"), MNPT: poct.MustNumber("12.2")}
	c.lots["7K11907"] = poct.StripLot{Lot: "7K11907", Model: "Sedge 5", Expires: "2027-01-31", ISI: poct.MustNumber("1.00"), MNPT: poct.MustNumber("12.0"), Recalled: true}
	c.shelved()
	c.controls = map[string][]poct.Past{}
	c.twoWeeks("M-2058")
	for serial, first := range map[string]time.Time{"M-2041": at(25, 7, 29, 0), "M-2063": at(25, 7, 38, 0), "M-2044": at(25, 7, 33, 0), "M-2049": at(25, 7, 50, 0), "M-2066": at(24, 7, 50, 0)} {
		c.bothLevels(serial, LotInUse, first)
	}
	c.bothLevels("M-2070", LotOld, at(25, 8, 0, 0))
	c.inDoubt()
	c.compared()
	return c
}

func (c *Clinic) shelved() {
	number := poct.MustNumber
	for _, lot := range []string{LotOld, LotInUse, LotNew} {
		c.shelf.controlLots = append(c.shelf.controlLots,
			poct.ControlLot{Lot: "CA-117", Level: "1", StripLot: lot, Low: number("0.9"), High: number("1.4"), Expires: "2027-05-31", Mean: number("1.17"), SD: number("0.08")},
			poct.ControlLot{Lot: "CB-240", Level: "2", StripLot: lot, Low: number("2.5"), High: number("3.6"), Expires: "2027-05-31", Mean: number("3.08"), SD: number("0.19")})
	}
	for lot, day := range map[string]string{LotOld: "2026-11-02", LotInUse: "2026-11-19", LotNew: "2026-11-24"} {
		c.shelf.shipments = append(c.shelf.shipments, poct.Shipment{ID: "S-" + lot, StripLot: lot, Site: "millrace", Arrived: day})
		if lot != LotNew {
			t, _ := time.ParseInLocation(time.DateOnly, day, Zone)
			c.shelf.acceptances = append(c.shelf.acceptances, poct.Acceptance{StripLot: lot, Site: "millrace", Shipment: "S-" + lot, Decision: "accepted", By: "k.osei", At: t.Add(7 * time.Hour),
				Reason: "Both levels and six pairs agree", ISI: c.lots[lot].ISI, MNPT: c.lots[lot].MNPT, ReadBackBy: "r.ito", Pairs: 6})
		}
	}
	c.shelf.counts = map[string][]poct.TestCount{
		"operator": {{Key: "118", Tests: 212, Events: 5, Codes: map[string]int{"not enough blood": 4, "air bubble": 1}}, {Key: "131", Tests: 180, Events: 4, Codes: map[string]int{"not enough blood": 4}}, {Key: "144", Tests: 60, Events: 19, Codes: map[string]int{"not enough blood": 14, "no clot": 5}}},
		"site":     {{Key: "millrace", Tests: 310, Events: 20, Codes: map[string]int{"not enough blood": 20}}, {Key: "saltmarsh", Tests: 142, Events: 8, Codes: map[string]int{"air bubble": 8}}},
	}
}

func control(id, meter, lot, control, level string, tested time.Time, value string, passed bool) poct.Past {
	r := inr(value)
	r.Kind, r.Meter, r.StripLot, r.ControlLot, r.ControlLevel, r.TestedAt = poct.KindControl, meter, lot, control, level, poct.Stamp{At: tested}
	return poct.Past{Result: id, State: poct.Filed, Tested: tested, QCPassed: passed, Reading: r}
}

// twoWeeks are both levels twice a day: the old lot to the 19th, the new one
// from the 20th, and level 2 failing this morning after a warning.
func (c *Clinic) twoWeeks(meter string) {
	two := strings.Fields("3.1 3.0 3.2 2.8 3.1 3.3 3.0 3.3 2.9 3.2 3.5 3.0 3.2 2.9 3.1 3.3 3.0 2.9 3.2 3.0 3.3 3.1 3.5 3.8")
	one := strings.Fields("1.1 1.2 1.2 1.1 1.3 1.2 1.1 1.2 1.2 1.3 1.2 1.1 1.2 1.1 1.2 1.2 1.3 1.1 1.2 1.2 1.1 1.2 1.1 1.2")
	for i := range two {
		t, lot := at(14+i/2, 7, 18, 0), LotOld
		if i%2 == 1 {
			t = t.Add(8*time.Hour + 14*time.Minute)
		}
		if i >= 12 {
			lot = LotInUse
		}
		if i == len(two)-1 {
			t = at(25, 9, 10, 0)
		}
		c.controls[meter] = append(c.controls[meter], control(ID("q", 100+i), meter, lot, "CA-117", "1", t, one[i], true),
			control(ID("q", 200+i), meter, lot, "CB-240", "2", t.Add(2*time.Minute), two[i], two[i] != "3.8"))
	}
}

func (c *Clinic) bothLevels(meter, lot string, first time.Time) {
	c.controls[meter] = append(c.controls[meter], control(ID("q", 1), meter, lot, "CA-117", "1", first, "1.2", true), control(ID("q", 2), meter, lot, "CB-240", "2", first.Add(2*time.Minute), "3.1", true))
}

// DoubtID and RecallID are the look-backs of the supervised clinic.
var DoubtID, RecallID = ID("k", 1), ID("k", 2)

// inDoubt are the results since the last pass on M-2058, and a recall.
func (c *Clinic) inDoubt() {
	var items []poct.LookBackItem
	for i, v := range []string{"2.7", "2.2", "3.9"} {
		tested := []time.Time{at(25, 7, 48, 0), at(25, 8, 20, 0), at(25, 8, 51, 0)}[i]
		id := ID("d", 910+i)
		r := inr(v)
		r.Meter, r.StripLot, r.Operator, r.Patient, r.TestedAt = "M-2058", LotInUse, "118", poct.PatientRef{Authority: "MILLRACE", ID: c.patients[i+1].ID}, poct.Stamp{At: tested, Precision: "second"}
		c.traces[id] = &poct.Trace{ID: id, State: poct.Delivered, Site: "millrace", Versions: []poct.VersionRecord{{Version: 1, Verdict: poct.Release, Actor: poct.System, At: tested,
			Result: poct.Result{ID: id, Version: 1, Site: "millrace", Reading: r, Patient: c.patients[i+1]}}}}
		c.step(tested, poct.Event{Kind: poct.EventDelivered, Actor: poct.System, Result: id, Version: 1, Outlet: "record-fhir"})
		items = append(items, poct.LookBackItem{Result: id, Version: 1, State: poct.Delivered, Stands: true, Tested: tested, Value: v, Site: "millrace", Meter: "M-2058"})
	}
	items[2].Judged, items[2].By, items[2].Reason, items[2].At = poct.RepeatAsked, "k.osei", "Drawn again in the room, on M-2041", at(25, 9, 40, 0)
	c.lookbacks = append(c.lookbacks,
		poct.LookBack{ID: DoubtID, Kind: poct.LookBackFailed, Site: "millrace", Meter: "M-2058", StripLot: LotInUse, Control: ID("q", 223), From: at(25, 7, 20, 0), Opened: at(25, 9, 12, 30),
			Why: "Control level 2 read 3.8; 2.5 to 3.6 is allowed.", Items: items},
		poct.LookBack{ID: RecallID, Kind: poct.LookBackRecalled, StripLot: "7K11907", Opened: at(24, 15, 0, 0), Why: "The maker recalls strip lot 7K11907.",
			Items: []poct.LookBackItem{{Result: ID("d", 930), Version: 1, State: poct.Delivered, Stands: true, Tested: at(20, 11, 2, 0), Value: "2.9", Site: "harbour", Meter: "M-2052"}}})
}

// compared are twelve patients of whom the laboratory has an INR too, one of
// them above what it reads, and three with the new lot.
func (c *Clinic) compared() {
	pairs := [][2]string{{"1.8", "1.9"}, {"2.1", "2.0"}, {"2.4", "2.6"}, {"2.6", "2.5"}, {"2.9", "3.1"}, {"3.0", "3.0"}, {"3.3", "3.6"}, {"3.6", "3.5"}, {"4.0", "4.4"}, {"4.4", "4.7"}, {"2.2", "2.3"}, {">8.0", "8.3"}}
	for i, p := range pairs {
		c.pair(i, LotInUse, "M-2041", at(3+i, 9, 0, 0), p[1], p[0])
	}
	for i, p := range [][2]string{{"2.3", "2.4"}, {"3.1", "3.0"}, {"2.8", "2.9"}} {
		c.pair(50+i, LotNew, "M-2063", at(24, 13+i, 0, 0), p[1], p[0])
	}
}

func (c *Clinic) pair(i int, lot, meter string, tested time.Time, value, lab string) {
	who := poct.PatientRef{Authority: "MILLRACE", ID: fmt.Sprintf("T-4%05d", i)}
	m, l := inr(value), inr(lab)
	m.Meter, m.StripLot, m.Patient, m.TestedAt = meter, lot, who, poct.Stamp{At: tested}
	l.Kind, l.Patient = poct.KindComparison, who
	c.shelf.trials = append(c.shelf.trials, poct.Past{Result: ID("t", i), State: poct.Delivered, Tested: tested, Patient: who, Reading: m})
	c.shelf.labs = append(c.shelf.labs, poct.Past{Result: ID("l", i), State: poct.Filed, Tested: tested.Add(20 * time.Minute), Patient: who, Reading: l})
}

// Passes runs both levels on a meter with a lot, now.
func (c *Clinic) Passes(meter, lot string) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.bothLevels(meter, lot, c.Time.Add(-10*time.Minute))
}

// Trials are patients measured with a lot yesterday evening and by the
// laboratory: reference, then the meter's value.
func (c *Clinic) Trials(lot, meter string, pairs [][2]string) {
	c.mu.Lock()
	defer c.mu.Unlock()
	for i, p := range pairs {
		c.pair(70+i, lot, meter, at(24, 17+i, 0, 0), p[1], p[0])
	}
}
