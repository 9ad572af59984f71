package store

import (
	"encoding/json"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"tidegate/ledger"
	"tidegate/poct"
)

// The encoder of encoding/json is the judge of our own.
func TestPayloadText(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		text := rapid.OneOf(rapid.Just(""), rapid.StringMatching(`[a-z0-9-]{1,20}`), rapid.String())
		p := &ledger.Payload{
			SHA256: text.Draw(r, "sha256"), Bytes: rapid.IntRange(0, 3).Draw(r, "bytes"), Inlet: text.Draw(r, "inlet"),
			Profile: text.Draw(r, "profile"), Readings: rapid.IntRange(0, 3).Draw(r, "readings"),
			Action: poct.Action(text.Draw(r, "action")), Status: rapid.IntRange(0, 600).Draw(r, "status"), Class: text.Draw(r, "class"),
		}
		if rapid.Bool().Draw(r, "more") {
			p.More = more(map[string]string{"of": text.Draw(r, "of")})
		}
		if rapid.IntRange(0, 4).Draw(r, "rare") == 0 {
			p.Reason, p.Fields = text.Draw(r, "reason"), []string{"patient"}
		}
		want, err := json.Marshal(p)
		require.NoError(t, err)
		got, err := payloadText(p)
		require.NoError(t, err)
		if string(got) != string(want) {
			r.Fatalf("got %s, want %s", got, want)
		}
	})
}

func TestSeqOf(t *testing.T) {
	tx := &tx{Store: &Store{}}
	for _, ns := range []int64{0, 1, 999_999, 1_000_000, 1_780_000_000_123_456_789} {
		tx.lastSeq = 0
		tx.at = fromMicros(ns / 1000)
		seq := tx.nextSeq()
		id := tx.newID(seq)
		assert.Equal(t, seq, seqOf(id), id)
		assert.Equal(t, byte('7'), id[14], "version, RFC 9562 section 5.7")
		assert.Contains(t, "89ab", string(id[19]), "variant, RFC 9562 section 4.1")
	}
	first := tx.nextSeq()
	assert.Equal(t, first+1, tx.nextSeq(), "it rises while the clock stands")
	for _, id := range []string{"", "x", "019c-0000", "019cad8f-ac00-4002-8bb8-6ac26b482496", "{019cad8f-ac00-7002-8bb8-6ac26b482496}"} {
		assert.Zero(t, seqOf(id), id)
	}
}
