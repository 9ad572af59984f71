package outbound

import (
	"errors"
	"net"
	"os"
	"path/filepath"
	"strconv"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidegate/outbound/outlettest"
	"tidegate/poct"
)

func portOf(t *testing.T, address string) int {
	t.Helper()
	_, text, err := net.SplitHostPort(address)
	require.NoError(t, err)
	port, err := strconv.Atoi(text)
	require.NoError(t, err)
	return port
}

func newDrop(t *testing.T) (*drop, string) {
	t.Helper()
	dir := filepath.Join(t.TempDir(), "released")
	cfg := Config{ID: outletID, Kind: "folder", Sites: []string{"*"}, Folder: Folder{Path: dir}}.WithDefaults()
	to, err := cfg.Folder.open(cfg, (&far{t: t}).settings(outlettest.NewStore(time.Now), "one"))
	require.NoError(t, err)
	return to.(*drop), dir
}

func names(t *testing.T, dir string) (out []string) {
	t.Helper()
	all, err := os.ReadDir(dir)
	require.NoError(t, err)
	for _, e := range all {
		out = append(out, e.Name())
	}
	return out
}

// However often a delivery is written, it is one file, whole or not there;
// what a crash left half written is written over.
func TestOneFileForEachDelivery(t *testing.T) {
	to, dir := newDrop(t)
	d := prepared(t, to, 1)
	file := to.file(d)
	require.NoError(t, os.WriteFile(filepath.Join(dir, file+".tmp"), []byte("half"), 0o600))
	require.Equal(t, Absent, to.Find(t.Context(), d).Class)
	for range 2 {
		require.Equal(t, Done, to.Send(t.Context(), d).Class)
		require.Equal(t, []string{file}, names(t, dir))
	}
	require.Equal(t, Done, to.Find(t.Context(), d).Class)
	b, err := os.ReadFile(filepath.Join(dir, file))
	require.NoError(t, err)
	require.Equal(t, string(d.Body), string(b))
	info, err := os.Stat(filepath.Join(dir, file))
	require.NoError(t, err)
	require.Zero(t, info.Mode().Perm()&0o007, "not everybody's to read")

	require.NoError(t, os.WriteFile(filepath.Join(dir, file), []byte("cut off"), 0o600))
	require.Equal(t, Absent, to.Find(t.Context(), d).Class, "other bytes are not what was sent")
	require.NoError(t, os.Remove(filepath.Join(dir, file)))
	require.Equal(t, Absent, to.Find(t.Context(), d).Class, "taken away: written once more, under the same name")
}

// Names of the versions of one result stand in the order of the versions, and
// say nothing of whom it is about.
func TestFileNames(t *testing.T) {
	to, _ := newDrop(t)
	first := to.file(poct.Delivery{ID: 1, Outlet: outletID, Result: result(1, "2.1"), Action: poct.Create})
	second := to.file(poct.Delivery{ID: 2, Outlet: outletID, Result: result(1, "2.2", version(2)), Action: poct.Correct})
	require.Less(t, first, second)
	require.Regexp(t, `^20260304T090200\.000Z-[A-Z2-7]{20}\.json$`, first)
	other := result(1, "2.1")
	other.Patient = poct.Patient{Authority: "MILLRACE", ID: "2001", Family: "Else"}
	require.Equal(t, first, to.file(poct.Delivery{ID: 1, Outlet: outletID, Result: other, Action: poct.Create}))
}

func TestFolderThatCannotBeWrittenTo(t *testing.T) {
	to, dir := newDrop(t)
	d := prepared(t, to, 1)
	to.syncDir = func(string) error { return errors.New("the disk did not answer") }
	require.Equal(t, Unknown, to.Send(t.Context(), d).Class, "renamed, but nobody knows whether that lasts")
	require.NoError(t, os.RemoveAll(dir))
	a := to.Send(t.Context(), d)
	require.Equal(t, Transient, a.Class)
	require.Equal(t, "no such file or directory", a.Note, "without the path")
}
