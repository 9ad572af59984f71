package storetest

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidegate/poct"
	"tidegate/store"
)

func testTests(t *testing.T, open Open) {
	w := NewWorld(t, open)
	began := w.Clock.Now()
	w.message(test(1, byOperator("118")), test(2, byOperator("118"), onLot("6A1")), test(3, byOperator("119"), atSite("harbour"), onMeter("Q2")))
	w.message(test(4, byOperator("118"), errorCode("E-blood")), test(5, byOperator("119"), errorCode("E-blood")), test(6, byOperator("119"), errorCode("E-air"), onLot("6A1")))
	w.message(control(7, "1", true), lab(8), test(9, heldFor("lot-unknown")))
	w.Take(test(10, func(o *poct.Outcome) { o.Result.Reading.Measurements = nil }, heldFor("value-missing")))
	w.Take(Aside(poct.Ignore, "", test(11)))
	w.Clock.Move(time.Hour)
	w.Take(test(70, byOperator("120")))
	end := w.Clock.Now()
	for _, c := range []struct {
		by, site string
		from, to time.Time
		want     []poct.TestCount
	}{
		{"meter", "harbour", began, end, []poct.TestCount{{Key: "Q2", Tests: 1, Codes: map[string]int{}}}},
		{"operator", "", began, end, []poct.TestCount{
			{Key: "", Tests: 1, Codes: map[string]int{}},
			{Key: "118", Tests: 2, Events: 1, Codes: map[string]int{"E-blood": 1}},
			{Key: "119", Tests: 1, Events: 2, Codes: map[string]int{"E-blood": 1, "E-air": 1}}}},
		{"site", "", began, end, []poct.TestCount{
			{Key: "harbour", Tests: 1, Codes: map[string]int{}},
			{Key: "saltmarsh", Tests: 3, Events: 3, Codes: map[string]int{"E-blood": 2, "E-air": 1}}}},
		{"meter", "", began, end, []poct.TestCount{
			{Key: "Q1", Tests: 3, Events: 3, Codes: map[string]int{"E-blood": 2, "E-air": 1}},
			{Key: "Q2", Tests: 1, Codes: map[string]int{}}}},
		{"strip_lot", "", began, end, []poct.TestCount{
			{Key: "6A1", Tests: 1, Events: 1, Codes: map[string]int{"E-air": 1}},
			{Key: "7K40231", Tests: 3, Events: 2, Codes: map[string]int{"E-blood": 2}}}},
		{"operator", "", end, end.Add(time.Millisecond), []poct.TestCount{{Key: "120", Tests: 1, Codes: map[string]int{}}}},
		{"operator", "", time.Time{}, began, []poct.TestCount{}},
	} {
		got, err := w.Tests(w.Ctx, c.from, c.to, c.by, c.site)
		require.NoError(t, err)
		assert.Equal(t, c.want, got, "by %s from %s", c.by, c.from)
	}
	_, err := w.Tests(w.Ctx, began, end, "patient", "")
	assert.ErrorContains(t, err, "strip_lot")

	// More than a page of them.
	var many []poct.Outcome
	for i := range 1203 {
		many = append(many, test(i, onMeter("Q9")))
	}
	for len(many) > 0 {
		n := min(400, len(many))
		w.message(many[:n]...)
		many = many[n:]
	}
	got, err := w.Tests(w.Ctx, end, end.Add(time.Hour), "meter", "")
	require.NoError(t, err)
	assert.Equal(t, poct.TestCount{Key: "Q9", Tests: 1203, Codes: map[string]int{}}, got[len(got)-1])
}

func testSeries(t *testing.T, open Open) {
	w := NewWorld(t, open)
	w.message(test(1), test(2, onLot("6A1")), test(3, atSite("harbour")), test(4, heldFor("lot-unknown")))
	w.message(lab(5), lab(6, heldFor("patient-unknown")))
	// The laboratory and the meter write the same patient in two ways.
	w.message(test(7, ofPatient("MILLRACE", "99999", "0099999")), lab(8, ofPatient("MILLRACE", "99999", "99999")))
	w.message(test(9, ofPatient("MILLRACE", "5", "5")), lab(10, ofPatient("HARBOUR", "5", "5"))) // no pair
	w.Take(lab(500, ofPatient("MILLRACE", "5", "5")))                                            // too late
	gone := w.Take(test(11))[0]
	w.Take(Of(gone, As(poct.Correct, test(11, withStatus(poct.StatusWithdrawn)))))
	for _, c := range []struct {
		site, lot  string
		meters, at []string
	}{
		{"", "", []string{"t1", "t2", "t3", "t7"}, []string{"l5", "l8"}},
		{"saltmarsh", "", []string{"t1", "t2", "t7"}, []string{"l5", "l8"}},
		{"harbour", "", []string{"t3"}, []string{"l5"}},
		{"", "6A1", []string{"t2"}, []string{"l5"}},
		{"saltmarsh", "none", nil, nil},
	} {
		meters, labs, err := w.PairMaterial(w.Ctx, at(0), at(60), c.site, c.lot)
		require.NoError(t, err)
		assert.Equal(t, c.meters, sequences(meters), "%s %s", c.site, c.lot)
		assert.Equal(t, c.at, sequences(labs), "%s %s", c.site, c.lot)
	}
	meters, labs, err := w.PairMaterial(w.Ctx, at(7), at(8), "", "")
	require.NoError(t, err)
	require.Len(t, meters, 1)
	require.Len(t, labs, 1)
	assert.Equal(t, poct.PatientRef{Authority: "MILLRACE", ID: "99999"}, meters[0].Patient)
	assert.Equal(t, labs[0].Patient, meters[0].Patient)

	results, err := w.LotResults(w.Ctx, "7K40231", at(2), at(30))
	require.NoError(t, err)
	assert.Equal(t, []string{"t3", "t7", "t9"}, sequences(results))
	trials, err := w.LotTrials(w.Ctx, "7K40231", "saltmarsh", at(2), at(30))
	require.NoError(t, err)
	assert.NotEmpty(t, trials)
	for _, p := range trials {
		assert.Equal(t, "7K40231", p.Reading.StripLot)
		assert.Contains(t, []poct.State{poct.Delivered, poct.Delivering, poct.Held}, p.State)
	}
	trials, err = w.LotTrials(w.Ctx, "7K40231", "nowhere", at(2), at(30))
	require.NoError(t, err)
	assert.Empty(t, trials)
	results, err = w.LotResults(w.Ctx, "", time.Time{}, time.Time{})
	require.NoError(t, err)
	assert.Empty(t, results)

	w.message(control(20, "1", false), control(15, "2", true, onLot("6A1")), control(25, "1", true, heldFor("control-lot-unknown")))
	w.message(control(16, "2", true, withStatus(poct.StatusPreliminary)), control(17, "1", true, onMeter("Q2")))
	runs, err := w.ControlSeries(w.Ctx, "Q1", at(0), at(60))
	require.NoError(t, err)
	assert.Equal(t, []string{"c152 true", "c201 false", "c251 true"}, pasts(runs))
	assert.Equal(t, "6A1", runs[0].Reading.StripLot)
}

func testAgeing(t *testing.T, open Open) {
	w := NewWorld(t, open)
	first := w.Open(w.Take(test(1, heldFor("lot-unknown")))[0])
	w.Clock.Move(time.Hour)
	second := w.Open(w.Take(test(2, heldFor("patient-unknown"), atSite("harbour")))[0])
	settled := w.Open(w.Take(test(3, heldFor("lot-unknown")))[0])
	w.Act(settled, poct.ActDiscard)
	ageing := func(before time.Time, limit int) []store.AgeingHold {
		t.Helper()
		list, err := w.Ageing(w.Ctx, before, limit)
		require.NoError(t, err)
		return list
	}
	old := store.AgeingHold{ID: first.ID, Site: "saltmarsh", Code: "lot-unknown", Opened: Begin}
	assert.Empty(t, ageing(Begin, 10))
	assert.Equal(t, []store.AgeingHold{old}, ageing(Begin.Add(time.Minute), 10))
	assert.Equal(t, []store.AgeingHold{old, {ID: second.ID, Site: "harbour", Code: "patient-unknown", Opened: Begin.Add(time.Hour)}},
		ageing(w.Clock.Now().Add(time.Minute), 10))
	assert.Equal(t, []store.AgeingHold{old}, ageing(w.Clock.Now().Add(time.Minute), 1))
}
