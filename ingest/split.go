package ingest

import (
	"crypto/sha256"

	"tidegate/poct"
	"tidegate/wire/hl7"
)

// Split divides an arrival into one for each HL7 message of a batch, each with
// its own digest and the whole batch beside it; anything else comes back alone.
// What stands in no message is a part too, so that no byte is dropped. warn
// says what is wrong with the envelope (a count that does not agree: a message
// may be missing); the inlet keeps it as a notice.
func Split(a poct.Arrival) (parts []poct.Arrival, warn string) {
	if a.Format == "" {
		a.Format = Format(a.Raw)
	}
	a.Digest = sha256.Sum256(a.Raw)
	if a.Format != "hl7v2" || a.Fault != "" {
		return []poct.Arrival{a}, ""
	}
	messages, faults := hl7.SplitBatch(a.Raw)
	if len(faults) > 0 {
		warn = "batch: " + faults[0].Error()
	}
	if len(messages) == 0 || len(messages) == 1 && len(messages[0].Raw) == len(a.Raw) {
		return []poct.Arrival{a}, warn
	}
	for _, m := range messages {
		part := a
		part.Raw, part.Position, part.Batch, part.Digest = m.Raw, m.Position, a.Raw, sha256.Sum256(m.Raw)
		parts = append(parts, part)
	}
	return parts, warn
}
