package registry_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidegate/poct"
	"tidegate/registry"
)

func shipment(id, lot, arrived string) poct.Shipment {
	return poct.Shipment{ID: id, StripLot: lot, Site: "millrace", Arrived: arrived}
}

// The newest shipment and decision before the test count; a day begins at the
// site's midnight.
func TestFactsTellHowTheLotCame(t *testing.T) {
	book := full()
	book.rows.Shipments = []poct.Shipment{
		shipment("S-1", "7K40231", "2024-01-10"),
		shipment("S-3", "7K40231", "2024-03-05T09:11:00+01:00"),
		shipment("S-4", "7K40231", "2024-03-05T09:13:00+01:00"), // after the test
		shipment("S-2", "7K40231", "2024-03-05"),
		{ID: "S-9", StripLot: "7K40231", Site: "saltmarsh", Arrived: "2024-03-05T09:11:30+01:00"},
	}
	at := func(min int) time.Time { return tested.Add(time.Duration(min) * time.Minute) }
	book.rows.Acceptances = []poct.Acceptance{
		{StripLot: "7K40231", Site: "millrace", Decision: "refused", At: at(-90)},
		{StripLot: "7K40231", Site: "millrace", Decision: "accepted", At: at(-60)},
		{StripLot: "7K40231", Site: "millrace", Decision: "refused", At: at(1)},
		{StripLot: "7K40231", Site: "saltmarsh", Decision: "refused", At: at(-1)},
	}
	f := facts(t, book, reading())
	require.NotNil(t, f.Shipment)
	assert.Equal(t, "S-3", f.Shipment.ID)
	require.NotNil(t, f.Acceptance)
	assert.Equal(t, "accepted", f.Acceptance.Decision)

	book.rows.Shipments = []poct.Shipment{shipment("S-2", "7K40231", "2024-03-05"), shipment("S-5", "7K40231", "2024-03-06")}
	assert.Equal(t, "2024-03-05T00:00:00+01:00", facts(t, book, reading()).Shipment.Arrived, "midnight in Europe/Berlin")
	book.rows.Shipments = nil
	assert.Nil(t, facts(t, book, reading()).Shipment)
}

func TestFactsNoticeANewerLot(t *testing.T) {
	for _, tt := range []struct {
		name    string
		used    string // lot of the site's newest test
		arrived string // when it came
		want    string
	}{
		{"newer, in use", "7K40299", "2024-03-01", "S-new"},
		{"older", "7K40299", "2024-01-01", ""},
		{"newer, but not in use", "7K40231", "2024-03-01", ""},
		{"came after the test", "7K40299", "2024-03-06", ""},
		{"for another model of meter", "R5000", "2024-03-01", ""},
		{"no shipment of it is known", "7K40299", "", ""},
	} {
		t.Run(tt.name, func(t *testing.T) {
			book := full()
			book.rows.StripLots[0].Model = "Quill 3"
			book.rows.StripLots = append(book.rows.StripLots,
				poct.StripLot{Lot: "7K40299", Model: "Quill 3"}, poct.StripLot{Lot: "R5000", Model: "Reed 2"})
			book.rows.Shipments = []poct.Shipment{shipment("S-old", "7K40231", "2024-02-01")}
			if tt.arrived != "" {
				book.rows.Shipments = append(book.rows.Shipments, shipment("S-new", "7K40299", tt.arrived), shipment("S-new", "R5000", tt.arrived))
			}
			newest := past(poct.KindPatient, "Q3-1007", "MRN0008", tested.Add(-time.Hour))
			newest.Reading.StripLot = tt.used
			book.past = []poct.Past{newest}
			f := facts(t, book, reading())
			assert.Equal(t, []string{tt.used}, f.LotsInUse)
			got := ""
			if f.NewerLot != nil {
				got = f.NewerLot.ID
			}
			assert.Equal(t, tt.want, got)
		})
	}
}

func TestFactsGiveChainsWithTheirRanges(t *testing.T) {
	book := full()
	for i := range 90 {
		run := past(poct.KindControl, "Q3-1007", "", tested.Add(time.Duration(i-100)*2*time.Hour))
		run.Reading.StripLot, run.Reading.ControlLot, run.Reading.ControlLevel = "7K40231", "QC77", "12"[i%2:i%2+1]
		book.past = append(book.past, run)
	}
	other := past(poct.KindControl, "Q3-1007", "", tested)
	other.Reading.StripLot = "other"
	book.past = append(book.past, other)
	book.rows.Actions = []poct.CorrectiveAction{{Meter: "Q3-1007", At: tested.Add(-time.Hour)}, {Meter: "Q3-1007", At: tested.Add(time.Hour)}, {Meter: "R2-0001", At: tested}}

	f := facts(t, book, reading())
	assert.NotContains(t, book.seen, "control runs", "no SD is stated, so no chart can be drawn")
	assert.NotEmpty(t, f.Chains)
	assert.Len(t, f.ChainRanges, 2, "they show why not")

	f, err := registry.Look{OwnRuns: true}.Facts(book, reading(), tested, tested)
	require.NoError(t, err)
	assert.Len(t, f.Chains, 80, "of each level the newest 40")

	book.rows.ControlLots[1].RangeSDs = poct.MustNumber("2")
	f = facts(t, book, reading())
	assert.Len(t, f.Actions, 1, "on this meter, up to the test")
	assert.Len(t, f.Chains, 24, "of each level the newest 12")
	assert.True(t, f.Chains[0].Tested.Before(f.Chains[23].Tested), "oldest first")
	assert.Len(t, f.ChainRanges, 2)
	assert.Empty(t, f.ControlLots, "those belong to what stands in the patient's place")

	book.seen = nil
	r := reading()
	r.StripLot = "unused"
	assert.Empty(t, facts(t, book, r).Chains)
	assert.NotContains(t, book.seen, "control runs", "no control of this lot is known")
}

func TestFactsTellLaboratoryResultsAndFindings(t *testing.T) {
	book := full()
	book.past = []poct.Past{
		past(poct.KindComparison, "", "MRN0007", tested.Add(-2*time.Hour)),
		past(poct.KindComparison, "", "MRN0003", tested.Add(2*time.Hour)), // under the identifier that was merged
		past(poct.KindComparison, "", "MRN0007", tested.Add(-73*time.Hour)),
		past(poct.KindComparison, "", "MRN0008", tested),
		past(poct.KindPatient, "Q3-1007", "MRN0007", tested.Add(time.Hour)),
	}
	stamp := func(h int) string { return tested.Add(time.Duration(h) * time.Hour).Format(time.RFC3339) }
	finding := func(patient, what string, at, until string) poct.Finding {
		return poct.Finding{Authority: "MILLRACE", Patient: patient, Finding: what, At: at, Until: until}
	}
	book.rows.Findings = []poct.Finding{
		finding("MRN0007", "heparin", stamp(-3), stamp(1)), finding("MRN0003", "lupus-anticoagulant", stamp(-999), ""),
		finding("MRN0007", "ended", stamp(-3), stamp(-1)), finding("MRN0007", "later", stamp(1), ""), finding("MRN0008", "other", stamp(-3), ""),
		finding("MRN0007", "unclear", "last week", ""),
	}
	r := reading()
	r.Patient.ID = "MRN0003"
	f := facts(t, book, r)
	require.Len(t, f.Labs, 2)
	assert.True(t, f.Labs[0].Tested.After(f.Labs[1].Tested), "newest first")
	var names []string
	for _, row := range f.Findings {
		names = append(names, row.Finding)
	}
	assert.ElementsMatch(t, []string{"heparin", "lupus-anticoagulant", "unclear"}, names)

	r.Kind, r.Meter = poct.KindComparison, ""
	f = facts(t, book, r)
	assert.Len(t, f.History, 1, "the meter's results about a laboratory's own, later ones too")
	for _, never := range []string{"controls", "control runs", "strip lot", "operator"} {
		book.seen = nil
		facts(t, book, r)
		assert.NotContains(t, book.seen, never, "of a laboratory's result")
	}
}

// European Union, Directive 2000/84/EC: clocks change on the last Sundays of
// March and October at 01:00 UTC.
func TestFactsTellOfClocks(t *testing.T) {
	book := full()
	book.contacts = []poct.Contact{{Meter: "Q3-1007", At: tested, Device: tested.Add(time.Hour), Offset: time.Hour}}
	f := facts(t, book, reading())
	require.NotNil(t, f.Contact)
	assert.Equal(t, time.Hour, f.Contact.Offset)
	assert.True(t, f.ClocksChange.Equal(time.Date(2024, 3, 31, 1, 0, 0, 0, time.UTC)), "%v", f.ClocksChange)

	book.contacts = nil
	assert.Nil(t, facts(t, book, reading()).Contact)
	december := time.Date(2024, 12, 1, 9, 0, 0, 0, time.UTC)
	f, err := registry.Facts(book, reading(), december, december)
	require.NoError(t, err)
	assert.True(t, f.ClocksChange.Equal(time.Date(2024, 10, 27, 1, 0, 0, 0, time.UTC)), "nearest to the arrival, whenever the test was")
	book.rows.Sites[0].TimeZone = "Asia/Kolkata" // has not changed its clocks since 1945
	assert.True(t, facts(t, book, reading()).ClocksChange.Before(time.Date(1946, 1, 1, 0, 0, 0, 0, time.UTC)))
}

// Typing slips with one character: wrong, missing, too many, or two swapped.
func TestFactsSuggestTheNearestLot(t *testing.T) {
	for _, tt := range []struct{ name, sent, want string }{
		{"one wrong", "7K40931", "7K40231"},
		{"one that looks alike", "7K4O231", "7K40231"},
		{"one missing", "7K4231", "7K40231"},
		{"the first missing", "K40231", "7K40231"},
		{"one too many", "7K402231", "7K40231"},
		{"two swapped", "7K40321", "7K40231"},
		{"two wrong", "7K40999", ""},
		{"two swapped that are no neighbours", "7K43201", ""},
		{"too short to tell", "7K4", ""},
	} {
		t.Run(tt.name, func(t *testing.T) {
			book := full()
			book.rows.StripLots = []poct.StripLot{{Lot: "7K40231"}, {Lot: "9Z11888"}}
			r := reading()
			r.StripLot = tt.sent
			assert.Equal(t, tt.want, facts(t, book, r).NearestLot)
		})
	}
}
