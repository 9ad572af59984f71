package ingest

import (
	"crypto/sha256"

	"tidegate/poct"
	"tidegate/wire/hl7"
)

// Split divides an arrival into one for each HL7 message of a batch, each with
// its own digest and the whole batch beside it; anything else comes back alone.
// What stands in no message is a part too, so that no byte is dropped.
func Split(a poct.Arrival) []poct.Arrival {
	if a.Format == "" {
		a.Format = Format(a.Raw)
	}
	a.Digest = sha256.Sum256(a.Raw)
	if a.Format != "hl7v2" || a.Fault != "" {
		return []poct.Arrival{a}
	}
	parts, faults := hl7.SplitBatch(a.Raw)
	if len(parts) == 0 || len(parts) == 1 && len(parts[0].Raw) == len(a.Raw) {
		return []poct.Arrival{a}
	}
	out := make([]poct.Arrival, len(parts))
	for i, p := range parts {
		part := a
		part.Raw, part.Position, part.Batch, part.Digest = p.Raw, p.Position, a.Raw, sha256.Sum256(p.Raw)
		out[i] = part
	}
	// An envelope whose counts do not agree says that a message may be missing:
	// the last part carries that to the queue's attention.
	if len(faults) > 0 && out[len(out)-1].Fault == "" && !startsMessage(out[len(out)-1].Raw) {
		out[len(out)-1].Fault = faults[0].Error()
	}
	return out
}

func startsMessage(raw []byte) bool { return len(raw) > 3 && string(raw[:3]) == "MSH" }
