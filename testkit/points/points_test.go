//go:build failpoints

package points

import (
	"context"
	"fmt"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidegate/testkit"
)

func TestMain(m *testing.M) { testkit.Main(m) }

// TestKilledAtEachPoint: for each failpoint of the source the daemon is killed
// exactly there. A point that nothing passes fails its test.
func TestKilledAtEachPoint(t *testing.T) {
	names := inSource(t, "../..")
	require.GreaterOrEqual(t, len(names), 20, "failpoints went missing: %v", names)
	for _, name := range names {
		for _, at := range times(name) {
			t.Run(fmt.Sprintf("%s@%d", name, at), func(t *testing.T) { killedAt(t, name, at) })
		}
	}
}

// times a point is passed before the kill. The store's are passed in every
// commit, so later ones are in the middle of other work.
func times(name string) []int {
	list := []int{1}
	if strings.HasPrefix(name, "store.inserted") || strings.HasPrefix(name, "store.written") || strings.HasPrefix(name, "store.answered") {
		list = append(list, 7, 20)
	}
	if os.Getenv("TIDEGATE_LONG") != "" && !strings.HasPrefix(name, "folder.") && name != "store.settled" && name != "store.rejudged" {
		list = append(list, 2, 3, 5)
	}
	return list
}

func killedAt(t *testing.T, name string, at int) {
	h := testkit.NewHouse(t, testkit.Options{AllInlets: true})
	load := testkit.NewLoad(h)
	child := h.Start()
	load.Aim(child)
	load.SendControls()
	h.Rest(child, load.Acked())
	head := h.Head(child)
	child.Kill()

	ctx, stop := context.WithCancel(context.Background())
	defer stop()
	child, err := testkit.Start(h.Setup.Config, fmt.Sprintf("TIDEGATE_FAULT=%s=kill@%d", name, at))
	t.Cleanup(child.Kill)
	load.Run(ctx, 1, 1)
	load.RunOthers(ctx)
	load.RunProtocols(ctx)
	load.RunLate()
	if err == nil { // else it was killed before it listened
		load.Aim(child)
	}
	patience := time.NewTimer(30 * time.Second)
	defer patience.Stop()
	select {
	case <-child.Done():
	case <-patience.C:
		t.Fatalf("in 30 s of every kind of work the point was not passed %d times", at)
	}
	require.Equal(t, -1, child.Exit(), "killed, not ended by itself: %s", child.Log())

	child = h.Start()
	load.Aim(child)
	stop()
	load.Wait()
	h.Rest(child, load.Acked())
	var heads [][]byte
	for _, one := range [][]byte{head, h.Head(child)} {
		if one != nil { // none was signed yet
			heads = append(heads, one)
		}
	}
	require.NoError(t, child.Stop())
	h.Check(load.Acked(), heads)
}
