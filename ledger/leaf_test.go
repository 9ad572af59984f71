package ledger_test

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"tidegate/ledger"
	"tidegate/poct"
)

var salt = []byte("0123456789abcdef")

func event() poct.Event {
	return poct.Event{
		Index: 41, Time: time.Date(2026, 3, 2, 8, 6, 31, 250_000_999, time.FixedZone("", 3600)),
		Kind: poct.EventReceived, Actor: poct.System, Arrival: "019c-1", Result: "R-7", Version: 2,
		Hold: "H-3", Outlet: "record", Payload: []byte(`{"sha256":"ab"}`), Salt: salt,
	}
}

func TestLeaf(t *testing.T) {
	e := event()
	sum := sha256.Sum256([]byte(`0123456789abcdef{"sha256":"ab"}`))
	want := `{"actor":"tidegate","arrival":"019c-1","hold":"H-3","index":41,"kind":"received",` +
		`"outlet":"record","payload":"` + hex.EncodeToString(sum[:]) + `","result":"R-7",` +
		`"time":"2026-03-02T07:06:31.250000Z","v":1,"version":2}`
	require.Equal(t, want, string(ledger.Leaf(e)))
	require.Equal(t, ledger.HashLeaf([]byte(want)), ledger.LeafHash(e))

	erased := e
	erased.Digest, erased.Payload, erased.Salt = ledger.Digest(e), nil, nil
	require.Equal(t, want, string(ledger.Leaf(erased)), "erasing payload and salt changes no leaf")

	got, err := ledger.ParseLeaf([]byte(want))
	require.NoError(t, err)
	erased.Time = erased.Time.UTC().Truncate(time.Microsecond)
	require.Equal(t, erased, got)
	require.NotContains(t, want, "sha256", "a payload never stands in a leaf")
}

// RFC 8785 section 3.2.2.2: the string of its worked example and how it is
// written.
func TestLeafStringsAreCanonicalJSON(t *testing.T) {
	e := event()
	e.Actor = "\u20ac$\u000F\u000aA'\u0042\u0022\u005c\\\"/"
	require.Contains(t, string(ledger.Leaf(e)), `{"actor":"€$\u000f\nA'B\"\\\\\"/",`)
	e.Actor = "</script>&\u2028\b\t\f\r\x00"
	require.Contains(t, string(ledger.Leaf(e)), "{\"actor\":\"</script>&\u2028\\b\\t\\f\\r\\u0000\",")
}

func TestParseLeafRefuses(t *testing.T) {
	good := string(ledger.Leaf(event()))
	for _, tt := range []struct{ name, old, new string }{
		{"unknown key", `"v":1`, `"v":1,"x":1`},
		{"doubled key", `"v":1`, `"v":1,"v":1`},
		{"other case", `"hold"`, `"Hold"`},
		{"missing key", `"hold":"H-3",`, ``},
		{"other order", `"index":41,"kind":"received"`, `"kind":"received","index":41`},
		{"space", `"v":1`, `"v": 1`},
		{"other form", `"v":1`, `"v":2`},
		{"spelled escape", `"H-3"`, `"H\u002d3"`},
		{"other time form", `.250000Z`, `.25Z`},
		{"zoned time", `250000Z`, `250000+00:00`},
		{"negative index", `"index":41`, `"index":-1`},
		{"float index", `"index":41`, `"index":41.0`},
		{"short digest", `"payload":"`, `"payload":"00`},
		{"null", `"hold":"H-3"`, `"hold":null`},
		{"trailing", `"version":2}`, `"version":2} `},
	} {
		t.Run(tt.name, func(t *testing.T) {
			changed := strings.Replace(good, tt.old, tt.new, 1)
			require.NotEqual(t, good, changed)
			_, err := ledger.ParseLeaf([]byte(changed))
			require.Error(t, err)
		})
	}
	_, err := ledger.ParseLeaf([]byte(strings.Repeat(" ", 1<<20)))
	require.ErrorContains(t, err, "more than 16384")
}

func TestLeafRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		text := rapid.StringN(0, 12, 40)
		e := poct.Event{
			Index: rapid.Int64Range(0, 1<<48).Draw(t, "index"), Kind: poct.EventKind(text.Draw(t, "kind")),
			Time:  time.UnixMicro(rapid.Int64Range(0, 4e15).Draw(t, "time")).UTC(),
			Actor: text.Draw(t, "actor"), Arrival: text.Draw(t, "arrival"), Result: text.Draw(t, "result"),
			Version: rapid.IntRange(0, 99).Draw(t, "version"), Hold: text.Draw(t, "hold"), Outlet: text.Draw(t, "outlet"),
		}
		leaf := ledger.Leaf(e)
		if !json.Valid(leaf) {
			t.Fatalf("not JSON: %q", leaf)
		}
		got, err := ledger.ParseLeaf(leaf)
		require.NoError(t, err)
		require.Equal(t, e, got)
	})
}

func FuzzParseLeaf(f *testing.F) {
	f.Add(ledger.Leaf(event()))
	f.Add(ledger.Leaf(poct.Event{}))
	f.Add([]byte(`{"actor":"\ud800"}`))
	f.Fuzz(func(t *testing.T, leaf []byte) {
		e, err := ledger.ParseLeaf(leaf)
		if err != nil {
			return
		}
		require.Equal(t, leaf, ledger.Leaf(e))
		require.True(t, utf8.Valid(leaf))
	})
}

func BenchmarkLeafHash(b *testing.B) {
	e := event()
	for b.Loop() {
		ledger.LeafHash(e)
	}
}
