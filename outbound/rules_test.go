package outbound

import (
	"bytes"
	"fmt"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidegate/mapping"
	"tidegate/poct"
	"tidegate/standin"
	"tidegate/wire/fhir"
)

// The rules of delivery, each as the schedule that breaks a sender without it.

// Rule 1, order: a version is claimed once the one before it is final, a new
// filing once the old one is withdrawn.
func TestRuleB1Order(t *testing.T) {
	eachWay(t, func(t *testing.T, b *bench) {
		b.known()
		b.record.Plan(standin.Next(standin.Fault{Kind: standin.Drop, Apply: true}))
		b.store.Add(outletID, result(1, "2.5"), poct.Create)
		b.store.Add(outletID, result(1, "2.5", version(2)), poct.Withdraw)
		b.store.Add(outletID, result(1, "2.5", version(3), toBo), poct.Create)
		d := b.step(b.worker)
		require.Equal(t, poct.Create, d.Action)
		claimed, err := b.store.ClaimDeliveries(t.Context(), outletID, "two", 8, time.Minute)
		require.NoError(t, err)
		require.Empty(t, claimed, "nothing overtakes an unknown outcome")
		b.run(b.worker, time.Minute)
		require.ElementsMatch(t, []string{"final 1.9", "entered-in-error 2.5", "final 2.5"}, b.values())
		b.sound(6, 2)
	})
}

// toBo files a result anew on another patient.
func toBo(r *poct.Result) {
	r.Filing++
	r.Patient = poct.Patient{Authority: "MILLRACE", ID: "1010", Family: "Other", BirthDate: "1960-02-02"}
}

// Rule 2, fence: a worker that was paused after its answer came cannot replace
// the newer version's tag, so the withdrawal still names the right one.
func TestRuleB2Fence(t *testing.T) {
	eachWay(t, func(t *testing.T, b *bench) {
		b.known()
		b.store.Add(outletID, result(1, "2.5"), poct.Create)
		second := b.store.Add(outletID, result(1, "2.9", version(2)), poct.Correct)
		d := b.claim(b.worker)
		a, intent := b.worker.attempt(t.Context(), &d)
		require.Equal(t, Done, a.Class)
		time.Sleep(b.worker.lease + time.Second) // the lease runs out under it
		b.run(b.newWorker("two"), time.Minute)
		tag := b.store.Row(second).Remote["etag/observation/inr"]
		require.Equal(t, `W/"2"`, tag)
		b.worker.finish(t.Context(), d, a, intent)
		require.Equal(t, tag, b.store.Row(second).Remote["etag/observation/inr"])
		b.store.Add(outletID, result(1, "2.9", version(3)), poct.Withdraw)
		b.run(b.worker, time.Minute)
		require.ElementsMatch(t, []string{"final 1.9", "entered-in-error 2.9"}, b.values())
	})
}

// Rule 3, intent: it is committed before the first byte leaves, and what
// leaves is what was committed; if the commit fails nothing leaves.
func TestRuleB3Intent(t *testing.T) {
	eachWay(t, func(t *testing.T, b *bench) {
		b.known()
		id := b.store.Add(outletID, result(1, "2.5"), poct.Create)
		checked := false
		b.wire.late = func(*http.Request) bool {
			row := b.store.Row(id)
			require.True(t, row.Intent, "bytes leave without an intent")
			checked = true
			return false
		}
		fail := true
		b.store.Before = func(step string, _ poct.Delivery) error {
			if step == "intent" && fail {
				fail = false
				return errCommit
			}
			return nil
		}
		before := writes(b.record)
		b.step(b.worker)
		require.Equal(t, before, writes(b.record), "sent without a committed intent")
		b.run(b.worker, time.Minute)
		require.True(t, checked)
		if sent := b.record.AccessLog(); b.way.whole() {
			require.Equal(t, b.store.Row(id).Body, sent[len(sent)-1].Body)
		}
		b.sound(4, 0)
	})
}

func writes(r *standin.Record) (n int) {
	for _, a := range r.AccessLog() {
		if a.Method != http.MethodGet {
			n++
		}
	}
	return n
}

// Rule 4, unknown outcome: wait, look up, then decide. The index shows a
// resource only after five seconds.
func TestRuleB4UnknownOutcome(t *testing.T) {
	const lag = 5 * time.Second
	schedule := func(b *bench, wait time.Duration, takeover bool) {
		b.cfg.LookupWait = wait
		b.worker = b.newWorker("one")
		b.known()
		b.switches(func(s *standin.Switches) { s.IndexLag = lag })
		time.Sleep(2 * lag)
		b.record.Plan(standin.Next(standin.Fault{Kind: standin.Drop, Apply: true}))
		b.store.Add(outletID, result(1, "2.5"), poct.Create)
		if takeover { // the process dies with the answer on its way
			d := b.claim(b.worker)
			b.worker.attempt(b.t.Context(), &d)
			b.run(b.newWorker("two"), 5*time.Minute)
			return
		}
		b.run(b.worker, 5*time.Minute)
	}
	t.Run("waited out", func(t *testing.T) {
		eachWay(t, func(t *testing.T, b *bench) { schedule(b, lag, false); b.sound(4, 0) })
	})
	t.Run("by another process", func(t *testing.T) {
		eachWay(t, func(t *testing.T, b *bench) { schedule(b, lag, true); b.sound(4, 0) })
	})
	t.Run("control: without the wait there are two", func(t *testing.T) {
		for _, w := range ways {
			if w.whole() && !w.ours() {
				inWay(t, w, func(t *testing.T, b *bench) {
					schedule(b, time.Millisecond, false)
					require.NotEmpty(t, b.record.Scan().Twins)
				})
			}
		}
	})
	t.Run("each step of several loses its answer", func(t *testing.T) {
		eachWay(t, func(t *testing.T, b *bench) {
			b.known()
			for n := range 5 {
				faults := make([]standin.Fault, n+1)
				faults[n] = standin.Fault{Kind: standin.Drop, Apply: true}
				b.record.Plan(standin.Next(faults...))
				b.store.Add(outletID, result(1+n, "2.5"), poct.Create)
				b.run(b.worker, 5*time.Minute)
				faults[n].Apply = false
				b.record.Plan(standin.Next(faults...))
				b.store.Add(outletID, result(1+n, "2.9", version(2)), poct.Correct)
				b.run(b.worker, 5*time.Minute)
			}
			b.sound(12, 0)
			require.Len(t, b.record.All("Specimen"), 6)
			require.Len(t, b.record.All("DiagnosticReport"), 6)
			require.Len(t, b.record.All("Provenance"), 11, "one for each version")
		})
	})
}

// Rule 5, margin: nothing is sent with less lease left than a request may take.
func TestRuleB5Margin(t *testing.T) {
	eachWay(t, func(t *testing.T, b *bench) {
		b.known()
		id := b.store.Add(outletID, result(1, "2.5"), poct.Create)
		d := b.claim(b.worker)
		time.Sleep(b.worker.lease - b.worker.cfg.Timeout/2)
		before := writes(b.record)
		b.worker.deliver(t.Context(), d)
		require.Equal(t, before, writes(b.record))
		require.Equal(t, poct.DeliveryReady, b.store.Row(id).State)
		require.False(t, b.store.Row(id).Intent)
		b.run(b.worker, time.Minute)
		b.sound(4, 0)
	})
}

// Rule 6, If-Match always: a lingering update of version 2 does not land on
// version 3.
func TestRuleB6IfMatch(t *testing.T) {
	eachWay(t, func(t *testing.T, b *bench) {
		b.known()
		b.store.Add(outletID, result(1, "2.5"), poct.Create)
		b.run(b.worker, time.Minute)
		b.store.Add(outletID, result(1, "2.9", version(2)), poct.Correct)
		once := true
		b.wire.late = func(*http.Request) bool { late := once; once = false; return late }
		b.run(b.worker, time.Minute)
		b.store.Add(outletID, result(1, "3.0", version(3)), poct.Correct)
		b.run(b.worker, time.Minute)
		require.Len(t, b.wire.kept, 1)
		b.wire.arrive(t)
		require.ElementsMatch(t, []string{"final 1.9", "corrected 3.0"}, b.values())
		b.sound(4, 0)
	})
}

// Rule 7, after a conflict: ours is there, the version we named is still
// there, or it is held. Never read again and applied again.
func TestRuleB7Conflict(t *testing.T) {
	for _, s := range []struct {
		name     string
		stale409 bool
	}{{"412 as in R4", false}, {"409 as in STU3", true}} {
		t.Run(s.name+", somebody else's edit", func(t *testing.T) {
			eachWay(t, func(t *testing.T, b *bench) {
				b.switches(func(h *standin.Switches) { h.StaleIs409 = s.stale409 })
				b.known()
				first := b.store.Add(outletID, result(1, "2.5"), poct.Create)
				b.run(b.worker, time.Minute)
				ref := b.store.Row(first).Remote["observation/inr"]
				b.edit(ref, `"value":2.5`, `"value":2.4`)
				second := b.store.Add(outletID, result(1, "2.9", version(2)), poct.Correct)
				b.run(b.worker, time.Minute)
				row := b.store.Row(second)
				require.Equal(t, poct.DeliveryHeld, row.State)
				require.Equal(t, "record-overtaken", row.Hold.Code)
				require.ElementsMatch(t, []string{"final 1.9", "final 2.4"}, b.values())
			})
		})
		t.Run(s.name+", our own version is there", func(t *testing.T) {
			eachWay(t, func(t *testing.T, b *bench) {
				b.switches(func(h *standin.Switches) { h.StaleIs409 = s.stale409 })
				b.known()
				b.store.Add(outletID, result(1, "2.5"), poct.Create)
				b.run(b.worker, time.Minute)
				second := b.store.Add(outletID, result(1, "2.9", version(2)), poct.Correct)
				d := b.claim(b.worker)
				b.worker.attempt(t.Context(), &d) // lands; the worker dies with the answer
				b.store.Change(second, func(r *outletRow) { r.State, r.Intent, r.IntentAt = poct.DeliveryReady, false, time.Time{} })
				b.run(b.worker, time.Minute) // sends again without a look-up: conflict
				row := b.store.Row(second)
				require.Equal(t, poct.DeliveryDone, row.State)
				require.Equal(t, `W/"2"`, row.Remote["etag/observation/inr"])
				b.sound(4, 0)
			})
		})
	}
	t.Run("the version we named is still current", func(t *testing.T) {
		eachWay(t, func(t *testing.T, b *bench) {
			b.known()
			b.store.Add(outletID, result(1, "2.5"), poct.Create)
			b.run(b.worker, time.Minute)
			b.record.Plan(standin.Next(standin.Fault{Kind: standin.Status, Status: 409}))
			b.store.Add(outletID, result(1, "2.9", version(2)), poct.Correct)
			b.run(b.worker, time.Minute)
			require.ElementsMatch(t, []string{"final 1.9", "corrected 2.9"}, b.values())
		})
	})
}

// edit changes a resource at the record system, as somebody there would.
func (b *bench) edit(ref, old, now string) {
	b.t.Helper()
	typ, id, _ := strings.Cut(ref, "/")
	for _, s := range b.record.All(typ) {
		if s.ID == id {
			body := bytes.Replace(s.Body, []byte(old), []byte(now), 1)
			require.NotEqual(b.t, s.Body, body)
			req := httptest.NewRequest(http.MethodPut, "/"+ref, bytes.NewReader(body))
			req.Header.Set("Content-Type", fhir.MediaType)
			w := httptest.NewRecorder()
			b.record.ServeHTTP(w, req)
			require.Equal(b.t, http.StatusOK, w.Code, w.Body)
			return
		}
	}
	b.t.Fatalf("no %s", ref)
}

// Rule 8: every match is read, and a filing that was withdrawn is not used
// again. A create under the old identifier meets the withdrawn copy with 200;
// taking that for delivered would leave nothing alive.
func TestRuleB8ReadEveryMatch(t *testing.T) {
	eachWay(t, func(t *testing.T, b *bench) {
		b.known()
		b.store.Add(outletID, result(1, "2.5"), poct.Create)
		b.store.Add(outletID, result(1, "2.5", version(2)), poct.Withdraw)
		b.run(b.worker, time.Minute)
		old := b.store.Add(outletID, result(1, "2.5", version(3)), poct.Create)
		b.run(b.worker, time.Minute)
		require.Equal(t, "record-differs", b.store.Row(old).Hold.Code)
		b.store.Change(old, func(r *outletRow) { r.State = poct.DeliveryCancelled })
		next := b.store.Add(outletID, result(1, "2.5", version(4), func(r *poct.Result) { r.Filing = 1 }), poct.Create)
		b.run(b.worker, time.Minute)
		require.Equal(t, poct.DeliveryDone, b.store.Row(next).State)
		require.ElementsMatch(t, []string{"final 1.9", "entered-in-error 2.5", "final 2.5"}, b.values())
	})
}

// Rule 9, extras: a twin that no search showed is found by a later look-up,
// and a withdrawal covers every match.
func TestRuleB9Extras(t *testing.T) {
	const lag = 5 * time.Second
	t.Run("the twin is noticed before the delivery is final", func(t *testing.T) {
		eachOtherWay(t, func(t *testing.T, b *bench) {
			b.known()
			b.switches(func(s *standin.Switches) { s.IndexLag = lag })
			time.Sleep(2 * lag)
			once := true
			b.wire.late = func(*http.Request) bool { late := once; once = false; return late }
			id := b.store.Add(outletID, result(1, "2.5"), poct.Create)
			b.step(b.worker)
			time.Sleep(linger)
			b.step(b.worker) // looked up, not there, sent again: taken
			require.Equal(t, poct.DeliveryReady, b.store.Row(id).State, "not final yet")
			b.wire.arrive(t) // and now the first one lands, unseen by the index
			time.Sleep(2 * lag)
			b.run(b.worker, time.Minute)
			require.Equal(t, "record-ambiguous", b.store.Row(id).Hold.Code)
		})
	})
	t.Run("a withdrawal covers the twin", func(t *testing.T) {
		eachOtherWay(t, func(t *testing.T, b *bench) {
			b.known()
			b.switches(func(s *standin.Switches) { s.IndexLag = lag })
			time.Sleep(2 * lag)
			id := b.store.Add(outletID, result(1, "2.5"), poct.Create)
			b.step(b.worker)
			b.again(id) // a lingering copy of the same request
			time.Sleep(2 * lag)
			b.store.Add(outletID, result(1, "2.5", version(2)), poct.Withdraw)
			b.run(b.worker, 2*time.Minute)
			require.ElementsMatch(t, []string{"final 1.9", "entered-in-error 2.5", "entered-in-error 2.5"}, b.values())
		})
	})
	t.Run("a twin that appears during the withdrawal holds it", func(t *testing.T) {
		eachOtherWay(t, func(t *testing.T, b *bench) {
			b.known()
			b.switches(func(s *standin.Switches) { s.IndexLag = lag })
			time.Sleep(2 * lag)
			id := b.store.Add(outletID, result(1, "2.5"), poct.Create)
			b.step(b.worker)
			b.again(id)
			w := b.store.Add(outletID, result(1, "2.5", version(2)), poct.Withdraw)
			b.step(b.worker)
			time.Sleep(2 * lag)
			b.run(b.worker, 2*time.Minute)
			require.Equal(t, "record-ambiguous", b.store.Row(w).Hold.Code)
		})
	})
}

// eachOtherWay runs a schedule where the record system gives the ids; with ids
// of ours there can be no twin.
func eachOtherWay(t *testing.T, run func(t *testing.T, b *bench)) {
	for _, w := range ways {
		if !w.ours() {
			t.Run(w.name, func(t *testing.T) { inWay(t, w, run) })
		}
	}
}

// again lets what a delivery sent reach the record system once more.
func (b *bench) again(id int64) {
	mine := fmt.Sprintf("tidegate-%d-", id)
	for _, k := range b.wire.seen {
		if strings.HasPrefix(k.req.Header.Get("X-Request-Id"), mine) {
			res, err := b.wire.serve(k.req.WithContext(b.t.Context()), k.body)
			require.NoError(b.t, err)
			require.Less(b.t, res.StatusCode, 300)
		}
	}
}

// eachHonoured runs a schedule in the ways whose creates cannot land twice.
func eachHonoured(t *testing.T, run func(t *testing.T, b *bench)) {
	for _, w := range ways {
		if w.ours() && !w.switches.IgnoreIfNoneMatch {
			t.Run(w.name, func(t *testing.T) { inWay(t, w, run) })
		}
	}
}

// Rule 10, ids of our own with If-None-Match: *: right without any wait or
// margin, however late a lost request lands and however the index lags.
func TestRuleB10OwnIDs(t *testing.T) {
	eachHonoured(t, func(t *testing.T, b *bench) {
		b.cfg.LookupWait = time.Millisecond
		b.worker = b.newWorker("one")
		b.known()
		b.switches(func(s *standin.Switches) { s.IndexLag = time.Hour })
		once := true
		b.wire.late = func(*http.Request) bool { late := once; once = false; return late }
		r := result(1, "2.5")
		id := b.store.Add(outletID, r, poct.Create)
		b.step(b.worker)
		time.Sleep(time.Second)
		b.step(b.worker) // looked up by id, not there, sent again
		row := b.store.Row(id)
		require.Equal(t, poct.DeliveryDone, row.State, row.LastError)
		require.Equal(t, "Observation/"+mapping.StableID(r, "inr").String(), row.Remote["observation/inr"])
		b.wire.arrive(t)
		b.store.Add(outletID, result(1, "2.9", version(2)), poct.Correct)
		b.run(b.worker, time.Minute)
		b.sound(4, 0)
		require.ElementsMatch(t, []string{"final 1.9", "corrected 2.9"}, b.values())
	})
}
