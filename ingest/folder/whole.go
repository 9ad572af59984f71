package folder

import (
	"bytes"
	"strings"
)

// temporary names are those under which files are still being written.
var temporary = []string{".tmp", ".part", ".partial", ".crdownload", "~"}

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
	return temp || strings.HasPrefix(name, ".") || strings.HasSuffix(name, ".done")
}

// marker is the name of the file that says that name is whole.
func marker(name string) string {
	if dot := strings.LastIndexByte(name, '.'); dot > 0 {
		name = name[:dot]
	}
	return name + ".done"
}

// cutOff says why a file seems not to be whole; "" if it ends cleanly.
func cutOff(raw []byte) string {
	if len(raw) == 0 {
		return "it is empty"
	}
	switch raw[len(raw)-1] {
	case '\n', '\r', 0x1c: // a file transfer may keep MLLP's end byte
	default:
		return "it does not end with a line end; it may be cut off"
	}
	if looksLikeHL7(raw) {
		return ""
	}
	if bytes.Count(raw, []byte{'"'})%2 == 1 {
		return "a quotation mark is not closed; it may be cut off"
	}
	return ""
}

func looksLikeHL7(raw []byte) bool {
	raw = bytes.TrimPrefix(bytes.TrimPrefix(raw, []byte{0x0b}), []byte("\xef\xbb\xbf"))
	for _, id := range []string{"MSH", "FHS", "BHS"} {
		if bytes.HasPrefix(raw, []byte(id)) {
			return true
		}
	}
	return false
}
