package app_test

import (
	"bytes"
	"io"
	"net/http"
	"net/url"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// page opens a page as a person, or sends it a form.
func (h *house) page(who, method, path string, form url.Values) (int, string) {
	h.t.Helper()
	req, err := http.NewRequestWithContext(h.t.Context(), method, h.app.URL()+path, strings.NewReader(form.Encode()))
	require.NoError(h.t, err)
	req.Header.Set("Authorization", "Bearer "+h.setup.Tokens[who])
	req.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	res, err := http.DefaultClient.Do(req)
	require.NoError(h.t, err)
	defer res.Body.Close()
	b, err := io.ReadAll(res.Body)
	require.NoError(h.t, err)
	return res.StatusCode, string(b)
}

// The rooms of the house over a running daemon: its wiring, a message that is
// tried and leaves nothing behind, its registry and its ledger.
func TestRoomsOfARunningDaemon(t *testing.T) {
	h := newHouse(t)
	who := ""
	for name := range h.setup.Tokens {
		if status, _ := h.page(name, "GET", "wiring/try", nil); status == http.StatusOK {
			who = name
		}
	}
	require.NotEmpty(t, who, "somebody may try messages")
	m := h.test(0, "2.5", "30.1")
	require.Contains(t, h.send(m.bytes()), "MSA|AA|")
	before := h.rest()

	tried := h.test(1, "2.6", "31.2")
	raw := bytes.ReplaceAll(tried.bytes(), []byte("{sent}"), []byte(stamp(tried.at)))
	status, body := h.page(who, "POST", "wiring/try", url.Values{"inlet": {"bench"}, "message": {strings.ReplaceAll(string(raw), "\r", "\r\n")}})
	require.Equal(t, http.StatusOK, status)
	for _, want := range []string{"INR 2.6", "What would be sent", "Nothing is kept or sent", "Q3-0118"} {
		assert.Contains(t, body, want)
	}
	for _, private := range []string{tried.who.Value, tried.who.Family, tried.who.BirthDate, strings.ReplaceAll(tried.who.BirthDate, "-", "")} {
		assert.NotContains(t, body, private, "what tells of the patient is masked")
	}
	assert.Equal(t, before, h.rest(), "a trial leaves nothing behind")

	for path, wants := range map[string][]string{
		"wiring":              {"bench", "listens"},
		"wiring/inlets/bench": {"Newest arrivals", "delivered"},
		"registry/meters":     {"Q3-0118", "Believed since"},
		"ledger":              {"Signed head"},
	} {
		status, body := h.page(who, "GET", path, nil)
		assert.Equal(t, http.StatusOK, status, path)
		for _, want := range wants {
			assert.Contains(t, body, want, path)
		}
	}
	for _, id := range h.cfg.Inlets[0].Profiles {
		status, body := h.page(who, "GET", "wiring/profiles/"+id, nil)
		assert.Equal(t, http.StatusOK, status, id)
		for _, private := range []string{m.who.Value, m.who.Family} {
			assert.NotContains(t, body, private)
		}
	}
}
