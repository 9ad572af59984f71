//go:build failpoints

package kill

import (
	"bytes"
	"context"
	"math/rand/v2"
	"net/http"
	"os"
	"testing"
	"time"

	"tidegate/standin"
	"tidegate/testkit"
)

func TestMain(m *testing.M) { testkit.Main(m) }

// trouble is what the record system does to a third of all requests.
var trouble = []standin.Fault{
	{Kind: standin.Drop, Apply: true},
	{Kind: standin.Drop},
	{Kind: standin.Reset},
	{Kind: standin.Status, Status: http.StatusServiceUnavailable},
	{Delay: 30 * time.Millisecond},
	{Kind: standin.EmptyAnswer, Apply: true},
}

// TestKilledAgainAndAgain: each cycle starts the daemon, lets it work for up to
// a fifth of a second, and kills it. In the short form the ways of writing that
// take several requests for a result get fewer kills.
func TestKilledAgainAndAgain(t *testing.T) {
	for _, w := range []struct {
		mode     string
		kills    int
		switches standin.Switches
	}{
		{"transaction", 500, standin.Switches{}},
		{"put", 80, standin.Switches{NoTransaction: true, NoConditionalCreate: true}},
		{"single", 80, standin.Switches{NoTransaction: true, NoClientIDs: true}},
	} {
		t.Run(w.mode, func(t *testing.T) {
			if os.Getenv("TIDEGATE_LONG") != "" {
				w.kills *= 40
			}
			killed(t, w.kills, w.mode, w.switches)
		})
	}
}

func killed(t *testing.T, kills int, mode string, switches standin.Switches) {
	h := testkit.NewHouse(t, testkit.Options{Edit: func(text []byte) []byte {
		return bytes.Replace(text, []byte("mode: transaction"), []byte("mode: "+mode), 1)
	}})
	h.Record.SetSwitches(switches)
	load := testkit.NewLoad(h)
	child := h.Start()
	load.Aim(child)
	load.SendControls()
	h.Rest(child, load.Acked())
	child.Kill()

	h.Record.Plan(standin.Random(1, 0.3, trouble...))
	ctx, stop := context.WithCancel(context.Background())
	load.Run(ctx, 4, 2)
	rnd := rand.New(rand.NewPCG(1, 2))
	var heads [][]byte
	for n := 1; n <= kills; n++ {
		child = h.Start()
		load.Aim(child)
		if n%10 == 0 {
			if head := h.Head(child); head != nil {
				heads = append(heads, head)
			}
		}
		end := time.NewTimer(time.Duration(2+rnd.IntN(120)) * time.Millisecond)
		select {
		case <-end.C:
		case <-child.Done():
			t.Fatalf("kill %d: the daemon ended by itself\n%s", n, child.Log())
		}
		child.Kill()
		if n%50 == 0 {
			t.Logf("%d of %d kills, %d tests begun, %d messages acknowledged", n, kills, load.Tests(), len(load.Acked()))
		}
	}
	stop()
	h.Record.Plan(nil)
	child = h.Start()
	load.Aim(child)
	load.Wait()
	account := h.Rest(child, load.Acked())
	if head := h.Head(child); head != nil {
		heads = append(heads, head)
	}
	if err := child.Stop(); err != nil {
		t.Fatal(err)
	}
	acked := load.Acked()
	h.Check(acked, heads)
	t.Logf("%d kills, %d acknowledged, %d results delivered, %d resends: 0 lost, 0 twice", kills, len(acked), account.Delivered, account.Resends)
}
