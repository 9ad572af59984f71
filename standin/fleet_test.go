package standin

import (
	"bytes"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// someInlets read everything that a fleet writes.
func someInlets() []FleetInlet {
	var out []FleetInlet
	for _, w := range []Way{MLLP, LIS, POCT1A, HTTP, Folder, Queue} {
		out = append(out, FleetInlet{ID: string(w), Way: w, Reads: FleetDialects()})
	}
	return out
}

func ownRegistry(t *testing.T, meters int) *FleetRegistry {
	t.Helper()
	dir := t.TempDir()
	var files []RegistryFile
	for _, table := range fleetTables(1, aDay, meters) {
		var b bytes.Buffer
		require.NoError(t, table.write(&b))
		files = append(files, RegistryFile{table.name, filepath.Join(dir, table.name)})
		require.NoError(t, os.WriteFile(files[len(files)-1].Path, b.Bytes(), 0o600))
	}
	r, err := NewFleetRegistry(aDay, files)
	require.NoError(t, err)
	return r
}

func planned(t *testing.T, seed uint64, n int) (out []string) {
	t.Helper()
	f, notes, err := NewFleet(ownRegistry(t, 40), someInlets(), FleetOptions{Seed: seed, Results: n, Flaws: Flaws(), Now: func() time.Time { return aDay }})
	require.NoError(t, err)
	require.Empty(t, notes)
	require.Len(t, f.Ways(), 6, "every way has meters")
	f.plan(t.Context(), func(m *fleetMeter, e errand) bool {
		if e.kind != patientTest && e.kind != deviceError {
			out = append(out, m.device.serial+string(e.flaw))
			return true
		}
		out = append(out, m.device.serial+string(e.flaw)+string(m.write(m.test(e, aDay), aDay)))
		return true
	})
	return out
}

func TestFleetIsFixedBySeed(t *testing.T) {
	require.Equal(t, planned(t, 7, 300), planned(t, 7, 300))
	require.NotEqual(t, planned(t, 7, 300), planned(t, 8, 300))
	require.Equal(t, planned(t, 7, 300)[:100], planned(t, 7, 100), "a longer run begins like a shorter one")
}

// Every fault happens, on each way on which it can.
func TestFleetHasEachFlaw(t *testing.T) {
	f, _, err := NewFleet(ownRegistry(t, 40), someInlets(), FleetOptions{Seed: 7, Results: 4000, Flaws: Flaws()})
	require.NoError(t, err)
	seen := map[Flaw]map[Way]int{}
	tested := map[string]bool{} // by meter and patient: nobody twice before all others
	f.plan(t.Context(), func(m *fleetMeter, e errand) bool {
		if seen[e.flaw] == nil {
			seen[e.flaw] = map[Way]int{}
		}
		seen[e.flaw][m.inlet.Way]++
		require.False(t, tested[m.device.serial+e.who.id])
		tested[m.device.serial+e.who.id] = true
		require.NotEqual(t, e.who.id, e.other.id)
		return true
	})
	for _, flaw := range Flaws() {
		for _, w := range []Way{MLLP, LIS, POCT1A, HTTP, Folder, Queue} {
			require.Equal(t, flaw.on(w), seen[flaw][w] > 0, "%s on %s", flaw, w)
		}
	}
	require.Greater(t, seen[""][LIS], 100, "most are as they should be")
}

func TestFleetOfAnotherRegistry(t *testing.T) {
	dir := t.TempDir()
	write := func(kind, text string) RegistryFile {
		path := filepath.Join(dir, kind+".csv")
		require.NoError(t, os.WriteFile(path, []byte(text), 0o600))
		return RegistryFile{kind, path}
	}
	patients := "authority,id,family,given,birth_date,sex\nMILLRACE,1000008,A,B,1950-01-01,F\nMILLRACE,1000016,C,D,1951-01-01,M\nHARBOUR,7,E,F,1951-01-01,M\n"
	reg, err := NewFleetRegistry(aDay, []RegistryFile{
		write("sites", "site,name,time_zone,qc_interval\nharbour,H,Europe/London,12h\nelsewhere,E,Europe/London,12h\n"),
		write("meters", "serial,model,site,state\nA,Quill 3,harbour,in-use\nB,Quill 3,harbour,withdrawn\nC,Heron 9,harbour,in-use\nD,Reed 2,harbour,in-use\nE,Quill 3,elsewhere,in-use\nF,Quill 3,nowhere,in-use\n"),
		write("strip_lots", "lot,model,expires,isi,mnpt,recalled\nQ1,Quill 3,2026-05-01,1.0,12,\nQ2,Quill 3,2026-12-01,1.0,12,true\nQ3,Quill 3,2027-02-01,1.2,11,\nQ4,Quill 3,2027-01-01,1.1,13,\n"),
		write("control_lots", "control_lot,level,strip_lot,low,high,expires\nK1,1,,0.9,1.3,2027-01-01\nK2,1,Q4,1.0,1.2,2027-01-01\nK2,2,Q4,2.0,3.0,2027-01-01\n"),
		write("operators", "operator,name,sites,certified_until,shared\n1,L,*,2020-01-01,\n2,S,harbour,2030-01-01,true\n3,N,harbour saltmarsh,2030-01-01,\n"),
		write("patients", patients),
	})
	require.NoError(t, err)
	f, notes, err := NewFleet(reg, someInlets(), FleetOptions{Seed: 1})
	require.NoError(t, err)
	require.Equal(t, []string{
		"1 of the meters left out: no inlet reads what a Heron 9 of the fleet writes",
		"1 of the meters left out: no strip lot of Reed 2 is in date",
		"1 of the meters left out: nobody at site elsewhere may use it",
		"1 of the meters left out: site nowhere is not in the registry",
	}, notes)
	require.Equal(t, 1, f.Meters())
	m := f.meters[0]
	require.Equal(t, "A", m.device.serial)
	require.Equal(t, "Q4", m.device.lot, "the one in use ends first; expired and recalled ones are left")
	require.Equal(t, "K2", m.device.controls)
	require.Equal(t, []control{{"1", "1.1"}, {"2", "2.5"}}, m.levels, "in the middle of each range")
	require.Equal(t, "3", m.device.operator)
	require.Len(t, f.people, 2)
	// PT = MNPT * INR^(1/ISI), the definition of the INR turned round (WHO TRS 889).
	require.Equal(t, "29.9", m.test(errand{inr: "2.5"}, aDay).pt)
	_, _, err = NewFleet(reg, someInlets()[1:2], FleetOptions{})
	require.ErrorContains(t, err, "no meter can send")
}

func TestParseFlaws(t *testing.T) {
	all, err := ParseFlaws("all")
	require.NoError(t, err)
	require.Len(t, all, len(Flaws()))
	some, err := ParseFlaws("slow, lot,slow")
	require.NoError(t, err)
	require.Equal(t, []Flaw{Lot, Slow}, some)
	_, err = ParseFlaws("fire")
	require.ErrorContains(t, err, "resend, lost-ack")
}

func TestFleetAccountAddsUp(t *testing.T) {
	want := FleetWant{Arrivals: 10, ArrivalsMost: 11, Resends: 2, ResendsMost: 4, Ends: map[string]int{delivered: 8, held: 2}}
	good := func() Became { return Became{Arrivals: 10, Resends: 3, Ends: map[string]int{delivered: 8, held: 2}} }
	for _, tt := range []struct {
		name      string
		change    func(*Became)
		wrong     []string
		otherwise []string
	}{
		{"as it should be", func(*Became) {}, nil, nil},
		{"what was given up was taken", func(b *Became) { b.Arrivals++; b.Ends[delivered]++ }, nil, nil},
		{"lost", func(b *Became) { b.Arrivals--; b.Ends[delivered]-- },
			[]string{"1 messages were answered and are not there: 9 arrivals, 10 expected"}, []string{"7 delivered, 8 to 9 expected"}},
		{"doubled", func(b *Became) { b.Arrivals += 2; b.Ends[delivered] += 2 },
			[]string{"1 arrivals more than messages were sent: 12 arrivals, at most 11 expected"}, []string{"10 delivered, 8 to 9 expected"}},
		{"held instead", func(b *Became) { b.Ends[delivered] -= 2; b.Ends[held] += 2 }, nil, []string{"6 delivered, 8 to 9 expected", "4 held, 2 to 3 expected"}},
		{"a resend that was taken as new", func(b *Became) { b.Resends = 1 }, []string{"1 resends were counted, 2 to 4 expected"}, nil},
		{"in no state", func(b *Became) { b.Lost = 1 }, []string{"1 arrivals are in no state at all"}, nil},
		{"still under way", func(b *Became) { b.Unfinished = 1; b.Ends[delivered]-- },
			[]string{"1 arrivals have not come to an end yet; is the record system there?"}, nil},
		{"a sum that does not come to it", func(b *Became) { b.Ends["ignored"] = 1 },
			[]string{"the ends add up to 11, not to 10 arrivals"}, nil},
	} {
		t.Run(tt.name, func(t *testing.T) {
			b := good()
			tt.change(&b)
			wrong, otherwise := want.Compare(b)
			require.Equal(t, tt.wrong, wrong)
			require.Equal(t, tt.otherwise, otherwise)
		})
	}
}
