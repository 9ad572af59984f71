package standin

import (
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// Who is on duty is told with a token alone, and counts what comes twice once.
func TestDutyCountsEachIDOnce(t *testing.T) {
	d := NewDuty("word")
	for _, c := range []struct {
		name, token, body string
		status            int
	}{
		{"no token", "", `{"id":"1","kind":"critical"}`, http.StatusUnauthorized},
		{"another token", "Bearer sword", `{"id":"1","kind":"critical"}`, http.StatusUnauthorized},
		{"taken", "Bearer word", `{"id":"1","kind":"critical","site":"millrace","hold":"","code":"critical","step":0,"at":"2026-06-10T10:00:00Z"}`, http.StatusNoContent},
		{"the same once more", "Bearer word", `{"id":"1","kind":"critical"}`, http.StatusNoContent},
		{"another", "Bearer word", `{"id":"2","kind":"look-back"}`, http.StatusNoContent},
		{"no id", "Bearer word", `{"kind":"critical"}`, http.StatusBadRequest},
		{"no JSON", "Bearer word", `critical`, http.StatusBadRequest},
		{"endless", "Bearer word", `{"id":"3","kind":"` + strings.Repeat("x", 1<<17) + `"}`, http.StatusBadRequest},
	} {
		t.Run(c.name, func(t *testing.T) {
			r := httptest.NewRequest(http.MethodPost, "/duty", strings.NewReader(c.body))
			r.Header.Set("Authorization", c.token)
			w := httptest.NewRecorder()
			d.ServeHTTP(w, r)
			require.Equal(t, c.status, w.Code)
		})
	}
	require.Equal(t, map[string]int{"critical": 1, "look-back": 1}, d.Told())
}
