package app_test

import (
	"bytes"
	"context"
	"encoding/json"
	"net"
	"net/http"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidegate/app"
	"tidegate/poct"
	"tidegate/probe"
	"tidegate/store"
)

// A probe beside the running daemon: its results reach the record system alone,
// and the ledger tells who had it run, told through the command socket.
func TestProbeBesideTheDaemon(t *testing.T) {
	h := newHouse(t)
	who := h.people[11] // in this test they are nobody
	before := h.rest()
	r, err := app.Probe(t.Context(), h.cfg, "record", poct.Patient{Authority: "MILLRACE", ID: who.Value, BirthDate: who.BirthDate}, probe.Settings{})
	require.NoError(t, err)
	assert.True(t, r.Good, r.Text())
	assert.Equal(t, before, h.rest())

	tell := func(body any) int {
		b, err := json.Marshal(body)
		require.NoError(t, err)
		c := http.Client{Transport: &http.Transport{DialContext: func(ctx context.Context, _, _ string) (net.Conn, error) {
			return new(net.Dialer).DialContext(ctx, "unix", filepath.Join(h.cfg.DataDir, app.SocketName))
		}}}
		defer c.CloseIdleConnections()
		res, err := c.Post("http://tidegate"+app.ProbesPath, "application/json", bytes.NewReader(b))
		require.NoError(t, err)
		require.NoError(t, res.Body.Close())
		return res.StatusCode
	}
	assert.Equal(t, http.StatusBadRequest, tell(app.Probed{Outlet: "record"}))
	assert.Equal(t, http.StatusBadRequest, tell(map[string]string{"patient": who.Value}))
	require.Equal(t, http.StatusNoContent, tell(app.Probed{Outlet: "record", Good: r.Good, SHA256: r.SHA256}))

	res, err := http.Post(strings.TrimSuffix(h.app.URL(), "/")+app.ProbesPath, "application/json", strings.NewReader("{}"))
	require.NoError(t, err)
	require.NoError(t, res.Body.Close())
	assert.GreaterOrEqual(t, res.StatusCode, 400, "the pages take none")

	ledger, err := store.OpenReadOnly(h.cfg.DataDir, store.Options{})
	require.NoError(t, err)
	defer func() { require.NoError(t, ledger.Close()) }()
	events, err := ledger.Events(t.Context(), 0, 1000)
	require.NoError(t, err)
	told := 0
	for _, e := range events {
		if e.Kind == poct.EventProbed {
			told++
			assert.Equal(t, "record", e.Outlet)
			assert.Contains(t, string(e.Payload), r.SHA256)
			assert.Contains(t, e.Actor, "at this machine")
			assert.NotContains(t, string(e.Payload), who.Value)
		}
	}
	assert.Equal(t, 1, told)
}
