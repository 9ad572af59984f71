package standin

import (
	"encoding/csv"
	"fmt"
	"io"
	"math/rand/v2"
	"slices"
	"time"
)

// The Millrace group: three sites, five meter models, their lots and people.
// All of it is invented.
const (
	authority      = "MILLRACE"
	otherAuthority = "HARBOUR"
	systemOf       = "https://millrace.example/mrn"
	otherSystem    = "https://harbour.example/mrn"
	zone           = "Europe/London"
)

// site rows: id, name, zone, interval between controls.
var siteRows = [][]string{
	{"millrace", "Millrace Surgery", zone, "12h"},
	{"saltmarsh", "Saltmarsh Clinic", zone, "4h"},
	{"harbour", "Harbour Street", zone, "12h"},
}

// The models.
const (
	quill = "Quill 3" // HL7 v2
	reed  = "Reed 2"  // CSV files
	rush  = "Rush 4"  // JSON files; tells of the run itself
	sedge = "Sedge 5" // HL7 v2, LIS02 records or POCT1-A, by its programme
	tern  = "Tern 1"  // XML files
)

// device is one meter with what it runs on.
type device struct {
	serial, model, site, lot, controls string
	way                                Way
	operator                           string
	clock                              time.Duration // how far its clock is off
}

// everyday are the meters that work all day long.
var everyday = []device{
	{"Q3-0118", quill, "millrace", "Q2411", "CQ-10", MLLP, "118", 0},
	{"Q3-0119", quill, "millrace", "Q2411", "CQ-10", HTTP, "121", 0},
	{"Q3-0120", quill, "saltmarsh", "Q2411", "CQ-10", Queue, "124", 0},
	{"Q3-0121", quill, "harbour", "Q2411", "CQ-10", MLLP, "126", -9 * time.Minute},
	{"R2-2041", reed, "harbour", "R771", "CR-20", Folder, "127", 0},
	{"R2-2042", reed, "saltmarsh", "R771", "CR-20", Folder, "124", 0},
	{"S5-701", sedge, "saltmarsh", "S9K2", "CS-30", MLLP, "129", 0},
	{"S5-702", sedge, "millrace", "S9K2", "CS-30", MLLP, "118", 0},
	{"S5-703", sedge, "harbour", "S9K2", "CS-30", MLLP, "126", 0}, // old programme: says plasma
}

// Meters that have a story of their own.
const (
	chartMeter  = "Q3-0122" // whose control chart is long
	trialMeter  = "Q3-0123" // on which the new strips are tried
	lateMeter   = "Q3-0124" // whose failed control comes late
	recallMeter = "S5-704"  // whose strips are recalled during the day
	silentMeter = "Q3-0199" // of which nobody has heard
	lisMeter    = "S5-711"
	poctMeter   = "S5-721"
	jsonMeter   = "W4-3001"
	xmlMeter    = "T1-5001"
)

var special = []device{
	{chartMeter, quill, "millrace", "Q2411", "CQ-11", MLLP, "118", 0},
	{trialMeter, quill, "millrace", "Q2502", "CQ-10", HTTP, "121", 0},
	{lateMeter, quill, "harbour", "Q2411", "CQ-10", MLLP, "126", 0},
	{recallMeter, sedge, "millrace", "S9K3", "CS-30", MLLP, "121", 0},
	{lisMeter, sedge, "saltmarsh", "S9K2", "CS-30", LIS, "129", 0},
	{poctMeter, sedge, "harbour", "S9K2", "CS-30", POCT1A, "126", 0},
	{jsonMeter, rush, "saltmarsh", "W40", "CW-40", Folder, "124", 0},
	{xmlMeter, tern, "harbour", "T15", "CT-50", Folder, "127", 0},
}

var devices = slices.Concat(everyday, special)

func deviceOf(serial string) device {
	for _, d := range devices {
		if d.serial == serial {
			return d
		}
	}
	panic("standin: no meter " + serial)
}

// lot constants of the strips: PT = mnpt * INR^(1/isi).
type strip struct {
	lot, model string
	expires    int // days from the start
	isi, mnpt  string
	recalled   string
}

var strips = []strip{
	{"Q2411", quill, 200, "1.00", "12.0", ""},
	{"Q2502", quill, 300, "1.00", "12.0", ""}, // came this morning
	{"Q2503", quill, 310, "1.00", "12.0", ""}, // came this morning, warm
	{"Q2309", quill, -20, "1.00", "12.0", ""},
	{"Q2410", quill, 150, "1.00", "12.0", "true"},
	{"R771", reed, 180, "", "", ""},
	{"R802", reed, 320, "", "", ""}, // came two days ago
	{"S9K2", sedge, 240, "1.10", "12.4", ""},
	{"S9K3", sedge, 260, "1.10", "12.4", ""}, // recalled during the day
	{"W40", rush, 190, "1.00", "12.0", ""},
	{"T15", tern, 210, "", "", ""},
}

// controlRow is the range of a control; mean and sd where the sheet states
// them, or how many SDs the range spans.
type controlRow struct{ lot, level, strip, low, high, mean, sd, spans string }

var controlRows = []controlRow{
	{"CQ-10", "1", "", "0.9", "1.3", "", "", ""}, {"CQ-10", "2", "", "2.6", "3.6", "", "", ""},
	{"CQ-11", "1", "", "0.8", "1.4", "1.10", "0.08", ""}, {"CQ-11", "2", "", "2.3", "3.7", "3.00", "0.20", ""},
	{"CR-20", "1", "R771", "1.0", "1.4", "", "", ""}, {"CR-20", "2", "R771", "3.0", "4.2", "", "", ""},
	{"CR-20", "1", "R802", "1.0", "1.4", "", "", ""}, {"CR-20", "2", "R802", "3.0", "4.2", "", "", ""},
	{"CS-30", "1", "", "0.8", "1.2", "", "", ""}, {"CS-30", "2", "", "2.4", "3.2", "", "", ""},
	{"CW-40", "1", "", "0.9", "1.3", "", "", "2"}, {"CW-40", "2", "", "2.6", "3.6", "", "", "2"},
	{"CT-50", "1", "", "0.9", "1.3", "", "", ""}, {"CT-50", "2", "", "2.6", "3.6", "", "", ""},
}

type operatorRow struct {
	id, name, sites string
	days            int // until the certificate ends
	shared          string
}

// Operators: one lapsed, one a number at a desk that several people use, one
// in training.
var operatorRows = []operatorRow{
	{"118", "R. Ito", "millrace", 300, ""},
	{"121", "M. Adeyemi", "millrace", 120, ""},
	{"124", "L. Novak", "saltmarsh", 220, ""},
	{"126", "P. Quaye", "harbour", 90, ""},
	{"127", "H. Lindqvist", "harbour", 400, ""},
	{"129", "S. Marsh", "saltmarsh", 45, ""},
	{"131", "T. Bell", "*", -30, ""},
	{inTraining, "J. Pell", "millrace", 60, ""},
	{frontDesk, "Front desk", "millrace", 365, "true"},
}

const (
	inTraining = "135"
	frontDesk  = "140"
)

// person is a patient of the day.
type person struct {
	id, family, given, born, sex string
}

var (
	families = []string{"Ashdown", "Brindle", "Corrin", "Dunmore", "Ellery", "Fenwick", "Garrow", "Hesketh", "Inskip", "Jessop", "Kettle", "Lorimer", "Maddox", "Norbury", "Orrell", "Pascoe", "Quarry", "Rowntree", "Sallow", "Thorne", "Underhill", "Varley", "Wickham", "Yarrow"}
	givens   = []string{"Ada", "Bram", "Cora", "Dario", "Edith", "Felix", "Greta", "Hugo", "Ines", "Jonas", "Kaya", "Leon", "Mina", "Noor", "Otto", "Pia", "Quinn", "Rosa", "Sami", "Thea"}
)

// people makes n patients whose identifiers carry a check digit (Luhn,
// ISO/IEC 7812-1 annex B).
func people(rnd *rand.Rand, n int) []person {
	out := make([]person, n)
	for i := range out {
		sex := "F"
		if rnd.IntN(2) == 0 {
			sex = "M"
		}
		born := time.Date(1930+rnd.IntN(55), time.Month(1+rnd.IntN(12)), 1+rnd.IntN(28), 0, 0, 0, 0, time.UTC)
		out[i] = person{withCheckDigit(fmt.Sprintf("%06d", 100000+i*37)), families[rnd.IntN(len(families))], givens[rnd.IntN(len(givens))], born.Format(time.DateOnly), sex}
	}
	return out
}

func withCheckDigit(digits string) string {
	sum := 0
	for i := 0; i < len(digits); i++ {
		d := int(digits[len(digits)-1-i] - '0')
		if i%2 == 0 {
			if d *= 2; d > 9 {
				d -= 9
			}
		}
		sum += d
	}
	return digits + string(rune('0'+(10-sum%10)%10))
}

// table is one registry file.
type table struct {
	name   string
	header []string
	rows   [][]string
}

func (t table) write(w io.Writer) error {
	c := csv.NewWriter(w)
	return c.WriteAll(append([][]string{t.header}, t.rows...))
}

// registry is every row that the day relies on.
func (d *Day) registry() []table {
	day := func(n int) string { return d.Start.AddDate(0, 0, n).Format(time.DateOnly) }
	at := func(hours float64) string { return d.ago(hours).Format(time.RFC3339) }
	meters := table{"meters", []string{"serial", "model", "site", "state"}, nil}
	for _, m := range devices {
		meters.rows = append(meters.rows, []string{m.serial, m.model, m.site, "in-use"})
	}
	meters.rows = append(meters.rows, []string{silentMeter, quill, "harbour", "in-use"}, []string{"Q3-0099", quill, "millrace", "withdrawn"})
	operators := table{"operators", []string{"operator", "name", "sites", "certified_until", "shared"}, nil}
	for _, o := range operatorRows {
		operators.rows = append(operators.rows, []string{o.id, o.name, o.sites, day(o.days), o.shared})
	}
	lots := d.stripLots("")
	controls := table{"control_lots", []string{"control_lot", "level", "strip_lot", "low", "high", "expires", "mean", "sd", "range_sds"}, nil}
	for _, c := range controlRows {
		controls.rows = append(controls.rows, []string{c.lot, c.level, c.strip, c.low, c.high, day(120), c.mean, c.sd, c.spans})
	}
	patients := table{"patients", []string{"authority", "id", "family", "given", "birth_date", "sex"}, nil}
	for _, p := range d.people {
		patients.rows = append(patients.rows, []string{authority, p.id, p.family, p.given, p.born, p.sex})
	}
	patients.rows = append(patients.rows, []string{otherAuthority, d.twice.id, "Zeller", "Uma", "1961-05-04", "F"})
	shipments := table{"shipments", []string{"shipment", "strip_lot", "site", "arrived", "use_by"}, [][]string{
		{"SH-0417", "R771", "saltmarsh", day(-60), ""},
		{"SH-0512", "R802", "saltmarsh", day(-2), ""},
		{"SH-0520", "Q2502", "millrace", at(arrivedAgo), day(90)},
		{"SH-0521", "Q2503", "saltmarsh", at(arrivedAgo), ""},
	}}
	// The older lot has its record; the newer one still waits for it.
	acceptances := table{"acceptances", []string{"strip_lot", "site", "shipment", "decision", "isi", "mnpt", "read_back_by", "by", "at", "reason"}, [][]string{
		{"R771", "saltmarsh", "SH-0417", "accepted", "", "", "r.ito", "c.hale", at(59 * 24), "Both levels in range on both meters"},
	}}
	findings := table{"findings", []string{"authority", "patient", "finding", "value", "unit", "at", "until"}, [][]string{
		{authority, d.onHeparin.id, "heparin", "", "", at(20), ""},
		{authority, d.anaemic.id, "haematocrit", "22", "%", at(30), ""},
	}}
	return []table{
		{"sites", []string{"site", "name", "time_zone", "qc_interval"}, siteRows},
		meters, operators, lots, controls, patients, shipments, acceptances, findings,
	}
}

// arrivedAgo is how many hours before the end of the day the new strips came.
const arrivedAgo = 4

// stripLots are the strips of the group; only, if not "", the one of that
// number, recalled.
func (d *Day) stripLots(only string) table {
	t := table{"strip_lots", []string{"lot", "model", "expires", "isi", "mnpt", "recalled"}, nil}
	for _, s := range strips {
		if only != "" && s.lot != only {
			continue
		}
		if only != "" {
			s.recalled = "true"
		}
		t.rows = append(t.rows, []string{s.lot, s.model, d.Start.AddDate(0, 0, s.expires).Format(time.DateOnly), s.isi, s.mnpt, s.recalled})
	}
	return t
}

// Patients are the day's patients as the record system knows them. Three
// differ from the registry: one is unknown there, one has another birth date,
// one was merged into another.
func (d *Day) Patients() []Patient {
	gender := map[string]string{"F": "female", "M": "male"}
	var out []Patient
	for i, p := range d.people {
		if p == d.notThere {
			continue
		}
		q := Patient{ID: fmt.Sprintf("p-%d", i+1), System: systemOf, Value: p.id, Family: p.family, Given: p.given, BirthDate: p.born, Gender: gender[p.sex]}
		if p == d.otherBirth {
			q.BirthDate = "1901-01-01"
		}
		if p == d.merged {
			survivor := q
			survivor.ID, survivor.Value = "p-merged", p.id+"-2"
			out = append(out, survivor)
			q.ReplacedBy = survivor.ID
		}
		out = append(out, q)
	}
	return out
}
