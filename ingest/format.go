package ingest

import "bytes"

// Format tells by its first bytes whether a message is HL7 v2 or a table, for
// inlets that are not told: "hl7v2" or "csv".
func Format(raw []byte) string {
	start := bytes.TrimLeft(bytes.TrimPrefix(raw, []byte("\xef\xbb\xbf")), " \t\r\n")
	for _, id := range []string{"MSH", "FHS", "BHS"} {
		if bytes.HasPrefix(start, []byte(id)) {
			return "hl7v2"
		}
	}
	return "csv"
}
