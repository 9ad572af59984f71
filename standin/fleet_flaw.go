package standin

import (
	"fmt"
	"slices"
	"strings"
)

// Flaw is what goes wrong with a message of a fleet, on request.
type Flaw string

// Flaws.
const (
	Resends   Flaw = "resend"     // sent again though it was answered
	LostAck   Flaw = "lost-ack"   // the line is lost before the answer is read; sent again
	HalfFrame Flaw = "half-frame" // the line is lost in the middle; sent again
	Checksum  Flaw = "checksum"   // a frame with a wrong checksum first (LIS01 alone has one)
	Clock     Flaw = "clock"      // the meter's clock is three quarters of an hour fast
	Swap      Flaw = "swap"       // one patient's identifier with another's name and birth date
	Lot       Flaw = "lot"        // a strip lot that nobody registered
	Garbage   Flaw = "garbage"    // bytes that are no message
	Slow      Flaw = "slow"       // the message comes in small pieces
)

// Flaws lists every flaw.
func Flaws() []Flaw {
	return []Flaw{Resends, LostAck, HalfFrame, Checksum, Clock, Swap, Lot, Garbage, Slow}
}

// ParseFlaws reads names with commas between; all stands for every one.
func ParseFlaws(s string) ([]Flaw, error) {
	var out []Flaw
	for _, name := range strings.FieldsFunc(s, func(r rune) bool { return r == ',' || r == ' ' }) {
		switch {
		case name == "all":
			out = append(out, Flaws()...)
		case slices.Contains(Flaws(), Flaw(name)):
			out = append(out, Flaw(name))
		default:
			return nil, fmt.Errorf("there is no fault %q; write some of %s, or all", name, names(Flaws()))
		}
	}
	slices.Sort(out)
	return slices.Compact(out), nil
}

func names(flaws []Flaw) string {
	var out []string
	for _, f := range flaws {
		out = append(out, string(f))
	}
	return strings.Join(out, ", ")
}

// on tells whether a flaw can happen on a way: files and queues have no line
// that breaks, and only LIS01 has checksums.
func (f Flaw) on(w Way) bool {
	switch f {
	case LostAck:
		return w != Folder
	case HalfFrame, Slow:
		return w != Queue
	case Checksum:
		return w == LIS
	}
	return true
}

// trick is what the flaw does to the first sending.
func (f Flaw) trick() trick {
	switch f {
	case LostAck:
		return deaf
	case HalfFrame:
		return half
	case Checksum:
		return miscounted
	case Slow:
		return slowly
	}
	return plain
}
