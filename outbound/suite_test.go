package outbound

import (
	"math/rand/v2"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/rs/zerolog"
	"github.com/stretchr/testify/require"

	"tidegate/outbound/outlettest"
	"tidegate/poct"
	"tidegate/standin"
)

// fhirHarness is the FHIR outlet for the suite that every kind has to pass.
type fhirHarness struct{ *bench }

func (h fhirHarness) Worker(store *outlettest.Store, owner string) outlettest.Runner {
	w, err := New(h.cfg, Settings{
		ID: outletID, Store: store, Log: zerolog.Nop(), Owner: owner, Systems: systems, Wake: store.Wake(),
		HTTP: &http.Client{Transport: h.wire}, Rand: rand.New(rand.NewPCG(2, 2)),
	})
	require.NoError(h.t, err)
	return w
}

func (fhirHarness) Outlet() string { return outletID }

func (fhirHarness) Result(n, v int) poct.Result {
	if v == 1 {
		return result(n, "2.1")
	}
	return result(n, "2."+string(rune('0'+v)), version(v))
}

func (h fhirHarness) Break(how outlettest.Break) {
	switch how {
	case outlettest.LoseAnswer:
		h.record.Plan(standin.Next(standin.Fault{Kind: standin.Drop, Apply: true}))
	case outlettest.LoseRequest:
		h.record.Plan(standin.Next(standin.Fault{Kind: standin.Drop}))
	case outlettest.Refuse:
		h.record.Plan(standin.Next(standin.Fault{Kind: standin.Status, Status: 422}))
	case outlettest.Down:
		h.record.Outage(&standin.Fault{Kind: standin.Status, Status: 503})
	}
}

func (h fhirHarness) Mend() { h.record.Outage(nil) }

func (h fhirHarness) Holds(n int) (versions []int) {
	at := result(n, "2.1").Reading.TestedAt.At
	for _, s := range h.record.All("Observation") {
		r, err := readResource(s.Body)
		require.NoError(h.t, err)
		tested, err := time.Parse(time.RFC3339, r.Effective)
		require.NoError(h.t, err)
		if r.Value.Code == "{INR}" && tested.Equal(at) && r.Status != "entered-in-error" {
			versions = append(versions, int(strings.TrimPrefix(string(r.Value.Value), "2.")[0]-'0'))
		}
	}
	return versions
}

func TestOutletKeepsItsPromises(t *testing.T) {
	for _, w := range ways {
		t.Run(w.name, func(t *testing.T) {
			outlettest.Run(t, inBubble, func(t *testing.T) outlettest.Harness {
				b := newBench(t, w.switches)
				b.cfg.FHIR.Mode, b.cfg.FHIR.OwnIDs = w.mode, w.own
				return fhirHarness{b}
			})
		})
	}
}
