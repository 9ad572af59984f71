package folder

import (
	"bytes"
	"path/filepath"
	"slices"
	"strings"

	"tidegate/ingest"
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
	if last := raw[len(raw)-1]; last != '\n' && last != '\r' {
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
