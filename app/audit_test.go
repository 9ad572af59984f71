package app_test

import (
	"encoding/json"
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync/atomic"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// The audit repository hears of each resource that was filed, in the end also
// of what was filed while it was away, which held up nothing.
func TestAuditRepositoryIsTold(t *testing.T) {
	var away atomic.Bool
	away.Store(true)
	got, asked := make(chan string, 100), make(chan struct{}, 1)
	srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		body, err := io.ReadAll(r.Body)
		if err != nil || r.Method != http.MethodPost || r.URL.Path != "/fhir/AuditEvent" {
			w.WriteHeader(http.StatusBadRequest)
			return
		}
		if away.Load() {
			w.WriteHeader(http.StatusServiceUnavailable)
			select {
			case asked <- struct{}{}:
			default:
			}
			return
		}
		w.WriteHeader(http.StatusCreated)
		got <- string(body)
	}))
	t.Cleanup(srv.Close)
	h := newHouse(t)
	h.end()
	h.cfg.Outlets[0].FHIR.Audit.BaseURL = srv.URL + "/fhir"
	h.begin()

	m := h.test(9, "2.7", "32.4")
	h.send(m.bytes())
	h.rest() // delivered, whatever the audit repository does
	<-asked
	require.EqualValues(t, 3, h.metric("tidegate_audit_backlog", "outlet", "record"))

	away.Store(false)
	types := map[string]int{}
	for range 3 {
		body := <-got
		var e struct {
			Outcome string
			Entity  []struct {
				What struct{ Type, Reference string }
			}
		}
		require.NoError(t, json.Unmarshal([]byte(body), &e))
		assert.Equal(t, "0", e.Outcome)
		require.Len(t, e.Entity, 3)
		types[e.Entity[1].What.Type]++
		assert.True(t, strings.HasPrefix(e.Entity[0].What.Reference, h.cfg.Outlets[0].FHIR.BaseURL+"/Patient/"))
		for _, canary := range []string{m.who.Value, m.who.Family, m.who.Given, m.who.BirthDate} {
			assert.NotContains(t, body, canary)
		}
		assert.NotContains(t, body, `"2.7`)
		assert.NotContains(t, body, "valueQuantity")
	}
	assert.Equal(t, map[string]int{"Observation": 2, "DiagnosticReport": 1}, types)
}
