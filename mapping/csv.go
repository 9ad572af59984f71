package mapping

import (
	"bytes"
	"fmt"
	"slices"
	"strings"
	"unicode/utf8"

	"tidegate/poct"
	"tidegate/wire/hl7"
)

// csvForm is how the files of a profile are written.
type csvForm struct {
	delimiter byte
	comma     bool
	fallback  hl7.Charset
	header    []string
	ignore    []string
	ignoreAll bool
	known     []string // columns that the profile reads
}

func (c *compiler) csv(cfg ProfileConfig, p *Profile) {
	f := csvForm{delimiter: ',', header: cfg.CSV.Header, ignore: cfg.CSV.Ignore, ignoreAll: slices.Contains(cfg.CSV.Ignore, "*")}
	switch d := cfg.CSV.Delimiter; {
	case d == "":
	case len(d) == 1 && d != `"` && d != "\r" && d != "\n":
		f.delimiter = d[0]
	default:
		c.fault("csv.delimiter", "is not one character", `write it in quotes, such as ";"`)
	}
	switch cfg.CSV.Decimal {
	case "", ".":
	case ",":
		f.comma = true
		if f.delimiter == ',' {
			c.fault("csv.decimal", "is the same as the delimiter", `write the delimiter that the files have, such as ";"`)
		}
	default:
		c.fault("csv.decimal", fmt.Sprintf("%q is not known", cfg.CSV.Decimal), `write "." or ","`)
	}
	f.fallback = c.charset("csv.encoding", cfg.CSV.Encoding)
	p.csv = f
	p.comma = f.comma
	for _, at := range p.places() {
		p.csv.known = append(p.csv.known, at.text)
	}
}

// cell is one field of a row, blanks around it dropped; its bytes include quotes.
type cell = found

// table is a file as one profile divides it.
type table struct {
	p       *Profile
	rows    [][]cell
	columns map[string]int
}

// decodeCSV reads each record with the first profile that can read the file
// and whose conditions hold for the record: models may share an export.
func decodeCSV(a poct.Arrival, profiles []*Profile, zones Zones) []Decoded {
	whole := poct.Span{To: len(a.Raw)}
	if len(profiles) == 0 {
		return unread(a, "No profile of this inlet reads CSV files.", whole)
	}
	var tables []table
	why := ""
	for _, p := range profiles {
		rows, columns, problem := p.rows(a.Raw)
		switch {
		case problem == "" && (len(tables) == 0 || len(rows) == len(tables[0].rows)):
			tables = append(tables, table{p, rows, columns})
		case why == "":
			why = problem
		}
	}
	if len(tables) == 0 {
		return unread(a, why, whole)
	}
	if len(tables[0].rows) == 0 {
		return unread(a, "The file has no record below its header.", whole)
	}
	var out []Decoded
	for i := range tables[0].rows {
		if rec, ok := fitting(tables, i); ok {
			out = append(out, readRecord(a, rec.t.p, zones, i, rec))
			continue
		}
		cells, columns := tables[0].rows[i], tables[0].columns
		text := fmt.Sprintf("No profile of this inlet fits record %d.", i+1)
		if len(cells) != len(columns) {
			text = fmt.Sprintf("Record %d has %d fields, the header has %d.", i+1, len(cells), len(columns))
		}
		d := unread(a, text, extent(cells))[0]
		d.Reading.Index = i
		out = append(out, d)
	}
	return out
}

// fitting is a record as the first profile sees it whose conditions hold.
func fitting(tables []table, i int) (*row, bool) {
	for k := range tables {
		t := &tables[k]
		if rec := (&row{t, i}); len(t.rows[i]) == len(t.columns) && holdIn(rec, t.p.match) {
			return rec, true
		}
	}
	return nil, false
}

// extent is where a row stands.
func extent(row []cell) poct.Span { return poct.Span{From: row[0].at.From, To: row[len(row)-1].at.To} }

// row is one record of a table.
type row struct {
	t *table
	i int
}

func (r *row) extent() poct.Span { return extent(r.t.rows[r.i]) }

func (r *row) find(at place) found { return r.t.rows[r.i][r.t.columns[at.text]] }

func (r *row) every(at place) []found { return []found{r.find(at)} }

func (r *row) says(at place, words []string) bool { return slices.Contains(words, r.find(at).text) }

// rows divides the file and maps the header; problem says why it cannot.
func (p *Profile) rows(raw []byte) (rows [][]cell, columns map[string]int, problem string) {
	var moved *textual
	if bytes.HasPrefix(raw, []byte("\xfe\xff")) || bytes.HasPrefix(raw, []byte("\xff\xfe")) {
		t, problem := decodeUTF16(raw)
		if problem != "" {
			return nil, nil, problem
		}
		raw, moved = t.text, &t
	}
	body, offset := raw, 0
	fallback := p.csv.fallback
	if bom := []byte("\xef\xbb\xbf"); bytes.HasPrefix(raw, bom) {
		body, offset, fallback = raw[3:], 3, hl7.UTF8
	}
	if utf8.Valid(body) {
		fallback = hl7.UTF8
	} else if fallback == hl7.NoCharset || fallback == hl7.UTF8 {
		return nil, nil, "The file is not UTF-8, and its profile names no other encoding."
	}
	if bytes.IndexByte(body, 0) >= 0 {
		return nil, nil, "The file holds zero bytes: it is no text in an encoding that can be read."
	}
	s := splitter{raw: raw, at: offset, delimiter: p.csv.delimiter, charset: fallback}
	for s.at < len(raw) {
		row, ok := s.row()
		if !ok {
			return nil, nil, fmt.Sprintf("A quotation mark in record %d is not closed: the file may be cut off.", len(rows)+1)
		}
		if len(row) == 1 && row[0].text == "" {
			continue // an empty line
		}
		for i := range row {
			if moved != nil {
				row[i].at = moved.span(row[i].at.From, row[i].at.To)
			}
		}
		rows = append(rows, row)
	}
	header := p.csv.header
	if header == nil {
		if len(rows) == 0 {
			return nil, nil, "The file is empty."
		}
		for _, c := range rows[0] {
			header = append(header, c.text)
		}
		rows = rows[1:]
	}
	columns = map[string]int{}
	for i, name := range header {
		if _, twice := columns[name]; twice {
			return nil, nil, fmt.Sprintf("The header names column %q twice.", name)
		}
		columns[name] = i
		if !slices.Contains(p.csv.known, name) && !p.csv.ignoreAll && !slices.Contains(p.csv.ignore, name) {
			return nil, nil, fmt.Sprintf("The header has a column %q that profile %s does not know.", name, p.id)
		}
	}
	for _, name := range p.csv.known {
		if _, ok := columns[name]; !ok {
			return nil, nil, fmt.Sprintf("The header has no column %q, which profile %s reads.", name, p.id)
		}
	}
	return rows, columns, ""
}

// splitter divides CSV as RFC 4180 writes it, and keeps where each field
// stands in the raw bytes. Lines end with CR, LF or both. A quotation mark
// inside an unquoted field stands for itself.
type splitter struct {
	raw       []byte
	at        int
	delimiter byte
	charset   hl7.Charset
}

// row reads one record; ok is false if a quoted field is not closed.
func (s *splitter) row() (row []cell, ok bool) {
	for {
		c, ok := s.field()
		if !ok {
			return nil, false
		}
		row = append(row, c)
		if s.at >= len(s.raw) {
			return row, true
		}
		sep := s.raw[s.at]
		s.at++
		if sep == s.delimiter {
			continue
		}
		if sep == '\r' && s.at < len(s.raw) && s.raw[s.at] == '\n' {
			s.at++
		}
		return row, true
	}
}

func (s *splitter) field() (cell, bool) {
	from := s.at
	if from < len(s.raw) && s.raw[from] == '"' {
		return s.quoted()
	}
	for s.at < len(s.raw) {
		if b := s.raw[s.at]; b == s.delimiter || b == '\r' || b == '\n' {
			break
		}
		s.at++
	}
	return s.cell(s.raw[from:s.at], from), true
}

func (s *splitter) quoted() (cell, bool) {
	from := s.at
	var value []byte
	for s.at++; s.at < len(s.raw); s.at++ {
		if s.raw[s.at] != '"' {
			value = append(value, s.raw[s.at])
			continue
		}
		if s.at+1 < len(s.raw) && s.raw[s.at+1] == '"' {
			value = append(value, '"')
			s.at++
			continue
		}
		s.at++
		end := s.at
		for s.at < len(s.raw) { // what follows the closing mark belongs to the field as it stands
			if b := s.raw[s.at]; b == s.delimiter || b == '\r' || b == '\n' {
				break
			}
			s.at++
		}
		return s.cell(append(value, s.raw[end:s.at]...), from), true
	}
	return cell{}, false
}

func (s *splitter) cell(b []byte, from int) cell {
	text, exact := string(b), true
	if s.charset != hl7.UTF8 {
		// A file has no escapes, and no zero bytes that could be one. Bytes that
		// are none of the character set come out as hex, marked by zero bytes.
		if text, exact = hl7.Unescape(b, hl7.Delimiters{}, s.charset); !exact {
			text = strings.ReplaceAll(text, "\x00", `\`)
		}
	}
	return cell{text: strings.TrimSpace(text), at: poct.Span{From: from, To: s.at}, garbled: !exact}
}
