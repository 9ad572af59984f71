package outbound

import (
	"fmt"
	"net/http"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidegate/poct"
	"tidegate/standin"
)

// What a record system may answer to a write, before and after the write took
// effect, and what becomes of the result. Statuses: hl7.org/fhir/R4/http.html
// ("Summary", "create", "update"), RFC 9110 section 15, RFC 6585 section 4;
// Retry-After: RFC 9110 10.2.3. What follows from each is our own rule.
func TestAnswersToAWrite(t *testing.T) {
	status := func(code int) standin.Fault { return standin.Fault{Kind: standin.Status, Status: code} }
	applied := func(f standin.Fault) standin.Fault { f.Apply = true; return f }
	until := func(code int, when string) standin.Fault {
		return standin.Fault{Kind: standin.Status, Status: code, RetryAfter: when}
	}
	tests := []struct {
		name   string
		source string
		fault  standin.Fault
		held   string        // problem code; "" for delivered in the end
		rests  bool          // the whole destination is left alone at once
		after  time.Duration // not delivered sooner
	}{
		{"cut before", "RFC 9110 9.2.2", standin.Fault{Kind: standin.Drop}, "", false, 0},
		{"cut after", "RFC 9110 9.2.2", applied(standin.Fault{Kind: standin.Drop}), "", false, linger},
		{"reset", "RFC 9293 3.10.7", standin.Fault{Kind: standin.Reset}, "", false, 0},
		{"too slow, before", "our own deadline", standin.Fault{Kind: standin.Drop, Delay: 11 * time.Second}, "", false, 0},
		{"too slow, after", "our own deadline", applied(standin.Fault{Kind: standin.Drop, Delay: 11 * time.Second}), "", false, linger},
		{"a page with 200, before", "hl7.org/fhir/R4/http.html", standin.Fault{Kind: standin.HTMLPage}, "", false, 0},
		{"a page with 200, after", "hl7.org/fhir/R4/http.html", applied(standin.Fault{Kind: standin.HTMLPage}), "", false, 0},
		{"an outcome with 200", "hl7.org/fhir/R4/operationoutcome.html", standin.Fault{Kind: standin.ErrorOutcome}, "", false, 0},
		{"201 without a word", "hl7.org/fhir/R4/http.html#create", applied(standin.Fault{Kind: standin.EmptyAnswer}), "", false, 0},
		{"500 before", "RFC 9110 15.6.1", status(500), "", false, linger},
		{"500 after", "RFC 9110 15.6.1", applied(status(500)), "", false, linger},
		{"502 before", "RFC 9110 15.6.3", status(502), "", false, linger},
		{"502 after", "RFC 9110 15.6.3", applied(status(502)), "", false, linger},
		{"503 before", "RFC 9110 15.6.4", status(503), "", false, 0},
		{"503 after", "RFC 9110 15.6.4", applied(status(503)), "", false, 0},
		{"504 before", "RFC 9110 15.6.5", status(504), "", false, linger},
		{"504 after", "RFC 9110 15.6.5", applied(status(504)), "", false, linger},
		{"503 until, seconds", "RFC 9110 10.2.3", until(503, "20"), "", true, 20 * time.Second},
		{"503 until, a date", "RFC 9110 10.2.3", until(503, time.Date(2000, 1, 1, 0, 1, 0, 0, time.UTC).Format(http.TimeFormat)), "", true, 0},
		{"429", "RFC 6585 4", status(429), "", true, 0},
		{"429 until", "RFC 6585 4", until(429, "30"), "", true, 30 * time.Second},
		{"429 after", "RFC 6585 4", applied(until(429, "5")), "", true, 5 * time.Second},
		{"401", "RFC 9110 15.5.2", status(401), "", true, 0},
		{"403", "RFC 9110 15.5.4", status(403), "", true, 0},
		{"408", "RFC 9110 15.5.9", status(408), "", false, linger},
		{"400", "hl7.org/fhir/R4/http.html#create", status(400), "record-refused", false, 0},
		{"413", "RFC 9110 15.5.14", status(413), "record-refused", false, 0},
		{"422", "hl7.org/fhir/R4/http.html#create", status(422), "record-refused", false, 0},
		{"410", "hl7.org/fhir/R4/http.html#read", status(410), "record-refused", false, 0},
		{"404", "hl7.org/fhir/R4/http.html#create", status(404), "record-configuration", false, 0},
		{"406", "hl7.org/fhir/R4/http.html#mime-type", status(406), "record-configuration", false, 0},
		{"415", "hl7.org/fhir/R4/http.html#mime-type", status(415), "record-configuration", false, 0},
		{"307", "RFC 9110 15.4.8", status(307), "record-configuration", false, 0},
		{"409 before", "hl7.org/fhir/R4/http.html#transaction", status(409), "", false, 0},
		{"409 after", "hl7.org/fhir/R4/http.html#transaction", applied(status(409)), "", false, 0},
		{"412 before", "hl7.org/fhir/R4/http.html#ccreate", status(412), "", false, 0},
		{"412 after", "hl7.org/fhir/R4/http.html#ccreate", applied(status(412)), "", false, 0},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			for _, action := range []poct.Action{poct.Create, poct.Correct} {
				for _, w := range ways {
					for place := range 2 { // the first write of a delivery, or its second
						if place > 0 && w.whole() {
							continue
						}
						t.Run(fmt.Sprintf("%s, %s, write %d", action, w.name, place+1), func(t *testing.T) {
							inWay(t, w, func(t *testing.T, b *bench) {
								b.cfg.InFlight = 1
								b.worker = b.newWorker("one")
								b.known()
								if action == poct.Correct {
									b.store.Add(outletID, result(1, "2.5"), poct.Create)
									b.run(b.worker, time.Minute)
								}
								b.record.Plan(standin.Next(append(make([]standin.Fault, place), tt.fault)...))
								id := b.store.Add(outletID, result(1, "2.9", version(2)), action)
								begin := time.Now()
								b.step(b.worker)
								require.Equal(t, tt.rests, !b.worker.Health().Up)
								b.run(b.worker, 5*time.Minute)
								row := b.store.Row(id)
								other := b.store.Add(outletID, result(2, "3.3"), poct.Create)
								b.run(b.worker, time.Minute)
								require.Equal(t, poct.DeliveryDone, b.store.Row(other).State, "others go on")
								if tt.held != "" {
									require.Equal(t, poct.DeliveryHeld, row.State, row.LastError)
									require.Equal(t, tt.held, row.Hold.Code)
									return
								}
								require.Equal(t, poct.DeliveryDone, row.State, "%s %+v", row.LastError, row.Hold)
								require.GreaterOrEqual(t, row.Receipts[len(row.Receipts)-1].At.Sub(begin), tt.after)
								b.sound(6, 0)
								require.Contains(t, b.values(), map[poct.Action]string{poct.Create: "final 2.9", poct.Correct: "corrected 2.9"}[action])
								require.Len(t, b.record.All("Provenance"), map[poct.Action]int{poct.Create: 3, poct.Correct: 4}[action])
							})
						})
					}
				}
			}
		})
	}
}
