package mapping

import (
	"slices"
	"strings"

	"tidegate/poct"
	"tidegate/wire/hl7"
)

// contentsOfHL7 lists the fields that a profile reads nowhere. Set ids and what
// every message has for its own transport are left out.
func contentsOfHL7(raw []byte, p *Profile) []leaf {
	m, err := parse(raw, p.fallback)
	if err != nil {
		return nil
	}
	read := map[string]bool{}
	for _, at := range []string{
		"MSH-3", "MSH-4", "MSH-5", "MSH-6", "MSH-7", "MSH-9", "MSH-10", "MSH-11", "MSH-12", "MSH-15", "MSH-16", "MSH-18", "MSH-21",
		"OBX-2", "OBX-3", "OBX-6", "OBX-8", "OBX-11", "SPM-11", "PID-1", "PV1-1", "OBR-1", "OBX-1", "NTE-1", "SPM-1",
	} {
		read[at] = true
	}
	key := func(at hl7.Path) string { return hl7.Path{Segment: at.Segment, Field: at.Field}.String() }
	for _, at := range p.placesOfAll() {
		read[key(at.path)] = true
	}
	var out []leaf
	seen := map[string]int{}
	for i := range m.Len() {
		s := m.Segment(i)
		seen[s.ID()]++
		for n := 1; n <= s.Len(); n++ {
			v := s.Field(n)
			at := hl7.Path{Segment: s.ID(), Field: n}
			if v.Empty() || s.ID() == "MSH" && n < 3 || read[at.String()] {
				continue
			}
			alike := at.String()
			if seen[s.ID()] > 1 {
				at.Occurrence = seen[s.ID()]
				alike = at.String() // segments of one kind say different things
			}
			out = append(out, leaf{found: found{text: v.Text(), at: span(v.Span())}, place: at.String(), alike: alike})
		}
	}
	return out
}

// placesOfAll are the places that are read wherever their segment stands; what
// has conditions, and notes, are read in some alone.
func (p *Profile) placesOfAll() []place {
	var out []place
	for _, f := range p.fields.all(&p.control) {
		if f.on && len(f.where) == 0 && f.path.Segment != "NTE" {
			out = append(out, f.place)
			if f.formula != nil {
				out = append(out, f.formula.places...)
			}
		}
	}
	conditions := slices.Concat(p.match, p.control.when, p.compared)
	for _, x := range p.results {
		conditions = append(conditions, x.where...)
	}
	for _, f := range p.fields.all(&p.control) {
		conditions = append(conditions, f.where...)
	}
	for _, c := range conditions {
		out = append(out, c.at)
	}
	return out
}

// contentsOfCSV lists the columns that a profile does not read.
func contentsOfCSV(raw []byte, p *Profile) []leaf {
	rows, columns, problem := p.rows(raw)
	if problem != "" {
		return nil
	}
	var out []leaf
	for _, cells := range rows {
		for name, i := range columns {
			if i < len(cells) && !slices.Contains(p.csv.known, name) {
				out = append(out, leaf{found: cells[i], place: name})
			}
		}
	}
	slices.SortStableFunc(out, func(a, b leaf) int { return a.at.From - b.at.From })
	return out
}

// contentsOfTree lists what stands at no place of the profile.
func contentsOfTree(parse parseTree) func([]byte, *Profile) []leaf {
	return func(raw []byte, p *Profile) []leaf {
		t, problem := parse(raw, p.fallback)
		if problem != "" {
			return nil
		}
		read, choosing := map[poct.Span]bool{}, map[string]bool{}
		for _, at := range p.places() {
			if path, ok := at.in.(xpath); ok {
				for _, s := range path.steps {
					choosing["/@"+s.attribute], choosing["/"+s.child] = true, true
				}
			}
		}
		for _, rec := range t.records(p.rowsAt) {
			for _, at := range p.places() {
				for _, got := range rec.every(at) {
					if got.fault == "" {
						read[got.at] = true
					}
				}
			}
		}
		return slices.DeleteFunc(t.leaves(), func(l leaf) bool {
			return read[l.at] || choosing[l.alike[max(0, strings.LastIndexByte(l.alike, '/')):]]
		})
	}
}
