package registry

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"

	"tidegate/poct"
)

// Refused is a line that was not taken. Line 1 is the header: a table whose
// header is refused gives no rows. Reason says what to write instead, and of
// patients and visits never what was written.
type Refused struct {
	Line   int    `json:"line"`
	Column string `json:"column,omitempty"`
	Reason string `json:"reason"`
}

// String is the line as a report prints it.
func (r Refused) String() string {
	if r.Column == "" {
		return fmt.Sprintf("line %d: %s", r.Line, r.Reason)
	}
	return fmt.Sprintf("line %d, column %s: %s", r.Line, r.Column, r.Reason)
}

const (
	mostBytes = 256 << 20 // a table larger than this is not one of a clinic group
	mostCell  = 200       // characters of one cell
)

var errNoZone = errors.New("no IANA time zone")

// ReadCSV reads a table of one kind: UTF-8, with or without byte order mark,
// separated by commas or semicolons, the first line naming the columns in any
// order. Lines that cannot be taken come back in order, with all that is wrong
// with each; the others are good. The error is for a kind that does not exist
// and for bytes that could not be read.
//
//	sites         site,name,time_zone,qc_interval      qc_interval such as 8h, or empty
//	meters        serial,model,site,state              state in-use or withdrawn; empty is in-use
//	operators     operator,name,sites,certified_until[,shared]  sites separated by ; , | or spaces; * for all
//	strip_lots    lot,model,expires,isi,mnpt,recalled  recalled true, false or empty
//	control_lots  control_lot,level,strip_lot,low,high,expires[,mean,sd][,range_sds]  range_sds: how many SDs from mid to low and high
//	patients      authority,id,family,given,birth_date,sex[,merged_to]
//	visits        visit,authority,patient,site,start,end  times with offset; end may be empty
//	orders       order,authority,patient,code,placed[,site][,filler][,status][,target_low,target_high]  status open, completed or cancelled
//	shipments     shipment,strip_lot,site,arrived,use_by  arrived a date or a time with offset
//	acceptances   strip_lot,site,shipment,decision,isi,mnpt,read_back_by,by,at,reason[,controls,pairs,evidence]
//	findings      authority,patient,finding,value,unit,at,until  finding such as haematocrit, heparin, lupus-anticoagulant
//
// Dates are YYYY-MM-DD; decimals have a point.
func ReadCSV(kind poct.RegistryKind, r io.Reader) (poct.RegistryRows, []Refused, error) {
	t, ok := tables[kind]
	if !ok {
		return poct.RegistryRows{}, nil, fmt.Errorf("%q is no kind of registry row: write one of %s", kind, strings.Join(Kinds(), ", "))
	}
	raw, err := io.ReadAll(io.LimitReader(r, mostBytes+1))
	if err != nil {
		return poct.RegistryRows{}, nil, fmt.Errorf("read %s: %w", kind, err)
	}
	if len(raw) > mostBytes {
		return poct.RegistryRows{}, nil, fmt.Errorf("read %s: the table is larger than %d MiB; split it", kind, mostBytes>>20)
	}
	raw = bytes.TrimPrefix(raw, []byte("\ufeff"))
	if !bytes.ContainsRune(raw, '\n') {
		raw = bytes.ReplaceAll(raw, []byte("\r"), []byte("\n"))
	}
	p := &reader{table: t, csv: csv.NewReader(bytes.NewReader(raw)), seen: map[string]int{}}
	p.csv.Comma = separator(raw)
	p.csv.FieldsPerRecord = -1
	if p.header() {
		p.lines()
	}
	return p.rows, p.refused, nil
}

// Kinds lists the kinds of table, in the order in which they build on each other.
func Kinds() []string {
	return []string{
		string(poct.Sites), string(poct.Meters), string(poct.Operators), string(poct.StripLots),
		string(poct.ControlLots), string(poct.Patients), string(poct.Visits), string(poct.Orders),
		string(poct.Shipments), string(poct.Acceptances), string(poct.FindingRows),
	}
}

// WriteReport tells a person what was read and what was refused.
func WriteReport(w io.Writer, kind poct.RegistryKind, rows poct.RegistryRows, refused []Refused) error {
	var b strings.Builder
	lines := map[int]bool{}
	for _, r := range refused {
		lines[r.Line] = true
	}
	fmt.Fprintf(&b, "%s: %d %s read, %d refused\n", kind, Count(rows), plural(Count(rows), "line"), len(lines))
	for _, r := range refused {
		fmt.Fprintf(&b, "  %s\n", r)
	}
	_, err := io.WriteString(w, b.String())
	return err
}

func plural(n int, word string) string {
	if n == 1 {
		return word
	}
	return word + "s"
}

// Count is the number of rows of every kind.
func Count(r poct.RegistryRows) int {
	return len(r.Sites) + len(r.Meters) + len(r.Operators) + len(r.StripLots) +
		len(r.ControlLots) + len(r.Patients) + len(r.Visits) + len(r.Orders) +
		len(r.Shipments) + len(r.Acceptances) + len(r.Findings)
}

// separator is the one that the header has more of.
func separator(raw []byte) rune {
	head, _, _ := bytes.Cut(raw, []byte("\n"))
	if bytes.Count(head, []byte(";")) > bytes.Count(head, []byte(",")) {
		return ';'
	}
	return ','
}

// table is how one kind is read.
type table struct {
	columns []column
	private bool // its cells are about patients and are never quoted back
	// take reads a line's cells into a row, and gives the row's key. Faults go
	// to c; then the row is not added.
	take func(c *cells, rows *poct.RegistryRows) (key string, add func())
}

type column struct {
	name     string
	required bool // every line must have a value
	optional bool // the header may leave the column out
}

// reader reads one table line by line.
type reader struct {
	table   table
	csv     *csv.Reader
	at      map[string]int // column -> place
	rows    poct.RegistryRows
	refused []Refused
	seen    map[string]int // key -> line
}

func (p *reader) refuse(line int, column, reason string) {
	p.refused = append(p.refused, Refused{Line: line, Column: column, Reason: reason})
}

// header maps the columns by name and refuses what it does not know: a column
// that was misspelt would otherwise be taken for empty.
func (p *reader) header() bool {
	head, err := p.csv.Read()
	if err != nil {
		p.refuse(1, "", "there is no header line. Write the columns "+p.names())
		return false
	}
	p.at = map[string]int{}
	for i, name := range head {
		name = strings.ToLower(strings.TrimSpace(name))
		switch _, twice := p.at[name]; {
		case !slices.ContainsFunc(p.table.columns, func(c column) bool { return c.name == name }):
			p.refuse(1, clip(name), "is no column of this table. It has "+p.names())
		case twice:
			p.refuse(1, name, "stands in the header twice. Name each column once")
		default:
			p.at[name] = i
		}
	}
	for _, c := range p.table.columns {
		if _, ok := p.at[c.name]; !ok && !c.optional {
			p.refuse(1, c.name, "is missing from the header. Write the columns "+p.names())
		}
	}
	return len(p.refused) == 0
}

func (p *reader) names() string {
	var names []string
	for _, c := range p.table.columns {
		if !c.optional || c.required {
			names = append(names, c.name)
		}
	}
	return strings.Join(names, ",")
}

func (p *reader) lines() {
	for {
		record, err := p.csv.Read()
		if errors.Is(err, io.EOF) {
			return
		}
		if parse := (*csv.ParseError)(nil); errors.As(err, &parse) {
			p.refuse(parse.StartLine, "", "its quotation marks do not pair. Write \"\" for a quotation mark inside quotes")
			continue
		}
		if err != nil {
			p.refuse(0, "", "the rest could not be read: "+err.Error())
			return
		}
		line, _ := p.csv.FieldPos(0)
		p.line(line, record)
	}
}

func (p *reader) line(line int, record []string) {
	if len(record) == 1 && strings.TrimSpace(record[0]) == "" && len(p.at) > 1 {
		return
	}
	if len(record) != len(p.at) {
		p.refuse(line, "", fmt.Sprintf("has %d cells, the header has %d. Write one cell for each column", len(record), len(p.at)))
		return
	}
	c := &cells{reader: p, line: line, values: map[string]string{}}
	for _, col := range p.table.columns {
		i, ok := p.at[col.name]
		if !ok {
			continue
		}
		text := strings.TrimSpace(record[i])
		switch {
		case !utf8.ValidString(text):
			c.fault(col.name, "is not UTF-8. Save the table as UTF-8")
		case strings.ContainsFunc(text, unicode.IsControl):
			c.fault(col.name, "has a sign that cannot be printed. Take it out")
		case utf8.RuneCountInString(text) > mostCell:
			c.fault(col.name, fmt.Sprintf("is longer than %d characters", mostCell))
		case text == "" && col.required:
			c.fault(col.name, "is empty. Every line needs it")
		default:
			c.values[col.name] = text
		}
	}
	key, add := p.table.take(c, &p.rows)
	if c.bad {
		return
	}
	if first, twice := p.seen[key]; twice {
		p.refuse(line, p.table.columns[0].name, fmt.Sprintf("is the same row as line %d. Keep one of them", first))
		return
	}
	p.seen[key] = line
	add()
}

// clip bounds what a header's cell is quoted with.
func clip(s string) string {
	s = strings.ToValidUTF8(s, "?")
	if r := []rune(s); len(r) > 40 {
		s = string(r[:40]) + "…"
	}
	return s
}
