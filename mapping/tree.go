package mapping

import (
	"fmt"
	"slices"

	"tidegate/poct"
	"tidegate/wire/hl7"
)

// deepest is how far objects and elements may be nested.
const deepest = 64

// tree is a file of nested objects or elements.
type tree interface {
	// records are those at a place that rows made, in the order of the file.
	records(at any) []record
	// leaves are the places of the file that hold a text.
	leaves() []leaf
}

// parseTree reads a file; problem says why it cannot. fallback is of bytes that
// are neither UTF-8 nor declared.
type parseTree func(raw []byte, fallback hl7.Charset) (t tree, problem string)

// decodeTree reads each record with the first profile whose conditions hold for
// it. Profiles may look for their records in different places: the first such
// place at which any profile fits counts.
func decodeTree(parse parseTree) func(poct.Arrival, []*Profile, Zones) []Decoded {
	return func(a poct.Arrival, profiles []*Profile, zones Zones) []Decoded {
		whole := poct.Span{To: len(a.Raw)}
		if len(profiles) == 0 {
			return unread(a, "No profile of this inlet reads files of this format.", whole)
		}
		trees := map[hl7.Charset]tree{}
		why := ""
		var groups []treeRecords
		for _, p := range profiles {
			t, read := trees[p.fallback]
			if !read {
				var problem string
				if t, problem = parse(a.Raw, p.fallback); problem != "" && why == "" {
					why = problem
				}
				trees[p.fallback] = t
			}
			if t == nil {
				continue
			}
			same := slices.IndexFunc(groups, func(g treeRecords) bool { return g.rows == p.rowsText && g.tree == t })
			if same >= 0 {
				groups[same].profiles = append(groups[same].profiles, p)
			} else if list := t.records(p.rowsAt); len(list) > 0 {
				groups = append(groups, treeRecords{rows: p.rowsText, tree: t, list: list, profiles: []*Profile{p}})
			}
		}
		switch {
		case len(groups) > 0:
		case why != "":
			return unread(a, why, whole)
		default:
			return unread(a, "The file holds no record where the profile looks for them ("+orTop(profiles[0].rowsText)+").", whole)
		}
		at := max(0, slices.IndexFunc(groups, func(g treeRecords) bool {
			return slices.ContainsFunc(g.list, func(rec record) bool { return g.fits(rec) != nil })
		}))
		return groups[at].decode(a, zones)
	}
}

func orTop(rows string) string {
	if rows == "" {
		return "at its top"
	}
	return "rows: " + rows
}

// treeRecords are the records at one place of a file, and the profiles that look there.
type treeRecords struct {
	rows     string
	tree     tree
	list     []record
	profiles []*Profile
}

func (g *treeRecords) fits(rec record) *Profile {
	for _, p := range g.profiles {
		if holdIn(rec, p.match) {
			return p
		}
	}
	return nil
}

func (g *treeRecords) decode(a poct.Arrival, zones Zones) []Decoded {
	var out []Decoded
	for i, rec := range g.list {
		if p := g.fits(rec); p != nil {
			out = append(out, readRecord(a, p, zones, i, rec))
			continue
		}
		d := unread(a, fmt.Sprintf("No profile of this inlet fits record %d.", i+1), rec.extent())[0]
		d.Reading.Index = i
		out = append(out, d)
	}
	return out
}

// single is the text of one place: the only one there, or one that all agree on.
func single(list []found) found {
	if len(list) == 0 {
		return found{}
	}
	out := list[0]
	for _, other := range list[1:] {
		if other.text != out.text {
			out.fault = "stands there more than once, with different texts"
			out.disputed = true
		}
	}
	return out
}

// anySays reports whether one of the words is among the texts; nothing at all
// says "".
func anySays(list []found, words []string) bool {
	if len(list) == 0 {
		return slices.Contains(words, "")
	}
	return slices.ContainsFunc(list, func(f found) bool { return slices.Contains(words, f.text) })
}
