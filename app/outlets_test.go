package app_test

import (
	"bytes"
	"context"
	"encoding/json"
	"net"
	"os"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidegate/outbound"
	"tidegate/poct"
	"tidegate/wire/hl7"
)

// receiver is an HL7 v2 application on this machine that takes everything.
type receiver struct {
	ln net.Listener

	mu    sync.Mutex
	taken []*hl7.Message
}

func newReceiver(t *testing.T) *receiver {
	t.Helper()
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	r := &receiver{ln: ln}
	var serving sync.WaitGroup
	serving.Go(func() {
		for {
			c, err := ln.Accept()
			if err != nil {
				return
			}
			// The daemon may keep its line for longer than the test takes.
			context.AfterFunc(t.Context(), func() { _ = c.Close() })
			serving.Go(func() { r.serve(c) })
		}
	})
	t.Cleanup(func() { _ = ln.Close(); serving.Wait() })
	return r
}

func (r *receiver) serve(c net.Conn) {
	defer c.Close()
	frames := hl7.NewFrameReader(c, 1<<20)
	for {
		raw, err := frames.Next()
		if err != nil {
			return
		}
		m, err := hl7.Parse(raw)
		if err != nil {
			return
		}
		r.mu.Lock()
		r.taken = append(r.taken, m)
		r.mu.Unlock()
		header, _ := hl7.ReadHeader(raw)
		for _, answer := range hl7.Ack(header, hl7.Answer{Now: time.Now(), NewID: func() string { return "1" }}) {
			_ = hl7.WriteFrame(c, answer)
		}
	}
}

// says lists INR and status of what was taken.
func (r *receiver) says() (out []string) {
	r.mu.Lock()
	defer r.mu.Unlock()
	for _, m := range r.taken {
		out = append(out, m.Get("OBX-5").Text()+" "+m.Get("OBX-11").Text())
	}
	return out
}

// outlet is how an outlet does, as the API tells.
func (h *house) outlet(id string) poct.OutletState {
	h.t.Helper()
	status, b := h.ask("e.moss", "GET", "outlets", nil)
	require.Equal(h.t, 200, status, string(b))
	var all struct{ Outlets []poct.OutletState }
	require.NoError(h.t, json.Unmarshal(b, &all))
	for _, o := range all.Outlets {
		if o.ID == id {
			return o
		}
	}
	h.t.Fatalf("no outlet %s", id)
	return poct.OutletState{}
}

// Results go where their site's go, each outlet at its own pace; one that a
// person paused keeps what is released for it, in order and over a restart.
func TestSeveralOutlets(t *testing.T) {
	h := newHouse(t)
	h.end()
	lab, folder := newReceiver(t), filepath.Join(t.TempDir(), "released")
	h.cfg.Outlets = append(h.cfg.Outlets,
		outbound.Config{ID: "lab", Kind: "hl7v2", Sites: []string{"millrace"}, HL7v2: outbound.HL7v2{Address: lab.ln.Addr().String()}}.WithDefaults(),
		outbound.Config{ID: "copy", Kind: "folder", Sites: []string{"*"}, Folder: outbound.Folder{Path: folder}}.WithDefaults(),
		outbound.Config{ID: "elsewhere", Kind: "folder", Sites: []string{"saltmarsh"}, Folder: outbound.Folder{Path: folder + "-elsewhere"}}.WithDefaults(),
	)
	h.begin()
	why := map[string]string{"reason": "the share is being moved"}
	status, b := h.ask("r.ito", "POST", "outlets/copy/pause", why)
	require.Equal(t, 403, status, string(b))
	status, b = h.ask("c.hale", "POST", "outlets/copy/pause", map[string]string{"reason": "short"})
	require.Equal(t, 422, status, string(b))
	status, b = h.ask("c.hale", "POST", "outlets/copy/pause", why)
	require.Equal(t, 200, status, string(b))
	status, b = h.ask("c.hale", "POST", "outlets/copy/pause", why)
	require.Equal(t, 409, status, string(b))

	m := h.test(0, "2.4", "28.8")
	h.send(m.bytes())
	m.inr, m.pt, m.status = "2.6", "31.2", "C"
	h.send(m.bytes())
	require.Eventually(t, func() bool {
		a, err := h.app.Account(t.Context())
		return err == nil && a.Waiting == 0 && h.outlet("lab").Backlog == 0 && h.outlet("record").Backlog == 0
	}, 30*time.Second, 10*time.Millisecond)
	require.Contains(t, [][]string{{"2.4 F", "2.6 C"}, {"2.6 F"}, {"2.6 C"}}, lab.says(), "the second may have come before the first was sent, or while it was")
	o := h.outlet("copy")
	require.Equal(t, poct.OutletPaused, o.State)
	require.Equal(t, "c.hale", o.Pause.By)
	require.Contains(t, o.Why, "the share is being moved")
	require.Positive(t, o.Backlog)
	require.False(t, o.OldestDue.IsZero())

	h.end()
	h.begin()
	require.Equal(t, poct.OutletPaused, h.outlet("copy").State, "also after a restart")
	files, err := os.ReadDir(folder)
	require.NoError(t, err)
	require.Empty(t, files)

	status, b = h.ask("c.hale", "POST", "outlets/copy/resume", map[string]string{"reason": "moved, and it is there"})
	require.Equal(t, 200, status, string(b))
	require.Zero(t, h.rest().Delivering)
	require.Equal(t, poct.OutletOpen, h.outlet("copy").State)
	files, err = os.ReadDir(folder)
	require.NoError(t, err)
	require.NotEmpty(t, files)
	last, err := os.ReadFile(filepath.Join(folder, files[len(files)-1].Name()))
	require.NoError(t, err)
	require.True(t, bytes.Contains(last, []byte(`"value":2.6`)), "the newest version comes last by name")
	for _, f := range files {
		require.NotContains(t, f.Name(), m.who.Family)
		require.NotContains(t, f.Name(), m.who.Value)
	}
	files, err = os.ReadDir(folder + "-elsewhere")
	require.NoError(t, err)
	require.Empty(t, files, "another site's results")
}
