package mapping

import (
	"bytes"
	"fmt"
	"maps"
	"regexp"
	"slices"
	"strings"

	"tidegate/wire/hl7"
)

// draftKeyCSV is the line of names, so that tables of different columns are
// different profiles; "" where the first line holds values.
func draftKeyCSV(raw []byte) (key, problem string) {
	line, _, _ := bytes.Cut(bytes.ReplaceAll(raw, []byte{'\r'}, []byte{'\n'}), []byte{'\n'})
	if bytes.ContainsAny(line, "0123456789") {
		return "", ""
	}
	return string(line), ""
}

// draftCSV finds delimiter, encoding and header, then goes by the names.
func draftCSV(g *drafted) {
	g.cfg.CSV.Delimiter = delimiterOf(g.messages)
	p := &Profile{csv: csvForm{delimiter: g.cfg.CSV.Delimiter[0], ignoreAll: true}}
	var list columns
	var all []string
	for _, raw := range g.messages {
		if _, problem := decodeText(raw, hl7.NoCharset, hl7.NoCharset); problem != "" && g.cfg.CSV.Encoding == "" {
			g.cfg.CSV.Encoding = "windows-1252"
			p.csv.fallback = hl7.Windows1252
			g.doubt("csv", "a file is not UTF-8; that it is windows-1252 is a guess: look at its umlauts and accents")
		}
		rows, names, problem := p.rows(raw)
		if problem != "" {
			g.doubt("csv", "a sample could not be divided into records: look for a column named twice and a quotation mark that is not closed")
			continue
		}
		header := make([]string, len(names))
		for name, i := range names {
			header[i] = name
		}
		if slices.ContainsFunc(header, func(s string) bool {
			_, comma := number(s, true)
			return isNumber(s) || comma || len(layoutsFor([]string{s})) > 0
		}) {
			rows = append([][]cell{cellsOf(header)}, rows...)
			for i := range header {
				header[i] = fmt.Sprintf("column%d", i+1)
			}
			g.cfg.CSV.Header = header
			g.doubt("csv", "the files have no line of names; name the columns by what they hold")
		}
		for _, name := range header {
			if !slices.Contains(all, name) {
				all = append(all, name)
			}
		}
		for _, cells := range rows {
			for i := range min(len(cells), len(header)) {
				list.at(header[i]).add(cells[i].text)
			}
		}
	}
	g.fill(list)
	known := placesIn(g.cfg)
	for _, name := range all {
		if !slices.Contains(known, name) {
			g.cfg.CSV.Ignore = append(g.cfg.CSV.Ignore, name)
			g.doubt("csv", "column %s is read by no field", name)
		}
	}
}

var inFormula = regexp.MustCompile(`at\("([^"]*)"\)`)

// placesIn lists the columns that a draft reads.
func placesIn(c ProfileConfig) []string {
	out := slices.Collect(maps.Keys(c.Control.When))
	all := []FieldConfig{c.Control.Lot, c.Control.Level}
	for _, f := range c.Fields.named() {
		all = append(all, *f.FieldConfig)
	}
	for _, r := range c.Results {
		all = append(all, r.Value, r.Unit)
	}
	for _, f := range all {
		out = append(out, f.At)
		for _, m := range inFormula.FindAllStringSubmatch(f.CEL, -1) {
			out = append(out, m[1])
		}
	}
	return out
}

func cellsOf(texts []string) []cell {
	var out []cell
	for _, t := range texts {
		out = append(out, cell{text: t})
	}
	return out
}

// delimiterOf is the sign that divides the first lines into most columns.
func delimiterOf(files [][]byte) string {
	best, most := ",", 0
	for _, d := range []string{";", ",", "\t", "|"} {
		n := 0
		for _, raw := range files {
			line, _, _ := strings.Cut(strings.ReplaceAll(string(raw), "\x00", ""), "\n")
			n += strings.Count(line, d)
		}
		if n > most {
			best, most = d, n
		}
	}
	return best
}

// draftTree finds the records, then goes by the names of what they hold.
func draftTree(parse parseTree) func(*drafted) {
	return func(g *drafted) {
		var list columns
		for n, raw := range g.messages {
			t, problem := parse(raw, hl7.NoCharset)
			if problem != "" {
				if t, problem = parse(raw, hl7.Windows1252); problem != "" {
					continue // refused before
				}
				g.cfg.Charset = "windows-1252"
				g.doubt("charset", "a file is not UTF-8; that it is windows-1252 is a guess")
			}
			leaves := t.leaves()
			if n == 0 {
				g.cfg.Rows = rowsOf(leaves, g.form.name)
				if g.cfg.Rows == "" {
					g.doubt("rows", "no list of records was found; the file is taken for one record")
				}
			}
			for _, l := range leaves {
				list.at(placeOf(l, g.cfg.Rows, g.form.name)).add(l.text)
			}
		}
		g.fill(list)
	}
}

// placeOf writes where a leaf stands: from the record if it is inside one.
func placeOf(l leaf, rows, format string) string {
	if format == formatXML {
		if rest, inside := strings.CutPrefix(l.alike, orRoot(rows, l.alike)+"/"); inside {
			return rest
		}
		return l.alike
	}
	way := strings.TrimSuffix(l.alike, "/*") // a list of texts is one place
	if rest, inside := strings.CutPrefix(way, rows+"/*/"); inside {
		way = rest
	}
	return strings.ReplaceAll(way, "/*", "/0")
}

// orRoot is the root element's path where there are no rows.
func orRoot(rows, alike string) string {
	if rows != "" {
		return rows
	}
	root, _, _ := strings.Cut(strings.TrimPrefix(alike, "/"), "/")
	return "/" + root
}

// rowsOf finds the shallowest place that repeats and holds an INR.
func rowsOf(leaves []leaf, format string) string {
	count := map[string]int{}
	best := ""
	for _, l := range leaves {
		if format == formatJSON {
			at := strings.Index(l.alike, "/*/")
			if at > 0 && (best == "" || at < len(best)) && meaningOf(l.alike).field == "inr" {
				best = l.alike[:at]
			}
			continue
		}
		// Elements: the path above a numbered step.
		steps := strings.Split(l.place, "/")
		path := ""
		for i, s := range steps {
			name, numbered, _ := strings.Cut(s, "[")
			if i > 0 {
				path += "/" + name
			}
			if numbered != "" {
				count[path]++
				break
			}
		}
	}
	if format == formatJSON {
		return best
	}
	for _, path := range slices.Sorted(maps.Keys(count)) {
		if best == "" || strings.Count(path, "/") < strings.Count(best, "/") {
			best = path
		}
	}
	return best
}

func draftKeyTree(parse parseTree) func([]byte) (string, string) {
	return func(raw []byte) (string, string) {
		t, problem := parse(raw, hl7.NoCharset)
		if problem != "" {
			t, problem = parse(raw, hl7.Windows1252)
		}
		if x, ok := t.(*xmlTree); ok && problem == "" {
			return x.top.kids[0].name, ""
		}
		return "", problem
	}
}
