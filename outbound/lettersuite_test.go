package outbound

import (
	"path/filepath"
	"testing"

	"tidegate/outbound/outlettest"
)

// Every kind keeps what every outlet promises. Receivers that cannot be asked
// get a result once as far as they drop what they have: each far end here does,
// by the name that a message carries.
func TestLettersKeepTheirPromises(t *testing.T) {
	harnesses := map[string]func(t *testing.T) outlettest.Harness{
		"hl7v2, original mode": func(t *testing.T) outlettest.Harness { return newLab(t) },
		"hl7v2, enhanced mode": func(t *testing.T) outlettest.Harness {
			l := newLab(t)
			l.cfg.Acknowledge = enhancedMode
			return l
		},
		"hl7v2, enhanced mode, both acknowledgements": func(t *testing.T) outlettest.Harness {
			l := newLab(t)
			l.cfg.Acknowledge, l.cfg.ApplicationAck = enhancedMode, true
			return l
		},
		"jetstream, fhir":  func(t *testing.T) outlettest.Harness { return &pool{far: far{t: t}, payload: payloadFHIR} },
		"jetstream, hl7v2": func(t *testing.T) outlettest.Harness { return &pool{far: far{t: t}, payload: payloadHL7v2} },
		"folder, fhir": func(t *testing.T) outlettest.Harness {
			return &shelf{far: far{t: t}, payload: payloadFHIR, dir: filepath.Join(t.TempDir(), "out")}
		},
		"folder, hl7v2": func(t *testing.T) outlettest.Harness {
			return &shelf{far: far{t: t}, payload: payloadHL7v2, dir: filepath.Join(t.TempDir(), "out")}
		},
	}
	for name, harness := range harnesses {
		t.Run(name, func(t *testing.T) { outlettest.Run(t, inBubble, harness) })
	}
}
