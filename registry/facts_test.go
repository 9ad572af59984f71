package registry_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidegate/poct"
	"tidegate/registry"
)

var (
	berlin = must(time.LoadLocation("Europe/Berlin"))
	tested = time.Date(2024, 3, 5, 9, 12, 0, 0, berlin)
)

func must[T any](v T, err error) T {
	if err != nil {
		panic(err)
	}
	return v
}

// full is a registry of one invented clinic group.
func full() *shelf {
	return &shelf{rows: poct.RegistryRows{
		Sites:     []poct.Site{{ID: "millrace", Name: "Millrace Surgery", TimeZone: "Europe/Berlin"}, {ID: "saltmarsh", TimeZone: "Europe/London", QCInterval: 720 * time.Hour}},
		Meters:    []poct.Meter{{Serial: "Q3-1007", Model: "Quill 3", Site: "millrace", State: "in-use"}, {Serial: "R2-0001", Model: "Reed 2", Site: "saltmarsh", State: "in-use"}},
		Operators: []poct.Operator{{ID: "118", Sites: []string{"*"}, CertifiedUntil: "2025-01-31"}},
		StripLots: []poct.StripLot{{Lot: "7K40231", Expires: "2025-03-31"}, {Lot: "7K4A231", Expires: "2025-03-31"}},
		ControlLots: []poct.ControlLot{
			{Lot: "QC77", Level: "1", Low: poct.MustNumber("0.9"), High: poct.MustNumber("1.3")},
			{Lot: "QC77", Level: "2", Low: poct.MustNumber("2.1"), High: poct.MustNumber("3.1")},
		},
		Patients: []poct.Patient{
			{Authority: "MILLRACE", ID: "MRN0007", BirthDate: "1950-01-01"},
			{Authority: "MILLRACE", ID: "MRN0003", MergedTo: "MRN0007"},
			{Authority: "MILLRACE", ID: "LOOP-A", MergedTo: "LOOP-B"},
			{Authority: "MILLRACE", ID: "LOOP-B", MergedTo: "LOOP-A"},
			{Authority: "MILLRACE", ID: "LOST", MergedTo: "NOWHERE"},
			{Authority: "MILLRACE", ID: "TWICE"}, {Authority: "HARBOUR", ID: "TWICE"},
		},
	}}
}

func reading() poct.Reading {
	return poct.Reading{
		Kind: poct.KindPatient, Meter: "Q3-1007", Sequence: "88231", Operator: "118", StripLot: "7K40231",
		Patient:  poct.PatientRef{Authority: "MILLRACE", ID: "MRN0007"},
		TestedAt: poct.Stamp{Raw: "20240305091200+0100", At: tested, Precision: "second"},
	}
}

func facts(t *testing.T, book poct.Book, r poct.Reading) poct.Facts {
	t.Helper()
	f, err := registry.Facts(book, r, tested.Add(time.Minute), tested.Add(time.Hour))
	require.NoError(t, err)
	return f
}

func TestFactsOfAKnownReading(t *testing.T) {
	f := facts(t, full(), reading())
	assert.Equal(t, "millrace", f.Site.ID)
	assert.Equal(t, "Quill 3", f.Meter.Model)
	assert.Equal(t, "118", f.Operator.ID)
	assert.Equal(t, "7K40231", f.StripLot.Lot)
	assert.Equal(t, "MRN0007", f.Patient.ID)
	assert.Len(t, f.Patients, 1)
	assert.Nil(t, f.Owner)
	assert.Nil(t, f.Visit)
	assert.False(t, f.RegistryEmpty)
	assert.Equal(t, tested.Add(time.Minute), f.Received)
	assert.Equal(t, tested.Add(time.Hour), f.Now)
}

func TestFactsLeaveOutWhatIsNotKnown(t *testing.T) {
	f := facts(t, full(), poct.Reading{
		Kind: poct.KindPatient, Meter: "Q3-lOO7", Operator: "999", StripLot: "7K4O231",
		Patient: poct.PatientRef{Authority: "MILLRACE", ID: "NOBODY"},
	})
	assert.Nil(t, f.Meter)
	assert.Nil(t, f.Site)
	assert.Nil(t, f.Operator)
	assert.Nil(t, f.StripLot)
	assert.Nil(t, f.Patient)
	assert.Empty(t, f.Patients)
	assert.Equal(t, "7K40231", f.NearestLot, "letter O for the figure zero comes before any other neighbour")
	assert.Empty(t, f.NearestMeter, "two signs apart is not near")

	f = facts(t, full(), poct.Reading{Kind: poct.KindPatient, Meter: "Q3-1OO7"})
	assert.Empty(t, f.NearestMeter)
	f = facts(t, full(), poct.Reading{Kind: poct.KindPatient, Meter: "Q3-10O7"})
	assert.Equal(t, "Q3-1007", f.NearestMeter)
}

func TestFactsTellAnEmptyRegistry(t *testing.T) {
	assert.True(t, facts(t, &shelf{}, reading()).RegistryEmpty)
	lotsOnly := &shelf{rows: poct.RegistryRows{StripLots: []poct.StripLot{{Lot: "OTHER"}}}}
	assert.False(t, facts(t, lotsOnly, reading()).RegistryEmpty)
}

func TestFactsFollowMergedPatients(t *testing.T) {
	for _, tt := range []struct {
		name, authority, id string
		patient             string // "" for none
		rows                int
	}{
		{"survivor", "MILLRACE", "MRN0007", "MRN0007", 1},
		{"merged into another", "MILLRACE", "MRN0003", "MRN0007", 1},
		{"merged in a circle", "MILLRACE", "LOOP-A", "", 1},
		{"merged into nobody", "MILLRACE", "LOST", "", 1},
		{"two authorities, none named", "", "TWICE", "", 2},
		{"two authorities, one named", "HARBOUR", "TWICE", "TWICE", 1},
		{"unknown", "MILLRACE", "NOBODY", "", 0},
		{"no identifier", "MILLRACE", "", "", 0},
	} {
		t.Run(tt.name, func(t *testing.T) {
			r := reading()
			r.Patient = poct.PatientRef{Authority: tt.authority, ID: tt.id}
			f := facts(t, full(), r)
			assert.Len(t, f.Patients, tt.rows)
			got := ""
			if f.Patient != nil {
				got = f.Patient.ID
			}
			assert.Equal(t, tt.patient, got)
		})
	}
}

func TestFactsChooseTheVisitOfTheTest(t *testing.T) {
	visit := func(id, site string, from, to time.Duration) poct.Visit {
		v := poct.Visit{ID: id, Authority: "MILLRACE", Patient: "MRN0007", Site: site, Start: tested.Add(from)}
		if to != 0 {
			v.End = tested.Add(to)
		}
		return v
	}
	for _, tt := range []struct {
		name   string
		visits []poct.Visit
		want   string
	}{
		{"none", nil, ""},
		{"open", []poct.Visit{visit("v1", "millrace", -time.Hour, 0)}, "v1"},
		{"ended long before", []poct.Visit{visit("v1", "millrace", -40*time.Hour, -13*time.Hour)}, ""},
		{"ended a little before", []poct.Visit{visit("v1", "millrace", -4*time.Hour, -2*time.Hour)}, "v1"},
		{"begins a little later", []poct.Visit{visit("v1", "millrace", time.Hour, 0)}, "v1"},
		{"begins next day", []poct.Visit{visit("v1", "millrace", 13*time.Hour, 0)}, ""},
		{"open comes before near", []poct.Visit{visit("near", "millrace", -2*time.Hour, -time.Hour), visit("open", "saltmarsh", -time.Hour, time.Hour)}, "open"},
		{"meter's site among open ones", []poct.Visit{visit("far", "saltmarsh", -time.Hour, 0), visit("here", "millrace", -2*time.Hour, 0)}, "here"},
		{"newest among equals", []poct.Visit{visit("old", "millrace", -9*time.Hour, 0), visit("new", "millrace", -time.Hour, 0)}, "new"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			book := full()
			book.rows.Visits = tt.visits
			f := facts(t, book, reading())
			got := ""
			if f.Visit != nil {
				got = f.Visit.ID
			}
			assert.Equal(t, tt.want, got)
		})
	}
}

func past(kind poct.ReadingKind, meter, patient string, at time.Time) poct.Past {
	return poct.Past{
		Result: meter + at.Format(time.RFC3339), State: poct.Filed, Tested: at,
		Reading: poct.Reading{Kind: kind, Meter: meter, Patient: poct.PatientRef{Authority: "MILLRACE", ID: patient}},
	}
}

func TestFactsLookBackFromTheTest(t *testing.T) {
	day := 24 * time.Hour
	control := func(meter string, ago time.Duration) poct.Past {
		return past(poct.KindControl, meter, "", tested.Add(-ago))
	}
	book := full()
	book.past = []poct.Past{
		control("Q3-1007", 9*day), control("Q3-1007", 8*day), control("Q3-1007", time.Hour),
		control("Q3-1007", -time.Minute), // run after the test, though before its arrival was judged
		control("R2-0001", 30*day), control("R2-0001", 32*day),
	}
	f := facts(t, book, reading())
	assert.Len(t, f.Controls, 2, "8 days back, and nothing after the test")

	r := reading()
	r.Meter = "R2-0001"
	f = facts(t, book, r)
	assert.Len(t, f.Controls, 1, "as far back as the site's interval and a day")

	r.TestedAt = poct.Stamp{Raw: "today"}
	f = facts(t, book, r)
	assert.Empty(t, f.Controls, "no time, no window")
}

func TestFactsTellThePatientsHistory(t *testing.T) {
	day := 24 * time.Hour
	result := func(patient string, ago time.Duration) poct.Past {
		return past(poct.KindPatient, "Q3-1007", patient, tested.Add(-ago))
	}
	for _, tt := range []struct {
		name string
		past []poct.Past
		want []time.Duration // ago
	}{
		{"none", nil, nil},
		{"90 days, newest first", []poct.Past{result("MRN0007", 91*day), result("MRN0007", 90*day), result("MRN0007", day)}, []time.Duration{day, 90 * day}},
		{"else the newest earlier one", []poct.Past{result("MRN0007", 300*day), result("MRN0007", 100*day)}, []time.Duration{100 * day}},
		{"under a merged identifier too", []poct.Past{result("MRN0003", day), result("MRN0007", 2*day)}, []time.Duration{day, 2 * day}},
		{"never another patient's", []poct.Past{result("MRN0008", day)}, nil},
	} {
		t.Run(tt.name, func(t *testing.T) {
			book := full()
			book.past = tt.past
			r := reading()
			r.Patient.ID = "MRN0003" // merged into MRN0007
			f := facts(t, book, r)
			var got []time.Duration
			for _, p := range f.History {
				got = append(got, tested.Sub(p.Tested))
			}
			assert.Equal(t, tt.want, got)
		})
	}
}

func TestFactsFindTheOwnerOfTheKey(t *testing.T) {
	book := full()
	r := reading()
	book.past = []poct.Past{{Result: "r-1", Key: r.Key(), Reading: r}}
	assert.Equal(t, "r-1", facts(t, book, r).Owner.Result)
	assert.Len(t, facts(t, book, r).MeterHistory, 1)
	r.Sequence = ""
	assert.Nil(t, facts(t, book, r).Owner)
	assert.Empty(t, facts(t, book, r).MeterHistory, "without a sequence there is nothing to order by")
}

func TestFactsOfControls(t *testing.T) {
	r := poct.Reading{Kind: poct.KindControl, Meter: "Q3-1007", ControlLot: "QC77", ControlLevel: "1", StripLot: "7K40231"}
	book := full()
	f := facts(t, book, r)
	assert.Len(t, f.ControlLots, 2)
	assert.NotContains(t, book.seen, "patients")
	assert.NotContains(t, book.seen, "visits")

	r = reading()
	r.Patient.ID = "QC77" // a control run in a patient's place
	assert.Len(t, facts(t, full(), r).ControlLots, 2)
	assert.Empty(t, facts(t, full(), reading()).ControlLots)
}

// rich is full with everything that some further look-up hangs on.
func rich() *shelf {
	book := full()
	book.rows.ControlLots[0].RangeSDs = poct.MustNumber("2")
	book.rows.Shipments = []poct.Shipment{{ID: "S-1", StripLot: "7K40231", Site: "millrace", Arrived: "2024-02-01"}}
	control := past(poct.KindControl, "Q3-1007", "", tested.Add(-time.Hour))
	control.Reading.StripLot, control.Reading.ControlLot = "7K40231", "QC77"
	book.rows.Orders = []poct.Order{{ID: "P-1", Placer: "P-1", Authority: "MILLRACE", Patient: "MRN0007", Status: poct.OrderOpen}}
	used := past(poct.KindPatient, "Q3-1007", "MRN0008", tested.Add(-time.Hour))
	used.Reading.StripLot = "7K4A231"
	book.past = []poct.Past{control, used}
	return book
}

// A look-up that fails is never taken for "not found".
func TestFactsFailWithTheBook(t *testing.T) {
	readings := map[string]poct.Reading{}
	for _, id := range []string{"MRN0007", "NOBODY"} {
		for _, lot := range []string{"7K40231", "7K4O231"} {
			r := reading()
			r.Patient.ID, r.StripLot, r.Order = id, lot, "P-1"
			readings[id+lot] = r
		}
	}
	asked := map[string]bool{}
	for _, r := range readings {
		book := rich()
		facts(t, book, r)
		for _, what := range book.seen {
			asked[what] = true
		}
	}
	require.GreaterOrEqual(t, len(asked), 20, "look-ups asked: %v", asked)
	for what := range asked {
		failed := false
		for _, r := range readings {
			book := rich()
			book.fail = what
			if _, err := registry.Facts(book, r, tested, tested); err != nil {
				failed = true
				assert.ErrorIs(t, err, errShelf)
			}
		}
		assert.True(t, failed, "a failing look-up of %s was taken for an answer", what)
	}
}

func TestZones(t *testing.T) {
	zone := registry.Zones(full())
	assert.Equal(t, "Europe/Berlin", zone("Q3-1007").String())
	assert.Equal(t, "Europe/London", zone("R2-0001").String())
	assert.Nil(t, zone("unknown"))
	for _, bad := range []string{"", "Local", "Nowhere/Land", "../../etc/hostname"} {
		book := full()
		book.rows.Sites[0].TimeZone = bad
		assert.Nil(t, registry.Zones(book)("Q3-1007"), bad)
	}
	broken := full()
	broken.fail = "site"
	assert.Nil(t, registry.Zones(broken)("Q3-1007"))
}
