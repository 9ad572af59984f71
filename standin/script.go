package standin

import (
	"bytes"
	"time"
)

// ControlID is the identifier that stands for a control on the meters' keypads.
const ControlID = "QC-1"

// morning runs the controls and lets every meter work.
func (d *Day) morning() {
	for _, m := range devices {
		d.at[m.serial] = d.ago(3.4)
	}
	d.chartHistory()
	d.at["Q3-0120"] = d.ago(6) // its controls will be overdue by the afternoon
	d.oldResults()
	for _, m := range everyday {
		d.goodControls(1, m.serial)
	}
	for range 13 {
		for _, m := range everyday {
			if t := d.ordinary(1, m.serial); m.serial == "Q3-0118" {
				d.compared = append(d.compared, t)
			}
		}
	}
	d.errors()
	d.otherWays()
	d.beforeTheLateControl()
	d.beforeTheRecall()
	// What the afternoon takes back stands in the record by then.
	d.corrected = d.test("Q3-0118", "3.2")
	d.add(1, "will be corrected", d.corrected, Want{End: delivered, Observations: observations(d.corrected)})
	d.withdrawn = d.test("S5-702", "2.1")
	d.add(1, "will be withdrawn", d.withdrawn, Want{End: delivered, Observations: observations(d.withdrawn)})
}

// oldResults come from a meter that lay in a drawer, its clock nine minutes slow.
func (d *Day) oldResults() {
	const m = "Q3-0121"
	d.at[m] = d.ago(9 * 24)
	d.goodControls(1, m)
	t := d.test(m, "2.3")
	d.add(1, "nine days old", t, Want{End: held, Codes: []string{"stale-result"}})
	d.at[m] = d.ago(31)
	d.goodControls(1, m)
	t = d.test(m, "2.7")
	d.add(1, "from yesterday, and the clock is slow", t, Want{End: delivered, Codes: []string{"stale-result", "clock-offset"}, Observations: observations(t)})
	d.at[m] = d.ago(3.4)
}

// errors are tests that gave no result. Most are those of one who is in training.
func (d *Day) errors() {
	for _, e := range []struct{ meter, operator, code string }{
		{"Q3-0118", "", "E-03"}, {"Q3-0120", "", "E-07"}, {"S5-701", "", "ERR21"}, {"R2-2041", "", "E3"}, {"Q3-0121", "", "E-05"},
		{"Q3-0119", inTraining, "E-03"}, {"Q3-0119", inTraining, "E-05"}, {"Q3-0119", inTraining, "E-03"}, {"Q3-0119", inTraining, "E-09"},
	} {
		t := d.test(e.meter, e.code)
		t.noPT, t.operator = true, e.operator
		d.add(1, "device error", t, Want{End: filed})
	}
	for range 4 {
		t := d.test("Q3-0119", "2.3")
		t.operator = inTraining
		d.passing(1, "by one who is in training", t)
	}
}

// outage is the time in which the record system does not answer: meters go on.
func (d *Day) outage() {
	for range 8 {
		for _, m := range everyday {
			d.ordinary(2, m.serial)
		}
	}
	d.storm()
}

// storm is a meter that did not see its answer and asks again and again.
func (d *Day) storm() {
	for _, m := range []string{"Q3-0118", "S5-702", "Q3-0119"} {
		t := d.test(m, "2.6")
		it := d.add(2, "resend storm", t, Want{End: delivered, Observations: observations(t)})
		it.Times = 25
	}
}

// afternoon brings everything that a gate is for.
func (d *Day) afternoon() {
	d.identity()
	d.deviceAndOperator()
	d.lots()
	d.qualityControl()
	d.values()
	d.history()
	d.again()
	d.recordSide()
	d.files3()
	d.run()
	d.drift()
	d.newStrips()
	d.laboratory()
	for range 8 {
		for _, m := range everyday {
			d.ordinary(3, m.serial)
		}
	}
	d.times()
	d.unreadable()
}

// hold puts a test that must stop in front of a person.
func (d *Day) hold(story, meter, inr string, change func(*test), codes ...string) *Item {
	t := d.test(meter, inr)
	change(&t)
	return d.add(3, story, t, Want{End: held, Codes: codes})
}

// settle lets a person act on a test that is held.
func (d *Day) settle(it *Item, t test, who, act, end string, changes map[string]string, reason string) {
	if it.Want.Settled = end; end == delivered {
		it.Want.Observations = observations(t)
	}
	d.Acts = append(d.Acts, settled(3, who, t, act, changes, reason))
}

// passMarked puts a test that is delivered with a flag.
func (d *Day) passMarked(story, meter, inr string, change func(*test), codes ...string) *Item {
	t := d.test(meter, inr)
	change(&t)
	return d.add(3, story, t, Want{End: delivered, Codes: codes, Observations: observations(t)})
}

func (d *Day) identity() {
	const m = "Q3-0118"
	d.hold("patient nobody knows", m, "2.4", func(t *test) { t.as = withCheckDigit("990017") }, "patient-unknown")
	d.hold("mistyped identifier", m, "2.2", func(t *test) { t.as = mistyped(t.who.id) }, "id-check-digit")
	d.hold("no identifier", m, "2.8", func(t *test) { t.noID = true }, "missing-essential")
	d.hold("birth date of somebody else", m, "3.1", func(t *test) { t.born = "1944-04-04" }, "second-identifier-conflict")
	d.hold("identifier that two authorities gave", "S5-701", "2.5", func(t *test) { t.who = &d.twice }, "patient-ambiguous")
	d.hold("training patient", m, "2.0", func(t *test) { t.who = d.trainingPatient() }, "test-patient")
	d.hold("control run as a patient", m, "1.1", func(t *test) { t.as = ControlID }, "qc-looks-like-patient")
}

// trainingPatient is the last of the list, which no ordinary test uses.
func (d *Day) trainingPatient() *person { return &d.people[len(d.people)-1] }

func mistyped(id string) string {
	last := (id[len(id)-1]-'0'+3)%10 + '0'
	return id[:len(id)-1] + string(last)
}

func (d *Day) deviceAndOperator() {
	stray := func(serial, story, code string) {
		dev := deviceOf("Q3-0118")
		dev.serial = serial
		t := d.test("Q3-0118", "2.5")
		d.put(3, story, serial, MLLP, t.sayAs(dev), Want{End: held, Codes: []string{code}})
	}
	stray("Q3-0777", "meter that nobody registered", "meter-unknown")
	stray("Q3-0099", "meter that was withdrawn", "meter-withdrawn")
	d.hold("operator that nobody registered", "Q3-0119", "2.4", func(t *test) { t.operator = "999" }, "operator-unknown")
	d.passMarked("number that several people use", "Q3-0118", "2.4", func(t *test) { t.operator = frontDesk }, "shared-log-in")
	d.passMarked("rule of the laboratory's own", "Q3-0118", "4.2", func(t *test) { t.operator = inTraining }, localRule)
	d.hold("operator whose certificate ran out", "Q3-0119", "2.6", func(t *test) { t.operator = "131" }, "operator-lapsed")
	d.hold("strip check failed", "Q3-0118", "2.9", func(t *test) { t.onboard = "FAIL" }, "onboard-control-failed")
}

func (d *Day) lots() {
	for _, l := range []struct{ story, lot, code string }{
		{"lot number misread", "Q2412", "lot-unknown"},
		{"expired strips", "Q2309", "lot-expired"},
		{"new strips, no control yet", "Q2502", "lot-not-accepted"},
		{"recalled strips", "Q2410", "lot-recalled"},
	} {
		for i := range 2 {
			var kept test
			it := d.hold(l.story, "Q3-0119", "2.5", func(t *test) { t.lot = l.lot; kept = *t }, l.code)
			if l.lot == "Q2412" && i == 0 {
				d.settle(it, kept, "c.hale", "correct", delivered, map[string]string{"strip_lot": "Q2411"}, "Vial in the drawer read aloud by M. Adeyemi: Q2411")
			}
		}
	}
	var kept test
	it := d.hold("critical, and the lot is not known", "Q3-0118", "6.8", func(t *test) { t.lot = "Q2412"; kept = *t }, "lot-unknown", "critical")
	it.Want.Critical = true
	d.Acts = append(d.Acts, called(3, "r.ito", kept, "Dr Varga, on call", "6.8", "Told that the strip lot is not clear yet; venous sample taken"))
}

func (d *Day) qualityControl() {
	const overdue = "Q3-0120"
	d.at[overdue] = d.ago(1.7)
	for range 3 {
		d.hold("controls overdue", overdue, "2.4", func(*test) {}, "qc-overdue")
	}
	d.goodControls(3, overdue)

	const failing = "S5-702"
	low, _ := passes(sedge)
	d.controls(3, failing, "", low, "4.4") // level 2 is out of range
	d.Items[len(d.Items)-1].Want.LookBack = true
	for range 2 {
		d.hold("control failed", failing, "2.3", func(*test) {}, "qc-failed")
	}
	d.goodControls(3, failing)

	t := d.control("Q3-0118", "3", "1.1")
	d.add(3, "control without a range", t, Want{End: held, Codes: []string{"lot-unknown"}})
}

func (d *Day) values() {
	none := func(*test) {}
	var kept test
	keep := func(t *test) { kept = *t }
	it := d.hold("no number", "S5-701", "----", func(t *test) { t.noPT = true; kept = *t }, "not-a-number")
	d.settle(it, kept, "r.ito", "discard", discarded, nil, "The meter shows no value; repeated on a new strip")
	d.hold("unit that the profile does not know", "Q3-0118", "2.5", func(t *test) { t.ptUnit = "min" }, "unit-unexpected")
	d.hold("lost decimal point", "Q3-0118", "25", none, "impossible-value").Want.Critical = true
	d.hold("beyond the meter's range", "Q3-0118", "9.6", none, "outside-measuring-range").Want.Critical = true
	it = d.hold("seconds that do not fit", "Q3-0118", "2.5", func(t *test) { t.pt = "42.0"; kept = *t }, "pt-inr-disagree")
	d.settle(it, kept, "d.varga", "release", delivered, nil, "Display and laboratory sample both say INR 2.5")
	d.passMarked("high enough to confirm", "Q3-0118", "4.6", none, "confirm-venous")
	d.passMarked("critical", "Q3-0119", "6.1", keep, "critical", "confirm-venous").Want.Critical = true
	d.Acts = append(d.Acts, called(3, "d.varga", kept, "Millrace Surgery, duty nurse", "", "No answer"),
		called(3, "d.varga", kept, "Millrace Surgery, duty nurse", "6.1", "Patient is called in for a venous sample"))
	d.passMarked("above what the meter can measure", "S5-701", ">8.0", keep, "comparator-kept", "critical").Want.Critical = true
	d.Acts = append(d.Acts, called(3, "d.varga", kept, "S. Marsh, nurse at the patient's side", ">8.0", "Sent to the emergency department"))
	d.passMarked("old programme that says plasma", "S5-703", "2.2", none, "code-specimen-mismatch")
}

func (d *Day) history() {
	const m = "Q3-0119"
	first := d.test(m, "2.2")
	d.add(3, "before a leap", first, Want{End: delivered, Observations: observations(first)})
	d.hold("leap since the last result", m, "4.4", func(t *test) { t.who = first.who }, "delta-large")
	first = d.test(m, "2.4")
	d.add(3, "before a repeat", first, Want{End: delivered, Observations: observations(first)})
	d.passMarked("repeated on a new strip", m, "2.5", func(t *test) { t.who = first.who }, "repeat-test")
}

// again brings results that came before: repeated, contradicted, corrected,
// withdrawn.
func (d *Day) again() {
	const m = "Q3-0118"
	t := d.test(m, "2.7")
	d.add(3, "comes again with a new number", t, Want{End: delivered, Observations: observations(t)})
	t.control = "Q3-0118-R00001"
	d.add(3, "same result, new message number", t, Want{End: duplicate})
	t.control, t.inr = "Q3-0118-R00002", "3.3"
	d.add(3, "same test, another value, no correction", t, Want{End: held, Codes: []string{"conflicting-resend"}})

	t = d.corrected
	t.control, t.inr, t.status = "Q3-0118-C00001", "2.9", "C"
	d.add(3, "correction", t, Want{End: delivered})
	t = d.withdrawn
	t.control, t.status = "S5702W00001", "W"
	d.add(3, "withdrawal", t, Want{End: delivered})

	for _, mode := range []string{"T", "D"} {
		t = d.test(m, "2.5")
		t.mode = mode
		d.add(3, "training message", t, Want{End: ignored})
	}
}

// recordSide is what only the record system can object to.
func (d *Day) recordSide() {
	const m = "Q3-0119"
	d.hold("patient whom the record system does not know", m, "2.3", func(t *test) { t.who = &d.notThere }, "record-patient-unknown")
	d.hold("patient with another birth date in the record system", m, "2.6", func(t *test) { t.who = &d.otherBirth }, "record-patient-differs")
	d.passMarked("patient who was merged in the record system", m, "2.5", func(t *test) { t.who = &d.merged })
}

// files3 are files with more than one result.
func (d *Day) files3() {
	dev := deviceOf("R2-2041")
	rows := func(lots ...string) []byte {
		b := []byte(reedHeader)
		for _, lot := range lots {
			t := d.test(dev.serial, "2.4")
			t.lot = lot
			b = append(b, t.reedRow(dev)...)
		}
		return b
	}
	d.put(3, "three results in a file", dev.serial, Folder, rows("", "", ""), Want{End: delivered, Readings: map[string]int{delivered: 3}, Observations: 3})
	d.put(3, "one of two results stops", dev.serial, Folder, rows("", "R777"), Want{End: held, Readings: map[string]int{delivered: 1, held: 1}, Codes: []string{"lot-unknown"}, Observations: 1})

	const m = "Q3-0119"
	b := []byte("FHS|^~\\&|QUILL3\rBHS|^~\\&|QUILL3\r")
	n := 0
	for range 4 {
		t := d.test(m, "2.5")
		b = append(b, t.say()...)
		n += observations(t)
	}
	b = append(b, "BTS|4\rFTS|1\r"...)
	it := d.put(3, "batch of four", m, Folder, b, Want{End: delivered, Observations: n})
	it.Messages, it.Name = 4, "Q3-0119-batch.hl7"
}

// times comes last: what is dated wrongly makes later tests look out of order.
func (d *Day) times() {
	d.hold("dated in the future", "Q3-0119", "2.5", func(t *test) { t.at = d.Start.Add(45 * time.Minute) }, "future-time")
	d.hold("clock three quarters of an hour slow", "Q3-0118", "2.4", func(*test) {}, "clock-offset").Clock = -45 * time.Minute
	d.hold("in the hour that came twice", "R2-2041", "2.4", func(t *test) { t.at = d.hourTwice() }, "time-ambiguous")
}

// hourTwice is a local time in the last night in which the clocks went back.
func (d *Day) hourTwice() time.Time {
	noon := time.Date(d.Start.Year(), d.Start.Month(), d.Start.Day(), 12, 0, 0, 0, d.local)
	for day := noon; ; day = day.AddDate(0, 0, -1) {
		_, after := day.Zone()
		_, before := day.AddDate(0, 0, -1).Zone()
		if after < before && day.Before(d.Start) {
			return time.Date(day.Year(), day.Month(), day.Day(), 1, 30, 0, 0, d.local)
		}
	}
}

func (d *Day) unreadable() {
	d.put(3, "no message at all", "Q3-0118", MLLP, []byte("Quill 3 self check 0447 OK\r"), Want{End: held, Codes: []string{"unreadable-record"}, Answer: "AR"})
	d.put(3, "file with a column that nobody named", "R2-2042", Folder,
		bytes.Replace([]byte(reedHeader+"R2-2042;1;01.01.2026 10:00;PAT;1;x;124;R771;2,4;;\r\n"), []byte("Strip"), []byte("Lot No."), 1),
		Want{End: held, Codes: []string{"unreadable-record"}})
}
