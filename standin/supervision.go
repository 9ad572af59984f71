package standin

import (
	"fmt"
	"strconv"
	"time"
)

// localRule is the code of a rule that the day's configuration adds in CEL.
const localRule = "in-training-high"

// otherWays lets the meters speak that have another way than HL7 v2 or CSV.
func (d *Day) otherWays() {
	for _, m := range []string{lisMeter, poctMeter, jsonMeter, xmlMeter} {
		d.goodControls(1, m)
		for range 4 {
			d.ordinary(1, m)
		}
	}
	t := d.test(poctMeter, "ERR34")
	d.free--
	d.put(1, "device error", poctMeter, POCT1A, t.event(deviceOf(poctMeter)), Want{End: filed})
	t = d.test(jsonMeter, "E1")
	t.noPT = true
	d.add(1, "device error", t, Want{End: filed})
	t = d.test(lisMeter, "2.2")
	t.way = Folder
	d.passing(2, "LIS02 records in a file", t)
}

// run is what a meter tells beside the value, or a registry of the patient.
func (d *Day) run() {
	d.passMarked("sample late on the strip", jsonMeter, "2.4", func(t *test) { t.run.waited = 200 * time.Second }, "sampling-late")
	d.passMarked("ran longer than its seconds", jsonMeter, "2.6", func(t *test) { t.run.lasted = "64.0" }, "run-time-disagrees")
	d.passMarked("haematocrit that the meter saw", jsonMeter, "2.3", func(t *test) { t.run.haematocrit = "61" }, "haematocrit-out")
	d.passMarked("note that came with the result", jsonMeter, "2.7", func(t *test) { t.run.note = "lipaemic sample" }, "interference-noted")
	d.passMarked("patient on heparin", "Q3-0119", "2.9", func(t *test) { t.who = &d.onHeparin }, "interference-noted")
	d.passMarked("patient with a low haematocrit", "Q3-0119", "2.1", func(t *test) { t.who = &d.anaemic }, "haematocrit-out")
}

// Controls of 25 days on one meter, level 1 and 2. Level 1 has mean 1.10 and
// SD 0.08, level 2 mean 3.00 and SD 0.20: in the second row stand a run beyond
// 3 SD, two beyond 2 SD, four beyond 1 SD and ten on one side, all of them
// inside the range from 2.3 to 3.7.
var (
	charted1 = []string{"1.1", "1.0", "1.1", "1.2", "1.1", "1.1", "1.0", "1.1", "1.1", "1.2", "1.1", "1.0", "1.1",
		"1.1", "1.2", "1.1", "1.0", "1.1", "1.1", "1.2", "1.1", "1.1", "1.0", "1.1", "1.1"}
	charted2 = []string{"3.0", "2.9", "3.1", "3.0", "2.9", "3.7", "3.0", "2.9", "3.5", "3.5", "3.0", "3.3", "3.3",
		"3.3", "3.3", "2.9", "2.9", "2.9", "2.9", "2.9", "2.9", "2.9", "2.9", "2.9", "2.9"}
)

func (d *Day) chartHistory() {
	today := d.at[chartMeter]
	for i := range charted1 {
		d.at[chartMeter] = d.ago(24*float64(len(charted1)-i) + 3.4)
		d.controls(1, chartMeter, "", charted1[i], charted2[i])
	}
	d.at[chartMeter] = today
}

// drift is today's run of that meter: both levels beyond 2 SD, and still in
// range. Somebody cleans the meter and runs the controls again.
func (d *Day) drift() {
	d.controls(3, chartMeter, "", "1.3", "3.5")
	d.hold("controls in range that break a rule of the chart", chartMeter, "2.5", func(*test) {}, "qc-multirule")
	d.Acts = append(d.Acts, acted(3, "c.hale", chartMeter, "Strip guide and optics cleaned; opened a new vial of control"))
	for i, inr := range []string{"1.1", "3.0"} {
		t := d.control(chartMeter, fmt.Sprint(i+1), inr)
		d.addNow(4, "control after the meter was cleaned", t, Want{End: filed})
	}
	t := d.test(chartMeter, "2.5")
	d.addNow(4, "after the meter was cleaned", t, Want{End: delivered, Observations: observations(t)})
}

// addNow puts a test that is run when it is sent, so after what people did. The
// meter's clock is two seconds fast: times go to the second, and the test must
// not seem to be older than the act before it.
func (d *Day) addNow(phase int, story string, t test, w Want) {
	t.now = true
	d.add(phase, story, t, w).Clock = 2 * time.Second
}

// newStrips are tried on five patients beside the old ones, read back by a
// second person and accepted. Another lot came warm and is refused.
func (d *Day) newStrips() {
	const old = "Q3-0119"
	var pairs []test
	for _, inr := range []string{"1.9", "2.3", "2.8", "3.2", "3.7"} {
		pairs = append(pairs, d.passing(3, "with the old strips", d.test(old, inr)))
	}
	d.at[trialMeter] = d.at[old].Add(16 * time.Minute)
	d.goodControls(3, trialMeter)
	for i, inr := range []string{"2.0", "2.3", "2.7", "3.3", "3.6"} {
		t := d.test(trialMeter, inr)
		d.free--
		t.who = pairs[i].who
		d.passing(3, "with the new strips", t)
	}
	d.Acts = append(d.Acts,
		readBack(3, "r.ito", "millrace", "Q2502", "1.00", "12.0"),
		decided(3, "c.hale", "millrace", "Q2502", "accepted", "Both levels in range, five pairs looked at, constants read back"),
		decided(3, "c.hale", "saltmarsh", "Q2503", "refused", "The box came warm; the indicator on it had turned"),
	)
	d.passing(4, "with strips that were accepted", d.test(trialMeter, "2.6"))
}

// laboratory is its own list of twelve results: eleven of patients whom a meter
// had measured, and one whom a meter measures next.
func (d *Day) laboratory() {
	differ := []float64{0.12, 0.03, -0.08, 0.21, 0.05, 0.14, -0.11, 0.02, 0.09, -0.19, 0.04}
	list := labHeader
	for i, t := range d.compared[:len(differ)] {
		inr, _ := strconv.ParseFloat(t.inr, 64) // an ordinary test's: a number
		list += labRow(i+1, t.at.Add(20*time.Minute), *t.who, strconv.FormatFloat(inr+differ[i], 'f', 2, 64))
	}
	const meter = "Q3-0120"
	t := d.test(meter, "3.7")
	list += labRow(12, t.at.Add(-30*time.Minute), *t.who, "2.60")
	d.put(3, "results of the laboratory", "laboratory", Folder, []byte(list), Want{End: filed, Readings: map[string]int{filed: 12}})
	d.add(4, "far from what the laboratory found", t, Want{End: delivered, Codes: []string{"lab-poc-disagree"}, Observations: observations(t)})
}

// beforeTheLateControl: a control fails, and the meter sends it only hours
// later, behind three results that went out meanwhile.
func (d *Day) beforeTheLateControl() {
	d.goodControls(1, lateMeter)
	failed := d.control(lateMeter, "2", "4.3")
	var doubted []test
	for range 3 {
		doubted = append(doubted, d.ordinary(1, lateMeter))
	}
	d.add(4, "control that failed and came late", failed, Want{End: filed, Codes: []string{"late-qc-changes-verdict"}, LookBack: true})
	d.goodControls(4, lateMeter)
	d.Acts = append(d.Acts,
		judged(4, "d.varga", failed.id(), doubted[0], "stands", "Venous sample of the same hour agrees"),
		judged(4, "d.varga", failed.id(), doubted[1], "repeat-asked", "No second value; the clinic calls the patient back today"),
		judged(4, "d.varga", failed.id(), doubted[2], "withdraw", "The venous sample differs; nobody has acted on the value"),
	)
}

// beforeTheRecall: three results with strips that are recalled in the afternoon.
func (d *Day) beforeTheRecall() {
	const lot = "S9K3"
	d.goodControls(1, recallMeter)
	var doubted []test
	for range 3 {
		doubted = append(doubted, d.ordinary(1, recallMeter))
	}
	d.Acts = append(d.Acts,
		recalled(3, "c.hale", lot, d.stripLots(lot)),
		judged(3, "c.hale", lot, doubted[0], "withdraw", "Recalled for reading too low; nobody has acted on the value"),
		judged(3, "d.varga", lot, doubted[1], "repeat-asked", "Recalled for reading too low; repeat with another lot"),
		judged(3, "d.varga", lot, doubted[2], "stands", "Laboratory value of this morning agrees"),
	)
	t := d.test(recallMeter, "2.4")
	d.add(4, "with strips that were recalled", t, Want{End: held, Codes: []string{"lot-recalled"}})
}

// evening is what comes after people have acted.
func (d *Day) evening() {
	const meter = "R2-2042"
	low, high := passes(reed)
	d.controls(4, meter, "R802", low, high)
	t := d.test(meter, "2.3")
	t.lot = "R802"
	d.passing(4, "first box of a newer lot", t)
	t = d.test(meter, "2.6")
	d.add(4, "set back to the older lot", t, Want{End: delivered, Codes: []string{"old-lot-in-use"}, Observations: observations(t)})
	low, high = passes(quill)
	d.controls(4, "Q3-0120", "Q2503", low, high) // they pass; the lot was refused for another reason
	t = d.test("Q3-0120", "2.4")
	t.lot = "Q2503"
	d.addNow(4, "with strips that were refused", t, Want{End: held, Codes: []string{"lot-not-accepted"}})
	d.Acts = append(d.Acts,
		asked(4, "n.osei", poctMeter, true),
		asked(4, "n.osei", recallMeter, false),
		asked(4, "n.osei", silentMeter, false),
	)
}
