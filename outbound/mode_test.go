package outbound

import (
	"net/http"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidegate/poct"
	"tidegate/standin"
)

// usual creates, corrects and withdraws, and looks at what stands there.
func (b *bench) usual(t *testing.T) {
	t.Helper()
	b.store.Add(outletID, result(1, "2.5"), poct.Create)
	b.store.Add(outletID, result(1, "2.9", version(2)), poct.Correct)
	b.store.Add(outletID, result(2, "3.1"), poct.Create)
	b.store.Add(outletID, result(2, "3.1", version(2)), poct.Withdraw)
	b.run(b.worker, 5*time.Minute)
	for id := int64(1); id <= int64(b.store.Len()); id++ {
		row := b.store.Row(id)
		require.Equal(t, poct.DeliveryDone, row.State, "%s: %+v", row.LastError, row.Hold)
	}
	require.ElementsMatch(t, []string{"corrected 2.9", "entered-in-error 3.1"}, b.values())
	b.sound(4, 2)
	require.Len(t, b.record.All("Provenance"), 4)
}

// wrote tells which requests wrote results: "POST /", "PUT Observation" ...
func (b *bench) wrote() map[string]bool {
	out := map[string]bool{}
	for _, a := range b.record.AccessLog() {
		switch {
		case a.Method == http.MethodPost && a.URL == "/":
			out["transaction"] = true
		case a.Method == http.MethodPost && a.URL == "/Observation":
			out["create"] = true
		}
	}
	for _, o := range b.record.All("Observation") {
		if len(o.ID) == 36 {
			out["own id"] = true
		}
	}
	return out
}

// Auto takes what the CapabilityStatement offers, absent is not offered
// (hl7.org/fhir/R4/capabilitystatement.html: rest.interaction,
// rest.resource.updateCreate, .conditionalCreate). Where it turns out to be
// wrong another way is taken, and nothing comes twice.
func TestAutoTakesWhatIsOffered(t *testing.T) {
	tests := []struct {
		name     string
		switches standin.Switches
		own      string
		want     []string
	}{
		{"everything", standin.Switches{}, "auto", []string{"transaction", "own id"}},
		{"everything, ids left to it", standin.Switches{}, "never", []string{"transaction"}},
		{"no ids of ours", standin.Switches{NoClientIDs: true}, "auto", []string{"transaction"}},
		{"no transactions", standin.Switches{NoTransaction: true}, "auto", []string{"own id"}},
		{"no transactions, no conditions", standin.Switches{NoTransaction: true, NoConditionalCreate: true}, "auto", []string{"own id"}},
		{"neither transactions nor ids of ours", standin.Switches{NoTransaction: true, NoClientIDs: true}, "auto", []string{"create"}},
		{"no Substance", standin.Switches{NoSubstance: true, NoTransaction: true}, "auto", []string{"own id"}},
		{"If-None-Match ignored", standin.Switches{IgnoreIfNoneMatch: true}, "auto", []string{"transaction", "own id"}},
		{"says transactions, has none", standin.Switches{NoTransaction: true, Boasts: true}, "auto", []string{"transaction", "own id"}},
		{"says ids of ours, takes none", standin.Switches{NoClientIDs: true, Boasts: true}, "auto", []string{"transaction"}},
		{"says both, has neither", standin.Switches{NoTransaction: true, NoClientIDs: true, Boasts: true}, "auto", []string{"transaction", "create"}},
		{"extensions and zeros are lost", standin.Switches{DropExtensions: true, DropNotes: true, TrimZeros: true}, "auto", []string{"transaction", "own id"}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			inBubble(t, func(t *testing.T) {
				b := newBench(t, tt.switches)
				b.cfg.FHIR.Mode, b.cfg.FHIR.OwnIDs = modeAuto, tt.own
				b.worker = b.newWorker("one")
				b.usual(t)
				want := map[string]bool{}
				for _, w := range tt.want {
					want[w] = true
				}
				require.Equal(t, want, b.wrote())
			})
		})
	}
}

// With no way to create just once nothing is sent at all.
func TestNoWayIsNoGuess(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		b := newBench(t, standin.Switches{NoClientIDs: true, NoConditionalCreate: true})
		b.cfg.FHIR.Mode, b.cfg.FHIR.OwnIDs = modeAuto, "auto"
		b.worker = b.newWorker("one")
		id := b.store.Add(outletID, result(1, "2.5"), poct.Create)
		b.run(b.worker, time.Minute)
		require.Equal(t, "record-configuration", b.store.Row(id).Hold.Code)
		require.Zero(t, writes(b.record))
	})
}

// 412 says three things (hl7.org/fhir/R4/http.html#ccreate and #concurrency):
// several are there, the version is stale, conditions are not taken. The third
// takes another way; with and without an OperationOutcome.
func TestConditionsNotTaken(t *testing.T) {
	for _, wordless := range []bool{false, true} {
		inBubble(t, func(t *testing.T) {
			b := newBench(t, standin.Switches{NoTransaction: true, NoConditionalCreate: true, Boasts: true, Wordless: wordless})
			b.cfg.FHIR.Mode, b.cfg.FHIR.OwnIDs = modeSingle, "never"
			b.worker = b.newWorker("one")
			id := b.store.Add(outletID, result(1, "2.5"), poct.Create)
			b.run(b.worker, 5*time.Minute)
			require.Equal(t, poct.DeliveryHeld, b.store.Row(id).State, "the operator wants this way and no other")
			require.Empty(t, b.record.All("Observation"))
		})
	}
}

// A record system without versions cannot be corrected safely: a person does.
func TestNoVersionsNoCorrection(t *testing.T) {
	eachWay(t, func(t *testing.T, b *bench) {
		b.switches(func(s *standin.Switches) { s.NoVersions = true })
		first := b.store.Add(outletID, result(1, "2.5"), poct.Create)
		second := b.store.Add(outletID, result(1, "2.9", version(2)), poct.Correct)
		b.run(b.worker, 5*time.Minute)
		require.Equal(t, poct.DeliveryDone, b.store.Row(first).State)
		require.Equal(t, poct.DeliveryHeld, b.store.Row(second).State)
		require.Equal(t, "record-no-versions", b.store.Row(second).Hold.Code)
		require.ElementsMatch(t, []string{"final 2.5"}, b.values())
	})
}

// Whether If-None-Match is honoured is found out once, without touching a
// result; where it is not, each create is looked up before it.
func TestIfNoneMatchIsFoundOut(t *testing.T) {
	for _, tt := range []struct {
		name   string
		ignore bool
		lookUp bool
	}{{"honoured", false, false}, {"ignored", true, true}} {
		t.Run(tt.name, func(t *testing.T) {
			inBubble(t, func(t *testing.T) {
				b := newBench(t, standin.Switches{IgnoreIfNoneMatch: tt.ignore})
				b.cfg.FHIR.Mode, b.cfg.FHIR.OwnIDs = modePut, "auto"
				b.worker = b.newWorker("one")
				b.known()
				before := len(b.record.AccessLog())
				b.store.Add(outletID, result(1, "2.5"), poct.Create)
				b.run(b.worker, time.Minute)
				reads := 0
				for _, a := range b.record.AccessLog()[before:] {
					if a.Method == http.MethodGet && a.Status == http.StatusNotFound {
						reads++
					}
				}
				require.Equal(t, tt.lookUp, reads > 0, "%d look-ups", reads)
				for _, o := range b.record.All("Observation") {
					require.Equal(t, 1, o.Version, "a result was touched to find out")
				}
				if !tt.ignore {
					return
				}
				// Something under our id that says something else is not written over.
				b.edit(b.store.Row(2).Remote["observation/inr"], `"value":2.5`, `"value":2.4`)
				again := b.store.Add(outletID, result(1, "2.5"), poct.Create)
				b.run(b.worker, time.Minute)
				require.Equal(t, "record-differs", b.store.Row(again).Hold.Code)
				require.ElementsMatch(t, []string{"final 1.9", "final 2.4"}, b.values())
			})
		})
	}
}
