//go:build failpoints

package machine

import (
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"

	"tidegate/app"
	"tidegate/testkit"
)

// TestRuleD3AnchorBeforeSignature: the daemon is killed right after a head was
// anchored, before anyone saw it signed, and right after it was signed; then
// the folder of before is put back. The anchor tells, so no second root of
// that size is ever signed.
func TestRuleD3AnchorBeforeSignature(t *testing.T) {
	for _, point := range []string{"seal.anchored", "seal.signed"} {
		t.Run(point, func(t *testing.T) {
			h, _ := begun(t, 2)
			old := filepath.Join(t.TempDir(), "copy")
			require.NoError(t, os.CopyFS(old, os.DirFS(h.Config.DataDir)))
			if child, err := testkit.Start(h.Setup.Config, "TIDEGATE_FAULT="+point+"=kill"); err == nil {
				<-child.Done() // it seals its own start within a second
				require.Equal(t, -1, child.Exit(), child.Log())
			}
			require.NoError(t, os.RemoveAll(h.Config.DataDir))
			require.NoError(t, os.CopyFS(h.Config.DataDir, os.DirFS(old)))
			_, err := app.New(h.Config, app.Options{})
			require.True(t, app.Refused(err), "%v", err)
		})
	}
}

// TestRuleD5AnyProcessSigns: the process that appended dies before it signs.
// The next one signs what it finds.
func TestRuleD5AnyProcessSigns(t *testing.T) {
	for _, point := range []string{"seal.read", "seal.appended"} {
		t.Run(point, func(t *testing.T) {
			h, load := begun(t, 2)
			if child, err := testkit.Start(h.Setup.Config, "TIDEGATE_FAULT="+point+"=kill"); err == nil {
				<-child.Done()
				require.Equal(t, -1, child.Exit(), child.Log())
			}
			child := h.Start()
			h.Rest(child, load.Acked())
			require.NoError(t, child.Stop())
			h.Check(load.Acked(), nil)
		})
	}
}
