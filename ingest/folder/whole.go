package folder

import (
	"bytes"
	"path/filepath"
	"regexp"
	"slices"
	"strings"

	"tidegate/ingest"
	"tidegate/wire/astm"
	"tidegate/wire/hl7"
)

// temporary names are those under which files are still being written.
var temporary = []string{".tmp", ".part", ".partial", "~"}

// stem is the name a temporary file will be renamed to; ok is false for others.
func stem(name string) (string, bool) {
	for _, end := range temporary {
		if s, ok := strings.CutSuffix(name, end); ok && s != "" {
			return s, true
		}
	}
	return "", false
}

// skipped names are never taken: hidden ones, temporary ones, markers.
func skipped(name string) bool {
	_, temp := stem(name)
	return temp || strings.HasPrefix(name, ".") || strings.HasSuffix(name, markerEnd)
}

const markerEnd = ".done"

// marker is the name of the file that says that name is whole.
func marker(name string) string {
	if dot := strings.LastIndexByte(name, '.'); dot > 0 {
		name = name[:dot]
	}
	return name + markerEnd
}

// format goes by the bytes; a file named .hl7 that does not begin like a
// message is still meant as one, and will be found unreadable.
func format(name string, raw []byte) string {
	if slices.Contains([]string{".hl7", ".er7"}, strings.ToLower(filepath.Ext(name))) {
		return ingest.HL7v2
	}
	return ingest.Format(raw)
}

// cutOff says why the bytes of a file seem not to be all of it; "" if they end
// as the format ends. It reads no values.
func cutOff(format string, raw []byte) string {
	if len(raw) == 0 {
		return "it is empty"
	}
	switch format {
	case ingest.JSON:
		return openJSON(raw)
	case ingest.XML, ingest.POCT1A:
		return openXML(raw)
	case ingest.LIS02:
		if _, rest := (astm.Assembly{}).Add(raw, true); rest.Open() {
			return "its last message has no L record; it may be cut off"
		}
		return ""
	}
	text := raw
	if bytes.HasPrefix(raw, []byte("\xff\xfe")) {
		text = bytes.TrimSuffix(raw, []byte{0}) // the other half of UTF-16's last line end
	}
	if last := text[max(0, len(text)-1):]; !bytes.Equal(last, []byte("\n")) && !bytes.Equal(last, []byte("\r")) {
		return "it does not end with a line end; it may be cut off"
	}
	if format == ingest.HL7v2 {
		_, faults := hl7.SplitBatch(raw)
		for _, f := range faults {
			// A trailer whose count is wrong is there, which is all that is asked here.
			if (f.Segment == "BTS" || f.Segment == "FTS") && f.Field == 0 {
				return f.What + "; it may be cut off"
			}
		}
		return ""
	}
	// Inside a quoted field, a quote of its own is written twice (RFC 4180), so
	// that a whole table has an even number of them.
	if bytes.Count(raw, []byte{'"'})%2 == 1 {
		return "a quotation mark is not closed; it may be cut off"
	}
	return ""
}

// openJSON asks whether as many objects and lists are closed as are opened,
// outside of texts. Bytes of UTF-16 that are zero say nothing here.
func openJSON(raw []byte) string {
	depth, quoted, escaped := 0, false, false
	for _, b := range raw {
		switch {
		case b == 0:
		case escaped:
			escaped = false
		case quoted:
			escaped, quoted = b == '\\', b != '"'
		case b == '"':
			quoted = true
		case b == '{' || b == '[':
			depth++
		case b == '}' || b == ']':
			depth--
		}
	}
	if depth > 0 || quoted {
		return "an object, list or text of its JSON is not closed; it may be cut off"
	}
	return ""
}

// rootTag is the first start tag of XML, and whether it is an end tag too.
var rootTag = regexp.MustCompile(`<([^\s/>!?]+)(?:\s+[^\s=>]+\s*=\s*(?:"[^"]*"|'[^']*'))*\s*(/?)>`)

var comments = regexp.MustCompile(`(?s)<!--.*?-->`)

// openXML asks whether the root element is closed, by its end tag or in its
// start tag.
func openXML(raw []byte) string {
	text := comments.ReplaceAll(bytes.ReplaceAll(raw, []byte{0}, nil), nil) // zeros: the other half of UTF-16
	if root := rootTag.FindSubmatch(text); root != nil {
		at := bytes.LastIndex(text, append([]byte("</"), root[1]...))
		if len(root[2]) > 0 || at >= 0 && bytes.IndexByte(text[at:], '>') >= 0 {
			return ""
		}
	}
	return "the root element of its XML is not closed; it may be cut off"
}
