// Package kill pulls the process away under load, again and again.
package kill_test

import (
	"fmt"
	"math/rand/v2"
	"os"
	"strings"
	"sync"
	"testing"
	"time"

	"tidegate/standin"
	"tidegate/testkit/lab"
)

// TestKilledUnderLoad kills the daemon at random moments while meters send and
// the record system drops answers. Nothing that was acknowledged may be lost,
// nothing may be doubled.
func TestKilledUnderLoad(t *testing.T) {
	kills := 500
	if testing.Short() {
		kills = 25
	}
	if os.Getenv("TIDEGATE_LONG") != "" {
		kills = 5000
	}
	binary, err := lab.Build(t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	l := lab.New(t, binary)
	l.Record.Plan(standin.Random(1, 0.15,
		standin.Fault{Kind: standin.Drop, Apply: true}, standin.Fault{Kind: standin.Drop}, standin.Fault{Kind: standin.Reset},
		standin.Fault{Kind: standin.Status, Status: 503}, standin.Fault{Kind: standin.Status, Status: 500, Apply: true},
		standin.Fault{Kind: standin.EmptyAnswer, Apply: true}))
	rnd := rand.New(rand.NewPCG(4, 2))
	if err := l.Start(); err != nil {
		t.Fatal(err)
	}
	l.Controls()
	began := time.Now()
	for n := range kills {
		load(l, 4, func() { pause(time.Duration(5+rnd.IntN(120)) * time.Millisecond) }, l.Kill)
		if err := l.Start(); err != nil {
			t.Fatalf("after kill %d: %v", n+1, err)
		}
		if (n+1)%50 == 0 {
			fmt.Printf("%d kills, %d promises, %.0f s\n", n+1, l.Promises(), time.Since(began).Seconds())
		}
	}
	l.Record.Plan(nil)
	l.Invariants()
	if l.Promises() < kills {
		t.Errorf("only %d messages were acknowledged in %d rounds: the load was too small to prove anything", l.Promises(), kills)
	}
	t.Logf("%d kills, %d acknowledged messages", kills, l.Promises())
}

// pause lets the load run; how long is the dice's choice, not a synchronisation.
func pause(d time.Duration) { <-time.After(d) }

// load sends from several meters at once until the daemon is pulled away. A
// message without an answer is sent again in the next round, as meters do.
func load(l *lab.Lab, senders int, until, kill func()) {
	var wg sync.WaitGroup
	for range senders {
		wg.Go(func() {
			c, err := lab.Dial(l.MLLP)
			if err != nil {
				return
			}
			defer c.Close()
			for {
				id, raw := l.Next()
				answer, err := c.Say(raw)
				if err != nil {
					l.Unanswered(id, raw)
					return
				}
				if strings.Contains(answer, "MSA|AA|") {
					l.Promise(id, raw)
				} else {
					l.Unanswered(id, raw)
				}
			}
		})
	}
	until()
	kill()
	wg.Wait()
}
