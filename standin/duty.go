package standin

import (
	"crypto/subtle"
	"encoding/json"
	"maps"
	"net/http"
	"sync"
)

// Duty stands in for a system that pages whoever is on duty: it takes
// notifications by POST and counts them by kind, each id once. It is safe for
// concurrent use.
type Duty struct {
	token string

	mu   sync.Mutex
	seen map[string]bool
	told map[string]int
}

// NewDuty takes notifications that bring this bearer token.
func NewDuty(token string) *Duty {
	return &Duty{token: token, seen: map[string]bool{}, told: map[string]int{}}
}

// Told counts the notifications by kind.
func (d *Duty) Told() map[string]int {
	d.mu.Lock()
	defer d.mu.Unlock()
	return maps.Clone(d.told)
}

// ServeHTTP takes one notification; the same one may come twice.
func (d *Duty) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	if subtle.ConstantTimeCompare([]byte(r.Header.Get("Authorization")), []byte("Bearer "+d.token)) != 1 {
		w.WriteHeader(http.StatusUnauthorized)
		return
	}
	var n struct{ ID, Kind string }
	if err := json.NewDecoder(http.MaxBytesReader(w, r.Body, 1<<16)).Decode(&n); err != nil || n.ID == "" || n.Kind == "" {
		w.WriteHeader(http.StatusBadRequest)
		return
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	if !d.seen[n.ID] {
		d.seen[n.ID] = true
		d.told[n.Kind]++
	}
	w.WriteHeader(http.StatusNoContent)
}
