package mapping

import (
	"bytes"
	"slices"
	"strings"
	"unicode/utf8"

	"tidegate/poct"
	"tidegate/wire/astm"
	"tidegate/wire/hl7"
)

// Places that every LIS02 message has, whatever the profile says.
var (
	lisTime   = lisPath("H.14")
	lisMode   = lisPath("H.12")
	lisAction = lisPath("O.12")
	lisCode   = lisPath("R.3")
	lisFlags  = lisPath("R.7")
	lisStatus = lisPath("R.9")
)

// lisStatuses are the letters of R.9 that may be filed without a look, from
// memory: F final, P preliminary, C correction of a result sent before, X
// cannot be done. I (pending), S (partial) and R (sent before) are held. A
// profile's fields.status says otherwise.
var lisStatuses = map[string]poct.Status{
	"F": poct.StatusFinal, "P": poct.StatusPreliminary, "C": poct.StatusCorrected, "X": poct.StatusCancelled,
}

func lisPath(at string) astm.Path {
	p, err := astm.ParsePath(at)
	if err != nil {
		panic(err) // constants
	}
	return p
}

func lisPlace(at string) (place, bool) {
	path, err := astm.ParsePath(at)
	return place{in: path}, err == nil
}

// isLIS02 reports whether bytes begin with an H record: its letter and four
// different signs, which a table or HL7 would not have there.
func isLIS02(raw []byte) bool {
	_, err := astm.Parse(raw[:min(len(raw), 5)])
	return err == nil && raw[1] != ','
}

// escapes of a profile for LIS02.
func (c *compiler) lis02(cfg ProfileConfig, p *Profile) {
	if cfg.Escapes != "" {
		c.oneOf("escapes", cfg.Escapes, []string{"standard", "none"})
	}
	p.noEscapes = cfg.Escapes == "none"
}

// decodeLIS02 makes a reading of each order (O) with its results. A message
// that was broken off is read as none: what is missing may be what matters. A
// host query is an event.
func decodeLIS02(a poct.Arrival, profiles []*Profile, zones Zones) []Decoded {
	whole := poct.Span{To: len(a.Raw)}
	m, p, fault := lisFor(a.Raw, profiles)
	switch {
	case fault != nil:
		return unread(a, "The message cannot be read: "+fault.Error()+".", poct.Span(fault.Span))
	case len(m.Queries()) > 0 && p == nil && len(profiles) > 0:
		p = profiles[0] // a query need not hold what profiles are told apart by
	case p == nil:
		return unread(a, "No profile of this inlet fits the message.", poct.Span(m.Header().Span()))
	}
	orders, faults := m.Orders()
	switch {
	case len(orders) > 0:
	case len(m.Queries()) > 0:
		return []Decoded{{Reading: poct.Reading{
			Arrival: a.ID, Kind: poct.KindEvent, Profile: p.id, Model: p.model, ErrorText: "the meter asks for its orders (host query)",
			Where: map[string]poct.Span{poct.FieldMessage: whole},
		}}}
	default:
		return unread(a, "The message holds no result.", whole)
	}
	var problems []poct.Problem
	for _, f := range faults {
		problems = append(problems, unreadable(poct.FieldMessage, "The order of records is not the standard's: "+f.Error()+"."))
	}
	var out []Decoded
	for i, o := range orders {
		g := &lisOrder{Order: o, p: p, charset: lisCharset(a.Raw, p)}
		r := reader{p: p, zones: zones, comma: p.comma, found: slices.Clone(problems)}
		r.r = poct.Reading{Arrival: a.ID, Index: i, Where: map[string]poct.Span{}}
		out = append(out, r.lisOrder(g))
	}
	return out
}

// lisFor parses, and takes the first profile whose conditions hold.
func lisFor(raw []byte, profiles []*Profile) (*astm.Message, *Profile, *astm.Fault) {
	if bytes.IndexByte(raw, 0) >= 0 {
		return nil, nil, &astm.Fault{What: "it holds zero bytes", Span: astm.Span{To: len(raw)}}
	}
	m, err := lisParse(raw, false)
	if err != nil {
		return nil, nil, err
	}
	if fault := m.Incomplete(); fault != nil {
		return nil, nil, fault
	}
	for _, p := range profiles {
		if p.noEscapes {
			m, _ = lisParse(raw, true) // what can be read with escapes can without
		} else {
			m, _ = lisParse(raw, false)
		}
		g := &lisOrder{Order: &astm.Order{Header: astm.Group{Record: m.Header()}}, p: p, charset: lisCharset(raw, p)}
		if orders, _ := m.Orders(); len(orders) > 0 {
			g.Order = orders[0]
		}
		if g.allHold(p.match) {
			return m, p, nil
		}
	}
	return m, nil, nil
}

func lisParse(raw []byte, noEscapes bool) (*astm.Message, *astm.Fault) {
	m, err := astm.Options{NoEscapes: noEscapes}.Parse(raw)
	if err == nil {
		return m, nil
	}
	if f, ok := err.(*astm.Fault); ok { //nolint:errorlint // Parse returns it unwrapped
		return nil, f
	}
	return nil, &astm.Fault{What: "it is no LIS02 message"}
}

// lisCharset is what texts are decoded with: no message says so itself.
func lisCharset(raw []byte, p *Profile) hl7.Charset {
	switch {
	case utf8.Valid(raw):
		return hl7.UTF8
	case p.fallback == hl7.NoCharset:
		return hl7.ASCII // other bytes are marked, and hold what they stand in
	}
	return p.fallback
}

// lisOrder is one order as a profile reads it.
type lisOrder struct {
	*astm.Order
	p       *Profile
	charset hl7.Charset

	results []astm.Record // those that the profile knows
	as      []*result     // what each of them is
	strange []string      // codes of R that the profile names nowhere
}

// told reads a value as text.
func (g *lisOrder) told(v astm.Value) found {
	b, exact := v.Bytes()
	text, legible := hl7.Unescape(b, hl7.Delimiters{}, g.charset)
	text = strings.ReplaceAll(text, "\x00", `\`) // as in tables: what is none of the character set, as hex
	return found{text: strings.TrimSpace(text), at: poct.Span(v.Span()), garbled: !exact || !legible}
}

// at reads a place: in the record at hand if it is of that letter, else in the
// order.
func (g *lisOrder) at(path astm.Path, r astm.Record) found {
	if r.Exists() && r.Kind() == path.Record && path.Occurrence == 0 {
		return g.told(path.Of(r))
	}
	return g.told(path.In(g.Order))
}

// holds reports whether every condition holds for a record.
func (g *lisOrder) holds(list []condition, r astm.Record) bool {
	return !slices.ContainsFunc(list, func(c condition) bool {
		return !slices.Contains(c.in, g.at(c.at.in.(astm.Path), r).text)
	})
}

// allHold reports whether each condition holds somewhere in the order.
func (g *lisOrder) allHold(list []condition) bool {
	return !slices.ContainsFunc(list, func(c condition) bool {
		return !slices.ContainsFunc(g.among(c.at.in.(astm.Path)), func(r astm.Record) bool {
			return slices.Contains(c.in, g.at(c.at.in.(astm.Path), r).text)
		})
	})
}

// among lists the records that a place can be in. Where there is none, the
// place is empty in one that does not exist.
func (g *lisOrder) among(path astm.Path) []astm.Record {
	list := g.Records(path.Record)
	if n := path.Occurrence; n > 0 {
		list = list[min(n-1, len(list)):min(n, len(list))]
	}
	if len(list) == 0 {
		list = []astm.Record{{}}
	}
	return list
}

// pick tells the order's results from what fields refer to and from what the
// profile does not know.
func (g *lisOrder) pick() {
	for _, r := range g.Records('R') {
		at := slices.IndexFunc(g.p.results, func(x result) bool { return g.holds(x.where, r) })
		switch {
		case at >= 0:
			g.results, g.as = append(g.results, r), append(g.as, &g.p.results[at])
		case !g.refers(r):
			g.strange = append(g.strange, g.at(lisCode, r).text)
		}
	}
}

// refers reports whether a field of the profile is looked for in this R.
func (g *lisOrder) refers(r astm.Record) bool {
	return slices.ContainsFunc(g.p.fields.all(&g.p.control), func(f *field) bool {
		path, ok := f.in.(astm.Path)
		return ok && path.Record == 'R' && len(f.where) > 0 && g.holds(f.where, r)
	})
}

// visit goes through the places of a field that say something, until then says
// that it is enough. An R field without conditions stands in the results.
func (g *lisOrder) visit(f *field, then func(found) bool) {
	path := f.in.(astm.Path)
	among := g.among(path)
	if path.Record == 'R' && path.Occurrence == 0 && len(f.where) == 0 && len(g.results) > 0 {
		among = g.results
	}
	notes := path.Record == 'C' && path.Occurrence == 0
	for _, r := range among {
		if !g.holds(f.where, r) {
			continue
		}
		t := g.told(path.Of(r))
		if t.text == "" || notes && f.pattern != nil && !f.pattern.MatchString(t.text) {
			continue
		}
		if !then(t) {
			return
		}
	}
}

// field takes a field from the first place that has it, and notes whether
// another of the results says something else.
func (g *lisOrder) field(f *field) found {
	var first found
	ofResults := f.in.(astm.Path).Record == 'R' && len(f.where) == 0
	g.visit(f, func(t found) bool {
		if first.text == "" {
			first = t
		}
		first.disputed = first.disputed || t.text != first.text
		return ofResults
	})
	return first
}

// every finds a field in each place that has it.
func (g *lisOrder) every(f *field) []found {
	var out []found
	g.visit(f, func(t found) bool { out = append(out, t); return true })
	return out
}
