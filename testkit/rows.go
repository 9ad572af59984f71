package testkit

import (
	"bytes"
	"crypto/sha256"
	"database/sql"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"regexp"
	"strings"

	"github.com/klauspost/compress/zstd"
	"github.com/stretchr/testify/require"
	_ "modernc.org/sqlite" // the driver by which the rows are judged

	"tidegate/poct"
)

// rows are what a data folder holds, read by statements of our own.
type rows struct {
	arrivals map[[32]byte]bool // digests, of bytes that were digested here
	damaged  int               // arrivals whose bytes have another digest than their row says
	count    int               // arrivals
	judged   int               // arrivals with a reading
	underWay int               // deliveries neither delivered, held nor cancelled
	bodies   map[[32]byte]bool // digests of the bodies committed for sending
	filed    map[string]string // reference at the record system: the meter's sequence number
	holds    map[string]string // sequence number: causes of its holds
	// cancelled are the sequence numbers of which no delivery has an intent.
	cancelled map[string]bool
}

// Database opens the database of the data folder, whose daemon has stopped.
func (h *House) Database() *sql.DB {
	h.Helper()
	db, err := sql.Open("sqlite", "file:"+filepath.Join(h.Config.DataDir, "tidegate.db"))
	require.NoError(h, err)
	return db
}

// sequenceOf is the meter's number within the key of a test.
func sequenceOf(key string) string {
	parts := strings.Split(key, "|")
	if len(parts) != 3 {
		return ""
	}
	return parts[1]
}

func (h *House) rows() *rows {
	h.Helper()
	db := h.Database()
	defer func() { require.NoError(h, db.Close()) }()
	r := &rows{arrivals: map[[32]byte]bool{}, bodies: map[[32]byte]bool{}, filed: map[string]string{}, holds: map[string]string{}, cancelled: map[string]bool{}}
	h.each(db, `SELECT digest, raw, packed FROM arrivals`, func(scan func(...any) error) error {
		var digest, raw []byte
		var packed bool
		if err := scan(&digest, &raw, &packed); err != nil {
			return err
		}
		r.count++
		sum := [32]byte(digest)
		if !packed { // what the load sends is short, and never packed
			sum = sha256.Sum256(raw)
		}
		if sum != [32]byte(digest) {
			r.damaged++
		}
		r.arrivals[sum] = true
		return nil
	})
	unpack, err := zstd.NewReader(nil)
	require.NoError(h, err)
	defer unpack.Close()
	h.each(db, `SELECT sha256, body FROM deliveries WHERE sha256 IS NOT NULL`, func(scan func(...any) error) error {
		var digest, packed []byte
		if err := scan(&digest, &packed); err != nil {
			return err
		}
		body, err := unpack.DecodeAll(packed, nil)
		r.bodies[[32]byte(digest)] = true
		for _, step := range steps(body) {
			r.bodies[step] = true
		}
		return err
	})
	h.each(db, `SELECT ref, key FROM remote_ids JOIN results ON results.seq = remote_ids.result`, func(scan func(...any) error) error {
		var ref, key string
		err := scan(&ref, &key)
		r.filed[ref] = sequenceOf(key)
		return err
	})
	h.each(db, `SELECT key, group_concat(cause) FROM holds JOIN results ON results.seq = holds.result GROUP BY key`, func(scan func(...any) error) error {
		var key, causes string
		err := scan(&key, &causes)
		r.holds[sequenceOf(key)] = causes
		return err
	})
	h.each(db, `SELECT key FROM deliveries JOIN results ON results.seq = deliveries.result GROUP BY key HAVING max(intent) = 0`, func(scan func(...any) error) error {
		var key string
		err := scan(&key)
		r.cancelled[sequenceOf(key)] = true
		return err
	})
	require.NoError(h, db.QueryRow(`SELECT count(DISTINCT arrival) FROM readings`).Scan(&r.judged))
	require.NoError(h, db.QueryRow(`SELECT count(*) FROM deliveries WHERE state NOT IN ('delivered', 'held', 'cancelled')`).Scan(&r.underWay))
	return r
}

// steps are the digests of the resources of a committed bundle that are sent by
// themselves: all of one that goes one by one, and the provenance of any, since
// whether If-None-Match is honoured is asked by putting it once more.
func steps(body []byte) (out [][32]byte) {
	var b struct {
		Type  string
		Entry []struct{ Resource json.RawMessage }
	}
	if json.Unmarshal(body, &b) != nil {
		return nil
	}
	for _, e := range b.Entry {
		if b.Type == "batch" || bytes.HasPrefix(e.Resource, []byte(`{"resourceType":"Provenance"`)) {
			out = append(out, unpointed(e.Resource))
		}
	}
	return out
}

var pointer = regexp.MustCompile(`"reference":"[^"]*"`)

// unpointed is the digest of a resource whatever its references lead to: one
// that is sent by itself points to where the others went.
func unpointed(resource []byte) [32]byte {
	return sha256.Sum256(pointer.ReplaceAll(resource, []byte(`"reference":""`)))
}

func (h *House) each(db *sql.DB, query string, row func(scan func(...any) error) error) {
	h.Helper()
	list, err := db.Query(query)
	require.NoError(h, err)
	defer list.Close()
	for list.Next() {
		require.NoError(h, row(list.Scan))
	}
	require.NoError(h, list.Err())
}

// Ask calls a running daemon's API as a person.
func (h *House) Ask(c *Child, who, method, path string, body any) (int, []byte, error) {
	var r io.Reader
	if body != nil {
		b, err := json.Marshal(body)
		if err != nil {
			return 0, nil, err
		}
		r = bytes.NewReader(b)
	}
	req, err := http.NewRequest(method, c.Web+"api/v1/"+path, r)
	if err != nil {
		return 0, nil, err
	}
	req.Header.Set("Authorization", "Bearer "+h.Setup.Tokens[who])
	req.Header.Set("Content-Type", "application/json")
	res, err := (&http.Client{Timeout: answerWithin}).Do(req)
	if err != nil {
		return 0, nil, err
	}
	defer res.Body.Close()
	b, err := io.ReadAll(res.Body)
	return res.StatusCode, b, err
}

// Head is the checkpoint that a running daemon hands out now, nil if none.
func (h *House) Head(c *Child) []byte {
	status, body, err := h.Ask(c, "a.quist", http.MethodGet, "ledger/checkpoint", nil)
	if err != nil || status != http.StatusOK || len(body) == 0 {
		return nil
	}
	return body
}

// account asks the API of an opened data folder.
func account(api http.Handler) (a poct.Account, err error) {
	w := httptest.NewRecorder()
	api.ServeHTTP(w, httptest.NewRequest(http.MethodGet, "/api/v1/account", nil))
	if w.Code != http.StatusOK {
		return a, fmt.Errorf("account: %d %s", w.Code, w.Body)
	}
	return a, json.Unmarshal(w.Body.Bytes(), &a)
}
