package mapping

import (
	"fmt"
	"maps"
	"slices"
	"strings"

	"tidegate/poct"
)

// resultKey is the key of the result that is added next.
func (g *drafted) resultKey() string { return fmt.Sprintf("results[%d]", len(g.cfg.Results)) }

func sortedKeys(m map[string]int) []string {
	var out []string
	for _, k := range slices.Sorted(maps.Keys(m)) {
		if k != "" {
			out = append(out, k)
		}
	}
	return out
}

// only1 is the only key, "" if there are several.
func only1(m map[string]int) string {
	if len(m) != 1 {
		return ""
	}
	for k := range m {
		return k
	}
	return ""
}

// preferred is the wished key if it is there, else the most frequent.
func preferred(m map[string]int, wish string) string {
	if m[wish] > 0 && wish != "" {
		return wish
	}
	best := ""
	for _, k := range sortedKeys(m) {
		if m[k] > m[best] || best == "" {
			best = k
		}
	}
	return best
}

// column is one place of a record and what stood there.
type column struct {
	place  string
	values []string // each different text that is not empty
	filled int      // in how many records something stood
	means  meaning
}

func (c *column) add(text string) {
	if text == "" {
		return
	}
	c.filled++
	if !slices.Contains(c.values, text) {
		c.values = append(c.values, text)
	}
}

// columns of the records of all samples, in the order in which they were seen.
type columns []*column

func (list *columns) at(place string) *column {
	for _, c := range *list {
		if c.place == place {
			return c
		}
	}
	c := &column{place: place, means: meaningOf(place)}
	*list = append(*list, c)
	return c
}

// fill assigns columns to fields: the clearest name that is filled, and a doubt
// where another one could be meant as well.
func (g *drafted) fill(list columns) {
	g.comma(list)
	f := &g.cfg.Fields
	for _, x := range f.named() {
		key := "fields." + x.name
		switch x.name {
		case "tested_at", "sent_at", "asked_at", "sampled_at":
			g.time(key, x.name, x.FieldConfig, list)
		case "birth_date", "strip_expires":
			if c := g.pick(key, x.name, list); c != nil {
				x.At = c.place
				g.layout(key, x.FieldConfig, c.values)
			}
		case "status": // final unless a profile says what its words mean
			if c := g.pick(key, x.name, list); c != nil {
				g.doubt(key, "%s may say whether a result is final or corrected; name it with values if so", c.place)
			}
		default:
			if c := g.pick(key, x.name, list); c != nil {
				x.At = c.place
			}
		}
	}
	if f.Onboard.set() {
		f.Onboard.Values = passing(list.at(f.Onboard.At).values)
		g.doubt("fields.onboard", "what is not listed as pass counts as fail; add every word for pass")
	}
	if !f.Meter.set() {
		f.Meter.At = "meter"
		g.doubt("fields.meter", "nothing like a serial number was found; the place written here does not exist")
	}
	if !f.Patient.set() {
		f.Patient.At = "patient"
		g.doubt("fields.patient", "nothing like a patient's number was found; the place written here does not exist")
	}
	f.Patient.Authority = "AUTHORITY"
	g.doubt("fields.patient", "write the authority that assigned the number, as in registry.identifier_systems")
	if !f.StripLot.set() {
		g.doubt("fields.strip_lot", "no strip lot was found")
	}
	g.controlOf(list)
	g.resultsOf(list)
}

// pick is the column for a field, nil if none is.
func (g *drafted) pick(key, field string, list columns) *column {
	var best *column
	for _, c := range list {
		if c.means.field != field || c.filled == 0 {
			continue
		}
		switch {
		case best == nil:
			best = c
		case c.means.sure > best.means.sure:
			g.doubt(key, "%s could be meant instead of %s", best.place, c.place)
			best = c
		default:
			g.doubt(key, "%s could be meant instead of %s (texts look like %s and %s)", c.place, best.place, shape(c.values[0]), shape(best.values[0]))
		}
	}
	return best
}

// time finds a time in one column, or its date and its time of day in two.
func (g *drafted) time(key, name string, f *FieldConfig, list columns) {
	var whole, dates, clocks []*column
	for _, c := range list {
		if c.means.field != name || c.filled == 0 {
			continue
		}
		fit := layoutsFor(c.values)
		switch {
		case slices.ContainsFunc(fit, func(l string) bool { return l != "" && !strings.ContainsAny(l, "Hh") }) || slices.Equal(fit, []string{""}) && len(c.values[0]) <= len("2006-01-02"):
			dates = append(dates, c)
		case len(fit) > 0:
			whole = append(whole, c)
		case strings.Count(c.values[0], ":") > 0 && len(c.values[0]) <= len("12:34:56 PM"):
			clocks = append(clocks, c)
		}
	}
	var texts []string
	switch {
	case len(whole) > 0:
		f.At, texts = whole[0].place, whole[0].values
		if len(whole) > 1 {
			g.doubt(key, "%s could be meant instead of %s", whole[1].place, whole[0].place)
		}
	case len(dates) > 0 && len(clocks) > 0:
		f.CEL = fmt.Sprintf(`at(%q) + " " + at(%q)`, dates[0].place, clocks[0].place)
		for i := range min(len(dates[0].values), len(clocks[0].values)) {
			texts = append(texts, dates[0].values[i]+" "+clocks[0].values[i])
		}
		for _, d := range dates[0].values {
			texts = append(texts, d+" "+clocks[0].values[0])
		}
		g.doubt(key, "the date stands in %s and the time of day in %s; both are put together", dates[0].place, clocks[0].place)
	case name != "tested_at":
		return
	default:
		if f.At = "time"; len(dates) > 0 {
			f.At = dates[0].place
		}
		f.Zone = "site"
		g.doubt(key, "no time of a test to the minute was found")
		return
	}
	g.layout(key, f, texts)
	if f.Zone = "site"; !offsets(texts) {
		g.doubt(key, "times come without an offset; they are read in the zone of the meter's site")
	}
}

// offsets reports whether every ISO 8601 text has an offset of its own.
func offsets(texts []string) bool {
	return !slices.ContainsFunc(texts, func(s string) bool {
		t, err := readTime(s, layout{}, formatCSV)
		return err != nil || !t.HasOffset
	})
}

// layout writes the way that dates are written, and says if it cannot be known.
func (g *drafted) layout(key string, f *FieldConfig, texts []string) {
	fit := layoutsFor(texts)
	if len(fit) == 0 {
		g.doubt(key, "the texts look like %s, which is no layout that was tried; write it as a Unicode date pattern", shape(first(texts)))
		return
	}
	f.Layout = fit[0]
	for _, other := range fit[1:] {
		if swapped := strings.NewReplacer("dd", "MM", "MM", "dd", "d", "M", "M", "d").Replace(fit[0]); other == swapped {
			g.doubt(key, "day and month cannot be told apart in these samples: %s, or %s? Add one from a day after the 12th", fit[0], other)
		}
	}
}

func first(list []string) string {
	if len(list) == 0 {
		return ""
	}
	return list[0]
}

// comma finds decimal commas.
func (g *drafted) comma(list columns) {
	for _, c := range list {
		if c.means.field != "inr" && c.means.field != "pt" {
			continue
		}
		plain := slices.ContainsFunc(c.values, isNumber)
		commas := slices.ContainsFunc(c.values, func(s string) bool { _, ok := number(s, true); return ok && strings.Contains(s, ",") })
		switch {
		case !commas:
		case plain && slices.ContainsFunc(c.values, func(s string) bool { return strings.Contains(s, ".") }):
			g.doubt("decimal", "%s holds numbers with a point and with a comma", c.place)
		case g.form.name == formatCSV:
			g.cfg.CSV.Decimal = ","
		default:
			g.cfg.Decimal = ","
		}
	}
}

// controlOf finds what marks a control: a column of kinds, else nothing.
func (g *drafted) controlOf(list columns) {
	c := &g.cfg.Control
	for _, k := range list {
		marks := slices.DeleteFunc(slices.Clone(k.values), func(v string) bool { return !isControlWord(v) })
		if k.means.field != "kind" || len(marks) == 0 || len(marks) == len(k.values) && k.filled > 1 && len(k.values) > 1 {
			continue
		}
		c.When = map[string]Values{k.place: marks}
		if lot := g.pick("control.lot", poct.FieldControlLot, list); lot != nil {
			c.Lot.At = lot.place
		}
		if level := g.pick("control.level", poct.FieldControlLevel, list); level != nil {
			c.Level.At = level.place
		}
		if c.Lot.At == "" || c.Level.At == "" {
			orPlace(&c.Lot.At, k.place)
			orPlace(&c.Level.At, k.place)
			g.doubt("control", "where the control lot and its level stand was not found")
		}
		return
	}
}

// resultsOf finds the analytes, their units and their codes of error.
func (g *drafted) resultsOf(list columns) {
	for _, analyte := range analytes {
		c := g.pick("results", analyte, list)
		key := g.resultKey()
		if c == nil {
			if analyte == "inr" {
				g.doubt("results", "nothing that is called INR was found; the place written here does not exist")
				g.cfg.Results = append(g.cfg.Results, ResultConfig{Analyte: "inr", Value: FieldConfig{At: "inr"}, Unit: FieldConfig{At: "{INR}"}, LOINC: sendAs["inr"]})
			}
			continue
		}
		g.errorCodes(c.values)
		r := ResultConfig{Analyte: analyte, Value: FieldConfig{At: c.place}, LOINC: sendAs[analyte]}
		if unit := unitBeside(c, list); unit != nil {
			r.Unit, r.Units = FieldConfig{At: unit.place}, g.units(key, analyte, append(slices.Clone(unit.values), missing(c, unit)...))
		} else {
			r.Unit = FieldConfig{At: ucum[analyte]}
			g.doubt(key, "no unit is sent; what stands in %s is taken for %s", c.place, ucum[analyte])
		}
		g.doubt(key, "%s is the LOINC code for a fingerstick", r.LOINC)
		g.cfg.Results = append(g.cfg.Results, r)
	}
}

// missing is "" where a unit was not always sent.
func missing(value, unit *column) []string {
	if unit.filled < value.filled {
		return []string{""}
	}
	return nil
}

// unitBeside is the column of units that is nearest in name to a value's.
func unitBeside(value *column, list columns) *column {
	var best *column
	most := -1
	for _, c := range list {
		if c.means.field != "unit" || c.filled == 0 {
			continue
		}
		n := 0
		for n < len(c.place) && n < len(value.place) && c.place[n] == value.place[n] {
			n++
		}
		words := words(c.place)
		if anyOf(words, value.means.field) {
			n += 100
		}
		if other := map[string]string{"inr": "pt", "pt": "inr"}[value.means.field]; anyOf(words, other) {
			continue
		}
		if n > most {
			best, most = c, n
		}
	}
	return best
}
