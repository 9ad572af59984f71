package web

import (
	"slices"
	"strings"
	"time"

	"tidegate/poct"
)

// versions lays the first and the newest versions side by side, changed rows
// first; the old value is struck, the new one underlined.
func versions(t poct.Trace, patient bool, now time.Time, zone *time.Location) versionsView {
	vs := t.Versions
	v := versionsView{}
	if len(vs) > 3 {
		v.Earlier = len(vs) - 3
		vs = vs[len(vs)-3:]
	}
	for _, x := range vs {
		v.Heads = append(v.Heads, itoa(x.Version)+", "+verdictWord(x))
	}
	hide := func(s string) string {
		if s != "" && !patient {
			return "hidden"
		}
		return orNone(s)
	}
	fields := []struct {
		name string
		of   func(poct.VersionRecord) string // compared
		show func(poct.VersionRecord) string // nil: as compared
	}{
		{"INR", func(x poct.VersionRecord) string { return inrOf(x.Result.Reading) }, nil},
		{"Tested", func(x poct.VersionRecord) string {
			return moment(x.Result.Reading.Tested(), now, zone, "15:04:05")
		}, nil},
		{"Patient, visit", func(x poct.VersionRecord) string {
			p, r := x.Result.Patient, x.Result.Reading
			return strings.Join(texts(r.Patient.ID, strings.Trim(p.Family+", "+p.Given, ", "), p.BirthDate, x.Result.Visit), ", ")
		}, nil},
		{"Meter, operator", func(x poct.VersionRecord) string {
			return orNone(strings.Join(texts(x.Result.Reading.Meter, x.Result.Reading.Operator), ", "))
		}, nil},
		{"Strip lot", func(x poct.VersionRecord) string { return orNone(x.Result.Reading.StripLot) }, nil},
		{"Problems", func(x poct.VersionRecord) string { return problemWords(x.Problems) }, nil},
		{"By", func(x poct.VersionRecord) string {
			if x.Actor == poct.System || x.Actor == "" {
				return "the meter"
			}
			return x.Actor
		}, nil},
		{"Reason", func(x poct.VersionRecord) string { return x.Reason }, nil},
	}
	fields[2].show = func(x poct.VersionRecord) string { return hide(fields[2].of(x)) }
	for _, f := range fields {
		row := versionRow{Field: f.name}
		any := false
		for i, x := range vs {
			value, text := f.of(x), ""
			if text = value; f.show != nil {
				text = f.show(x)
			}
			cell := versionCell{Text: text}
			if value != "" {
				any = true
			}
			if f.name == "Problems" && holding(x.Problems) {
				cell.Mark = "held"
			}
			if i > 0 && value == f.of(vs[i-1]) {
				cell = versionCell{Text: "same"}
			} else if i > 0 && f.name != "By" && f.name != "Reason" {
				row.Changed, cell.New = true, f.name != "Problems"
				row.Cells[i-1].Old = f.name != "Problems" && row.Cells[i-1].Text != "same"
			}
			row.Cells = append(row.Cells, cell)
		}
		if any {
			v.Rows = append(v.Rows, row)
		}
	}
	slices.SortStableFunc(v.Rows, func(a, b versionRow) int { return first(a.Changed, b.Changed) })
	return v
}

func texts(parts ...string) []string {
	return slices.DeleteFunc(parts, func(s string) bool { return s == "" })
}

func orNone(s string) string {
	if s == "" {
		return "none"
	}
	return s
}

func verdictWord(x poct.VersionRecord) string {
	switch x.Verdict {
	case poct.Release:
		for _, s := range x.Sent {
			if s.State == poct.DeliveryDone {
				return "delivered"
			}
		}
		return "released"
	case poct.HoldIt:
		return "held"
	case poct.File:
		return "filed"
	}
	return string(x.Verdict)
}

func holding(ps []poct.Problem) bool {
	return slices.ContainsFunc(ps, func(p poct.Problem) bool { return p.Severity == poct.Hold })
}

func problemWords(ps []poct.Problem) string {
	var names []string
	for _, p := range ps {
		if p.Because == "" {
			names = append(names, strings.ReplaceAll(p.Code, "-", " "))
		}
	}
	if len(names) == 0 {
		return "none"
	}
	return strings.Join(names, ", ")
}
