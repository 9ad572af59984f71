package outbound

import (
	"fmt"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidegate/poct"
	"tidegate/standin"
)

func TestDeliversCorrectsAndWithdraws(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		b := newBench(t, standin.Switches{})
		b.store.Add(outletID, result(1, "2.5"), poct.Create)
		b.store.Add(outletID, result(1, "2.9", version(2)), poct.Correct)
		other := b.store.Add(outletID, result(2, "3.1"), poct.Create)
		b.run(b.worker, time.Minute)
		require.ElementsMatch(t, []string{"corrected 2.9", "final 3.1"}, b.values())
		b.sound(4, 0)
		b.store.Add(outletID, result(1, "2.9", version(3)), poct.Withdraw)
		b.run(b.worker, time.Minute)
		require.ElementsMatch(t, []string{"entered-in-error 2.9", "final 3.1"}, b.values())
		b.sound(4, 2)
		row := b.store.Row(other)
		require.Equal(t, "delivered", row.Receipts[len(row.Receipts)-1].Class)
		require.Contains(t, row.Remote["observation/inr"], "Observation/")
		require.NotEmpty(t, row.Remote["etag/observation/inr"])
	})
}

// One refused record is set aside; the others go on, also those of the same
// patient.
func TestPoisonBlocksNobody(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		b := newBench(t, standin.Switches{})
		poison := b.store.Add(outletID, result(1, "2.5", func(r *poct.Result) { r.Reading.Measurements[0].LOINC = "92891-1" }), poct.Create)
		after := b.store.Add(outletID, result(1, "2.6", version(2)), poct.Correct)
		b.store.Add(outletID, result(2, "2.7"), poct.Create)
		b.run(b.worker, 20*time.Second)
		row := b.store.Row(poison)
		require.Equal(t, poct.DeliveryHeld, row.State)
		require.Equal(t, "record-refused", row.Hold.Code)
		require.Contains(t, row.Hold.Text, "business-rule")
		require.Equal(t, poct.DeliveryReady, b.store.Row(after).State, "it waits for the version before it")
		require.ElementsMatch(t, []string{"final 2.7"}, b.values())
		require.True(t, b.worker.Health().Up)
	})
}

// A server error that comes back for one record alone does not close the
// destination to others.
func TestStubbornServerErrorOfOneRecord(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		b := newBench(t, standin.Switches{})
		b.known()
		b.record.Plan(func(_ int64, req *http.Request) standin.Fault {
			if standin.IsWrite(req) && strings.HasPrefix(req.Header.Get("X-Request-Id"), "tidegate-2-") {
				return standin.Fault{Kind: standin.Status, Status: 500}
			}
			return standin.Fault{}
		})
		stubborn := b.store.Add(outletID, result(1, "2.5"), poct.Create)
		for i := range 20 {
			b.store.Add(outletID, result(10+i, "2.7"), poct.Create)
		}
		b.run(b.worker, time.Minute)
		require.Equal(t, poct.DeliveryReady, b.store.Row(stubborn).State)
		require.Equal(t, 1, b.store.Open())
	})
}

func TestPatientIsFoundBeforeSending(t *testing.T) {
	who := func(id, family, birth string) func(*poct.Result) {
		return func(r *poct.Result) {
			r.Patient = poct.Patient{Authority: "MILLRACE", ID: id, Family: family, BirthDate: birth}
		}
	}
	tests := []struct {
		name   string
		who    func(*poct.Result)
		code   string // "" for delivered
		landed string // patient it was filed on
	}{
		{"one match", who("1002", "Testperson", "1950-01-01"), "", "Patient/p-1"},
		{"case of the name", who("1002", "TESTPERSON", "1950-01-01"), "", "Patient/p-1"},
		{"unknown", who("7777", "", ""), "record-patient-unknown", ""},
		{"two matches", who("2000", "", ""), "record-patient-ambiguous", ""},
		{"another birth date", who("1002", "Testperson", "1950-01-02"), "record-patient-differs", ""},
		{"another family name", who("1002", "Else", "1950-01-01"), "record-patient-differs", ""},
		{"no longer in use", who("3000", "", ""), "record-patient-inactive", ""},
		{"merged, twice over", who("4000", "Merged", "1940-04-04"), "", "Patient/m-3"},
		{"merged in a circle", who("5000", "", ""), "record-patient-ambiguous", ""},
		{"authority without a system", func(r *poct.Result) { r.Patient.Authority = "ELSEWHERE" }, "record-configuration", ""},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			inBubble(t, func(t *testing.T) {
				b := newBench(t, standin.Switches{})
				sys := systems["MILLRACE"]
				b.record.AddPatients(
					standin.Patient{ID: "t-1", System: sys, Value: "2000", Family: "Twin"}, standin.Patient{ID: "t-2", System: sys, Value: "2000", Family: "Twin"},
					standin.Patient{ID: "i-1", System: sys, Value: "3000", Family: "Old", Inactive: true},
					standin.Patient{ID: "m-1", System: sys, Value: "4000", Family: "Merged", ReplacedBy: "m-2", Inactive: true},
					standin.Patient{ID: "m-2", System: sys, Value: "4001", Family: "Merged", ReplacedBy: "m-3", Inactive: true},
					standin.Patient{ID: "m-3", System: sys, Value: "4002", Family: "Merged", BirthDate: "1940-04-04"},
					standin.Patient{ID: "c-1", System: sys, Value: "5000", Family: "Round", ReplacedBy: "c-2"},
					standin.Patient{ID: "c-2", System: sys, Value: "5001", Family: "Round", ReplacedBy: "c-1"},
				)
				id := b.store.Add(outletID, result(1, "2.5", tt.who), poct.Create)
				b.run(b.worker, time.Minute)
				row := b.store.Row(id)
				if tt.code != "" {
					require.Equal(t, poct.DeliveryHeld, row.State)
					require.Equal(t, tt.code, row.Hold.Code)
					require.NotEmpty(t, row.Hold.Remedy)
					require.Zero(t, writes(b.record))
					return
				}
				require.Equal(t, poct.DeliveryDone, row.State)
				stored, err := readResource(b.record.All("Observation")[0].Body)
				require.NoError(t, err)
				require.Equal(t, tt.landed, stored.Subject.Reference)
			})
		})
	}
}

// While the destination fails as a whole it is left alone: one probe a pause.
func TestBreakerLeavesAFailingDestinationAlone(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		b := newBench(t, standin.Switches{})
		b.known()
		for i := range 50 {
			b.store.Add(outletID, result(i, "2.5"), poct.Create)
		}
		b.record.Outage(&standin.Fault{Kind: standin.Status, Status: 503})
		before := b.record.Requests()
		b.run(b.worker, 5*time.Minute)
		h := b.worker.Health()
		require.False(t, h.Up)
		require.Equal(t, "transient, status 503", h.Reason)
		// Eight go out before the first answers; then one each ten seconds, and
		// now and then the question what the record system can do.
		require.Less(t, b.record.Requests()-before, int64(8+5*60/10+20))
		b.record.Outage(nil)
		b.run(b.worker, 10*time.Minute)
		require.Zero(t, b.store.Open())
		require.True(t, b.worker.Health().Up)
		b.sound(102, 0)
	})
}

// RFC 6585 section 4 and RFC 9110 10.2.3: nothing at all goes to the
// destination before the time that it named.
func TestThrottleIsForTheWholeDestination(t *testing.T) {
	for _, f := range []standin.Fault{
		{Kind: standin.Status, Status: 429, RetryAfter: "30"},
		{Kind: standin.Status, Status: 503, RetryAfter: "30"},
	} {
		inBubble(t, func(t *testing.T) {
			b := newBench(t, standin.Switches{})
			b.cfg.InFlight = 1
			b.worker = b.newWorker("one")
			b.known()
			b.record.Plan(standin.Next(f))
			for i := range 3 {
				b.store.Add(outletID, result(i, "2.5"), poct.Create)
			}
			start := time.Now()
			b.run(b.worker, 29*time.Second)
			asked := b.record.Requests()
			require.Equal(t, 3, b.store.Open())
			b.run(b.worker, 5*time.Minute)
			require.Greater(t, b.record.Requests(), asked)
			require.GreaterOrEqual(t, time.Since(start), 30*time.Second)
			b.sound(8, 0)
		})
	}
}

// A secret that is no longer taken is read from its file once more; if it is
// the same, the destination rests and nothing is lost.
func TestFreshTokenIsReadOnce(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		b := newBench(t, standin.Switches{})
		file := filepath.Join(t.TempDir(), "token")
		require.NoError(t, os.WriteFile(file, []byte("one\n"), 0o600))
		b.cfg.FHIR.Auth = Auth{Kind: "bearer", TokenFile: file}
		b.record.SetToken("one")
		b.worker = b.newWorker("one")
		b.known()
		b.record.SetToken("two")
		id := b.store.Add(outletID, result(1, "2.5"), poct.Create)
		before := b.record.Requests()
		b.run(b.worker, 15*time.Second)
		require.LessOrEqual(t, b.record.Requests()-before, int64(4), "hammering with a dead token")
		require.False(t, b.worker.Health().Up)
		require.NoError(t, os.WriteFile(file, []byte("two\n"), 0o600))
		b.run(b.worker, 5*time.Minute)
		require.Equal(t, poct.DeliveryDone, b.store.Row(id).State)
		b.sound(4, 0)
	})
}

func TestForbiddenRestsTheDestination(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		b := newBench(t, standin.Switches{})
		b.known()
		b.record.Outage(&standin.Fault{Kind: standin.Status, Status: 403})
		b.store.Add(outletID, result(1, "2.5"), poct.Create)
		b.run(b.worker, time.Minute)
		require.False(t, b.worker.Health().Up)
		require.Equal(t, 1, b.store.Open(), "nothing is lost or held by it")
		b.record.Outage(nil)
		b.run(b.worker, 5*time.Minute)
		b.sound(4, 0)
	})
}

func TestSecretsOthersCanReadAreRefused(t *testing.T) {
	file := filepath.Join(t.TempDir(), "token")
	require.NoError(t, os.WriteFile(file, []byte("word"), 0o644))
	_, err := newSignIn(Auth{Kind: "bearer", TokenFile: file})
	require.ErrorContains(t, err, "chmod 600")
	require.NotContains(t, err.Error(), "word")
}

// An earlier delivery of the filing ended unknown and was set aside; the one
// that takes its place looks first.
func TestUnsureLooksFirst(t *testing.T) {
	for _, tt := range []struct {
		name   string
		landed bool
		inr    string
		want   string
	}{
		{"it had not landed", false, "2.5", "final 2.5"},
		{"it had landed and says the same", true, "2.5", "final 2.5"},
		{"it had landed and says something else", true, "2.9", "corrected 2.9"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			inBubble(t, func(t *testing.T) {
				b := newBench(t, standin.Switches{})
				b.known()
				first := b.store.Add(outletID, result(1, "2.5"), poct.Create)
				if tt.landed {
					d := b.claim(b.worker)
					b.worker.attempt(t.Context(), &d)
				}
				b.store.Change(first, func(r *outletRow) { r.State = poct.DeliveryCancelled })
				second := b.store.Add(outletID, result(1, tt.inr, version(2)), poct.Create)
				b.store.Change(second, func(r *outletRow) { r.Unsure = true })
				b.run(b.worker, time.Minute)
				require.Equal(t, poct.DeliveryDone, b.store.Row(second).State)
				require.ElementsMatch(t, []string{"final 1.9", tt.want}, b.values())
				b.sound(4, 0)
			})
		})
	}
}

// Nothing that is a patient's ends up in what is kept for everybody to read.
func TestReceiptsKnowNoPatient(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		b := newBench(t, standin.Switches{})
		b.record.Plan(standin.Random(3, 0.3, standin.Fault{Kind: standin.Status, Status: 422}, standin.Fault{Kind: standin.Drop, Apply: true}))
		for i := range 20 {
			b.store.Add(outletID, result(i, "2.5"), poct.Create)
		}
		b.run(b.worker, 10*time.Minute)
		for id := int64(1); id <= 20; id++ {
			row := b.store.Row(id)
			said := row.LastError + fmt.Sprint(row.Hold)
			for _, r := range row.Receipts {
				said += r.Answer + r.Class + r.Request
			}
			for _, secret := range []string{ada.Family, ada.Given, ada.BirthDate, "1002"} {
				require.NotContains(t, said, secret)
			}
		}
	})
}
