package app

import (
	"testing"
	"time"

	"github.com/rs/zerolog"
	"github.com/stretchr/testify/require"

	"tidegate/poct"
	"tidegate/store"
)

// What meters are told: who may test at their site today, and whose visit there
// is open now.
func TestMeterLists(t *testing.T) {
	now := time.Date(2026, 3, 5, 23, 30, 0, 0, time.UTC) // in Berlin the 6th
	s, err := store.Open(t.TempDir(), store.Options{Now: func() time.Time { return now }})
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, s.Close()) })
	ago, later := now.Add(-time.Hour), now.Add(time.Hour)
	_, _, err = s.Upsert(t.Context(), poct.System, poct.RegistryRows{
		Sites:  []poct.Site{{ID: "saltmarsh", TimeZone: "Europe/Berlin"}, {ID: "harbour", TimeZone: "Europe/London"}},
		Meters: []poct.Meter{{Serial: "SD-1", Model: "Sedge 5", Site: "saltmarsh", State: "in-use"}, {Serial: "SD-2", Model: "Sedge 5", Site: "saltmarsh", State: "withdrawn"}},
		Operators: []poct.Operator{
			{ID: "1", Sites: []string{"saltmarsh"}, CertifiedUntil: "2026-03-06"},
			{ID: "2", Sites: []string{"*"}, CertifiedUntil: "2027-01-01"},
			{ID: "3", Sites: []string{"*"}, CertifiedUntil: "2026-03-05"},
			{ID: "4", Sites: []string{"harbour"}, CertifiedUntil: "2027-01-01"},
		},
		Patients: []poct.Patient{{Authority: "MILLRACE", ID: "P1", Family: "Lamp"}, {Authority: "MILLRACE", ID: "P2", Family: "Reed"}, {Authority: "MILLRACE", ID: "P3", MergedTo: "P1"}},
		Visits: []poct.Visit{
			{ID: "V1", Authority: "MILLRACE", Patient: "P1", Site: "saltmarsh", Start: ago},
			{ID: "V2", Authority: "MILLRACE", Patient: "P2", Site: "saltmarsh", Start: ago.Add(-time.Hour), End: ago},
			{ID: "V3", Authority: "MILLRACE", Patient: "P2", Site: "saltmarsh", Start: later},
			{ID: "V4", Authority: "MILLRACE", Patient: "P3", Site: "saltmarsh", Start: ago},
			{ID: "V5", Authority: "MILLRACE", Patient: "P2", Site: "harbour", Start: ago, End: later},
		},
	})
	require.NoError(t, err)
	set := (&meterLists{store: s, now: func() time.Time { return now }}).settings("ward", nil, zerolog.Nop())

	ids := func(site string) (operators, patients []string) {
		o, err := set.Operators(site)
		require.NoError(t, err)
		for _, x := range o {
			operators = append(operators, x.ID)
		}
		p, err := set.Patients(site)
		require.NoError(t, err)
		for _, x := range p {
			patients = append(patients, x.ID)
		}
		return operators, patients
	}
	operators, patients := ids("saltmarsh")
	require.Equal(t, []string{"1", "2"}, operators, "the third's certificate ended yesterday, there")
	require.Equal(t, []string{"P1"}, patients)
	operators, patients = ids("harbour")
	require.Equal(t, []string{"2", "3", "4"}, operators, "it is the 5th there still")
	require.Equal(t, []string{"P2"}, patients)

	site, ok := set.Site("SD-1")
	require.True(t, ok)
	require.Equal(t, "saltmarsh", site)
	_, ok = set.Site("SD-9")
	require.False(t, ok)
	require.False(t, set.Locked("SD-1"))
	require.True(t, set.Locked("SD-2"))
	require.Equal(t, "Europe/Berlin", set.Zone("SD-1").String())

	// The list is made anew once it is old enough.
	_, _, err = s.Upsert(t.Context(), poct.System, poct.RegistryRows{Operators: []poct.Operator{{ID: "5", Sites: []string{"harbour"}, CertifiedUntil: "2027-01-01"}}})
	require.NoError(t, err)
	operators, _ = ids("harbour")
	require.NotContains(t, operators, "5")
	now = now.Add(listAge)
	operators, _ = ids("harbour")
	require.Contains(t, operators, "5")
}
