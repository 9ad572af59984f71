package standin

import (
	"cmp"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"slices"
	"strconv"
	"strings"
	"time"
)

// FleetRegistry is what a fleet has to know of the clinic it plays in: the
// rows of the registry, by kind, as their CSV files have them.
type FleetRegistry struct {
	tables map[string][]map[string]string // kind -> rows by column
	zones  map[string]*time.Location      // by site
	today  string
}

// NewFleetRegistry reads registry files: path -> kind, such as meters,
// operators, strip_lots. Later files add to earlier ones.
func NewFleetRegistry(now time.Time, files []RegistryFile) (*FleetRegistry, error) {
	r := &FleetRegistry{tables: map[string][]map[string]string{}, today: now.Format(time.DateOnly)}
	for _, f := range files {
		file, err := os.Open(f.Path)
		if err != nil {
			return nil, fmt.Errorf("standin: %w", err)
		}
		err = r.add(f.Kind, file)
		if err := errors.Join(err, file.Close()); err != nil {
			return nil, fmt.Errorf("standin: %s: %w", f.Path, err)
		}
	}
	return r, r.sites()
}

// RegistryFile is one CSV file of registry rows.
type RegistryFile struct{ Kind, Path string }

func (r *FleetRegistry) add(kind string, from io.Reader) error {
	c := csv.NewReader(from)
	c.FieldsPerRecord = -1
	rows, err := c.ReadAll()
	if err != nil || len(rows) == 0 {
		return err
	}
	for _, row := range rows[1:] {
		m := map[string]string{}
		for i, v := range row {
			if i < len(rows[0]) {
				m[strings.TrimSpace(rows[0][i])] = strings.TrimSpace(v)
			}
		}
		r.tables[kind] = append(r.tables[kind], m)
	}
	return nil
}

func (r *FleetRegistry) sites() error {
	r.zones = map[string]*time.Location{}
	for _, s := range r.tables["sites"] {
		z, err := time.LoadLocation(s["time_zone"])
		if err != nil {
			return fmt.Errorf("standin: site %s: %w", s["site"], err)
		}
		r.zones[s["site"]] = z
	}
	return nil
}

// row finds the meter's lots and operator: what a person at the site would put
// into it. Empty strings where the registry has nothing that fits.
func (r *FleetRegistry) equip(m *fleetMeter) error {
	var lots []map[string]string
	for _, l := range r.tables["strip_lots"] {
		if l["model"] == m.device.model && day(l["expires"]) > r.today && !yes(l["recalled"]) {
			lots = append(lots, l)
		}
	}
	if len(lots) == 0 {
		return fmt.Errorf("no strip lot of %s is in date", m.device.model)
	}
	// The lot in use is the one that ends first; a newer one may wait for its controls.
	lot := slices.MinFunc(lots, func(a, b map[string]string) int { return cmp.Compare(day(a["expires"]), day(b["expires"])) })
	m.device.lot = lot["lot"]
	m.isi, m.mnpt = number(lot["isi"], 1), number(lot["mnpt"], 12)
	if err := r.controls(m); err != nil {
		return err
	}
	for _, o := range r.tables["operators"] {
		sites := strings.FieldsFunc(o["sites"], func(c rune) bool { return c == ' ' || c == ',' || c == ';' || c == '|' })
		at := slices.Contains(sites, m.device.site) || slices.Contains(sites, "*")
		if at && (o["certified_until"] == "" || day(o["certified_until"]) > r.today) && !yes(o["shared"]) {
			m.device.operator = o["operator"]
			return nil
		}
	}
	return fmt.Errorf("nobody at site %s may use it", m.device.site)
}

// controls picks a control lot with at least two levels, for the strip lot
// where one is made for it, and values in the middle of each range.
func (r *FleetRegistry) controls(m *fleetMeter) error {
	levels := map[string][]control{}
	var order []string
	for _, own := range []bool{true, false} {
		for _, c := range r.tables["control_lots"] {
			if own && c["strip_lot"] != m.device.lot || !own && c["strip_lot"] != "" || c["expires"] != "" && day(c["expires"]) <= r.today {
				continue
			}
			key := c["control_lot"]
			if !slices.Contains(order, key) {
				order = append(order, key)
			}
			middle := (number(c["low"], 0) + number(c["high"], 0)) / 2
			levels[key] = append(levels[key], control{c["level"], strconv.FormatFloat(middle, 'f', 1, 64)})
		}
	}
	for _, lot := range order {
		if len(levels[lot]) >= 2 {
			m.device.controls, m.levels = lot, levels[lot]
			return nil
		}
	}
	return fmt.Errorf("no control lot in date has two levels for strip lot %s", m.device.lot)
}

// control is one level and a value that passes.
type control struct{ level, inr string }

// patients are those whom the fleet tests. The first and last twenty are left
// alone: training patients and other odd ones tend to stand there.
func (r *FleetRegistry) patients() []person {
	var out []person
	for _, p := range r.tables["patients"] {
		if p["authority"] == authority || p["authority"] == "" {
			out = append(out, person{p["id"], p["family"], p["given"], day(p["birth_date"]), p["sex"]})
		}
	}
	if len(out) > 60 {
		out = out[20 : len(out)-20]
	}
	return out
}

// day is the date of a registry's time.
func day(s string) string { return s[:min(len(s), len(time.DateOnly))] }

func yes(s string) bool { return s != "" && s != "false" && s != "no" && s != "0" }

func number(s string, instead float64) float64 {
	if v, err := strconv.ParseFloat(s, 64); err == nil && v > 0 {
		return v
	}
	return instead
}

// fleetTables are the rows of a fleet's own clinic: the sites, operators and
// lots of the Millrace group, patients, and n meters, spread over the ways.
func fleetTables(seed uint64, now time.Time, n int) []table {
	day := func(n int) string { return now.AddDate(0, 0, n).Format(time.DateOnly) }
	sites := table{"sites", []string{"site", "name", "time_zone", "qc_interval"}, siteRows}
	meters := table{"meters", []string{"serial", "model", "site", "state"}, nil}
	models := []string{quill, sedge, reed, quill, sedge, rush, quill, sedge, tern, sedge}
	for i := range n {
		meters.rows = append(meters.rows, []string{fmt.Sprintf("F-%05d", i+1), models[i%len(models)], siteRows[i%len(siteRows)][0], "in-use"})
	}
	operators := table{"operators", []string{"operator", "name", "sites", "certified_until"}, nil}
	for _, o := range operatorRows {
		operators.rows = append(operators.rows, []string{o.id, o.name, o.sites, day(o.days)})
	}
	lots := table{"strip_lots", []string{"lot", "model", "expires", "isi", "mnpt", "recalled"}, nil}
	for _, s := range strips {
		lots.rows = append(lots.rows, []string{s.lot, s.model, day(s.expires), s.isi, s.mnpt, s.recalled})
	}
	controls := table{"control_lots", []string{"control_lot", "level", "strip_lot", "low", "high", "expires"}, nil}
	for _, c := range controlRows {
		controls.rows = append(controls.rows, []string{c.lot, c.level, c.strip, c.low, c.high, day(120)})
	}
	patients := table{"patients", []string{"authority", "id", "family", "given", "birth_date", "sex"}, nil}
	for _, p := range people(rand.New(rand.NewPCG(seed, 2)), fleetPeople(n)) {
		patients.rows = append(patients.rows, []string{authority, p.id, p.family, p.given, p.born, p.sex})
	}
	return []table{sites, meters, operators, lots, controls, patients}
}

// fleetPeople is how many patients n meters see: enough that few are tested
// twice at a time.
func fleetPeople(n int) int { return min(max(400, 20*n), 24000) }
