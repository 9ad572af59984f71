package ledger

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"golang.org/x/mod/sumdb/tlog"

	"tidegate/poct"
)

// leafVersion is the form of a leaf. A new form gets a new number, so that old
// leaves stay readable as what they are.
const leafVersion = 1

// SaltSize is the length in bytes of an event's salt. It is fixed because the
// digest is over salt and payload one after the other: with a free length a
// byte could move from one to the other unnoticed.
const SaltSize = 16

// leafTime is the form of an event's time: UTC, always six decimals, what
// every store can keep.
const leafTime = "2006-01-02T15:04:05.000000Z"

// maxLeaf bounds a leaf, far above any that we write.
const maxLeaf = 16 << 10

// Leaf is the canonical bytes of an event: JSON with all members always
// present, in the order and with the escapes of RFC 8785 (JSON
// Canonicalization Scheme), so that anybody can write it anew. Time is cut to
// the microsecond. The payload enters as Digest alone. Set Index before.
func Leaf(e poct.Event) []byte {
	b := make([]byte, 0, 384)
	b = appendMember(b, `{"actor":`, e.Actor)
	b = appendMember(b, `,"arrival":`, e.Arrival)
	b = appendMember(b, `,"hold":`, e.Hold)
	b = append(b, `,"index":`...)
	b = strconv.AppendInt(b, e.Index, 10)
	b = appendMember(b, `,"kind":`, string(e.Kind))
	b = appendMember(b, `,"outlet":`, e.Outlet)
	b = appendMember(b, `,"payload":`, Digest(e))
	b = appendMember(b, `,"result":`, e.Result)
	b = append(b, `,"time":"`...)
	b = e.Time.UTC().AppendFormat(b, leafTime)
	b = append(b, `","v":`...)
	b = strconv.AppendInt(b, leafVersion, 10)
	b = append(b, `,"version":`...)
	b = strconv.AppendInt(b, int64(e.Version), 10)
	return append(b, '}')
}

// LeafHash is the RFC 6962 hash of an event's leaf.
func LeafHash(e poct.Event) tlog.Hash { return HashLeaf(Leaf(e)) }

// HashLeaf is SHA-256(0x00 || leaf), RFC 6962 section 2.1.
func HashLeaf(leaf []byte) tlog.Hash { return tlog.RecordHash(leaf) }

// Digest is the hex SHA-256 of salt and payload, "" for an event without a
// payload. Where the payload was erased it is the digest that was kept.
func Digest(e poct.Event) string {
	if len(e.Payload) == 0 {
		return e.Digest
	}
	h := sha256.New()
	h.Write(e.Salt)
	h.Write(e.Payload)
	return hex.EncodeToString(h.Sum(nil))
}

// ParseLeaf reads a leaf back: an event with Digest in place of payload and
// salt. It takes only the exact bytes that Leaf writes, so an unknown or
// doubled key, another order, spaces or a time of another form are refused.
func ParseLeaf(leaf []byte) (poct.Event, error) {
	if len(leaf) > maxLeaf {
		return poct.Event{}, fmt.Errorf("leaf of %d bytes, more than %d", len(leaf), maxLeaf)
	}
	var w struct {
		Actor   string         `json:"actor"`
		Arrival string         `json:"arrival"`
		Hold    string         `json:"hold"`
		Index   int64          `json:"index"`
		Kind    poct.EventKind `json:"kind"`
		Outlet  string         `json:"outlet"`
		Payload string         `json:"payload"`
		Result  string         `json:"result"`
		Time    string         `json:"time"`
		V       int            `json:"v"`
		Version int            `json:"version"`
	}
	if err := json.Unmarshal(leaf, &w); err != nil {
		return poct.Event{}, fmt.Errorf("leaf is not readable: %w", err)
	}
	if w.V != leafVersion {
		return poct.Event{}, fmt.Errorf("leaf has form %d, this program reads form %d", w.V, leafVersion)
	}
	at, err := time.Parse(leafTime, w.Time)
	if err != nil {
		return poct.Event{}, fmt.Errorf("leaf's time is not of the form %s", leafTime)
	}
	if w.Index < 0 || !isDigest(w.Payload) && w.Payload != "" {
		return poct.Event{}, fmt.Errorf("leaf's index or payload digest is out of form")
	}
	e := poct.Event{
		Index: w.Index, Time: at, Kind: w.Kind, Actor: w.Actor, Arrival: w.Arrival, Result: w.Result,
		Version: w.Version, Hold: w.Hold, Outlet: w.Outlet, Digest: w.Payload,
	}
	if !bytes.Equal(Leaf(e), leaf) {
		return poct.Event{}, fmt.Errorf("leaf is not in canonical form")
	}
	return e, nil
}

func isDigest(s string) bool {
	return len(s) == 2*sha256.Size && strings.Trim(s, "0123456789abcdef") == ""
}

// appendMember appends a key, as given, and a JSON string.
func appendMember(b []byte, key, value string) []byte {
	return appendString(append(b, key...), value)
}

// appendString appends s as a JSON string with the escapes of RFC 8785
// section 3.2.2.2. Bytes that are not UTF-8 become U+FFFD.
func appendString(b []byte, s string) []byte {
	const digits = "0123456789abcdef"
	b = append(b, '"')
	for i := 0; i < len(s); {
		c := s[i]
		if c >= utf8.RuneSelf {
			r, n := utf8.DecodeRuneInString(s[i:])
			b = utf8.AppendRune(b, r)
			i += n
			continue
		}
		i++
		switch c {
		case '"', '\\':
			b = append(b, '\\', c)
		case '\b':
			b = append(b, '\\', 'b')
		case '\t':
			b = append(b, '\\', 't')
		case '\n':
			b = append(b, '\\', 'n')
		case '\f':
			b = append(b, '\\', 'f')
		case '\r':
			b = append(b, '\\', 'r')
		default:
			if c < 0x20 {
				b = append(b, '\\', 'u', '0', '0', digits[c>>4], digits[c&15])
			} else {
				b = append(b, c)
			}
		}
	}
	return append(b, '"')
}
