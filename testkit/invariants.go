package testkit

import (
	"context"
	"crypto/sha256"
	"encoding/json"
	"fmt"
	"net/http"
	"sort"
	"strings"
	"time"

	"github.com/stretchr/testify/require"

	"tidegate/app"
	"tidegate/poct"
)

// Rest waits until a running daemon has taken in what was acknowledged, by a
// queue before it too, and nothing is under way.
func (h *House) Rest(c *Child, acked []Message) poct.Account {
	h.Helper()
	distinct := map[string]bool{}
	for _, m := range acked {
		distinct[string(m.Raw)] = true
	}
	patience := time.NewTimer(2 * time.Minute)
	defer patience.Stop()
	look := time.NewTicker(5 * time.Millisecond)
	defer look.Stop()
	for {
		var a poct.Account
		status, body, err := h.Ask(c, "a.quist", http.MethodGet, "account", nil)
		if err == nil && status == http.StatusOK {
			require.NoError(h, json.Unmarshal(body, &a))
			if a.Arrivals >= int64(len(distinct)) && a.Waiting+a.Delivering == 0 {
				return a
			}
		}
		select {
		case <-look.C:
		case <-c.Done():
			h.Fatalf("the daemon ended while it drained:\n%s", last(c.Log(), 4000))
		case <-patience.C:
			h.Fatalf("not at rest after two minutes, with %d messages acknowledged: %+v\n%s", len(distinct), a, last(c.Log(), 4000))
		}
	}
}

func last(text string, n int) string { return text[max(0, len(text)-n):] }

// Check ends a fault test. The daemon must have stopped. It looks at the
// senders' book, the database's rows, the record system and the ledger:
//
//	I1 what was acknowledged is stored, byte for byte
//	I2 the account adds up and is at rest
//	I3 the record system holds exactly what was sent, each once
//	I4 every body it was sent is one that was committed before
//	I5 versions of a result arrived in order
//	I6 the ledger verifies and grew from every checkpoint handed out
func (h *House) Check(acked []Message, heads [][]byte) {
	h.Helper()
	rows := h.rows()
	h.checkStored(rows, acked)
	h.checkAccount(rows)
	h.checkRecord(rows, acked)
	h.checkSent(rows)
	require.Empty(h, h.Record.Scan().Backwards, "I5: a version was replaced by an older one")
	h.CheckLedger(heads)
}

func (h *House) checkStored(r *rows, acked []Message) {
	h.Helper()
	var lost []int
	for _, m := range acked {
		if !r.arrivals[sha256.Sum256(m.Raw)] {
			lost = append(lost, m.Sequence)
		}
	}
	require.Empty(h, lost, "I1: acknowledged and not stored (by sequence)")
	require.Zero(h, r.damaged, "I1: stored bytes whose digest differs")
}

func (h *House) checkAccount(r *rows) {
	h.Helper()
	require.Equal(h, r.count, r.judged, "I2: every arrival has a decision")
	require.Zero(h, r.underWay, "I2: no delivery is left under way")
	local, err := app.OpenLocal(h.Config)
	require.NoError(h, err)
	defer func() { require.NoError(h, local.Close()) }()
	a, err := account(local.Handler())
	require.NoError(h, err)
	require.EqualValues(h, r.count, a.Arrivals, "I2: the account counts the rows")
	require.Zero(h, a.Lost, "I2")
	for _, e := range []poct.Ends{a.Ends, a.Readings} {
		require.Zero(h, e.Waiting+e.Delivering, "I2: at rest")
	}
	require.Equal(h, a.Arrivals, a.Delivered+a.Filed+a.Held+a.Duplicate+a.Ignored+a.Discarded, "I2: the account adds up: %+v", a)
}

// checkRecord compares the record system with what the senders' book says must
// stand there: two observations for each test, in the state told last.
func (h *House) checkRecord(r *rows, acked []Message) {
	h.Helper()
	scan := h.Record.Scan()
	require.Empty(h, scan.Twins, "I3: the same thing twice")
	want := map[string]string{}
	for _, m := range acked {
		if m.Sequence != 0 {
			want[fmt.Sprint(m.Sequence)] = map[string]string{"F": "final", "C": "corrected", "W": "entered-in-error"}[m.Status] + " " + m.Patient
		}
	}
	got := map[string][]string{}
	for _, s := range h.Record.All("Observation") {
		var o struct {
			Status  string
			Subject struct{ Reference string }
		}
		require.NoError(h, json.Unmarshal(s.Body, &o))
		seq := r.filed["Observation/"+s.ID]
		require.NotEmpty(h, seq, "I3: Observation/%s belongs to no result", s.ID)
		got[seq] = append(got[seq], o.Status+" "+o.Subject.Reference[strings.LastIndexByte(o.Subject.Reference, '/')+1:])
	}
	var wrong []string
	for seq, w := range want {
		g := got[seq]
		if len(g) == 0 && strings.HasPrefix(w, "entered-in-error") && r.cancelled[seq] {
			continue // withdrawn before anything of it had left
		}
		if len(g) != 2 || g[0] != w || g[1] != w {
			wrong = append(wrong, fmt.Sprintf("test %s: want twice %q, got %q; holds: %s", seq, w, g, r.holds[seq]))
		}
		delete(got, seq)
	}
	for seq, g := range got {
		wrong = append(wrong, fmt.Sprintf("test %s: nobody sent it, got %q", seq, g))
	}
	sort.Strings(wrong)
	require.Empty(h, wrong[:min(len(wrong), 10)], "I3: %d results stand wrong in the record system", len(wrong))
}

// shared are resources that stand for many results and are made before them;
// everything about a result travels in its committed bundle.
var shared = map[string]bool{"/Device": true, "/Organization": true, "/Substance": true, "/Practitioner": true, "/Location": true}

func (h *House) checkSent(r *rows) {
	h.Helper()
	var unknown []string
	for _, a := range h.Record.AccessLog() {
		if a.Method != http.MethodPost && a.Method != http.MethodPut || a.Status == 0 || shared[a.URL] {
			continue
		}
		if !r.bodies[sha256.Sum256(a.Body)] && !r.bodies[unpointed(a.Body)] {
			unknown = append(unknown, fmt.Sprintf("%s %s answered %d, %d bytes", a.Method, a.URL, a.Status, len(a.Body)))
		}
	}
	require.Empty(h, unknown, "I4: bodies were sent that no row holds")
}

// CheckLedger recomputes the ledger of the folder and that each head handed
// out is one it went through.
func (h *House) CheckLedger(heads [][]byte) {
	h.Helper()
	v, err := app.Verify(context.Background(), h.Config, nil)
	require.NoError(h, err)
	require.Empty(h, v.Faults, "I6")
	require.True(h, v.Verified, "I6")
	h.checkHeads(heads)
}
