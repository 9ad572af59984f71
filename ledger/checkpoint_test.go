package ledger_test

import (
	"crypto/rand"
	"fmt"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"golang.org/x/mod/sumdb/note"

	"tidegate/ledger"
)

const origin = "millrace.example/1"

func newKey(t testing.TB, name string) *ledger.Key {
	private, public, err := ledger.NewKey(name, rand.Reader)
	require.NoError(t, err)
	key, err := ledger.ParseKey(private + "\n")
	require.NoError(t, err)
	require.Equal(t, public, key.Public())
	return key
}

func verifiers(t testing.TB, keys ...*ledger.Key) []note.Verifier {
	var text strings.Builder
	for _, k := range keys {
		text.WriteString(k.Public() + "\n")
	}
	v, err := ledger.Keys(text.String())
	require.NoError(t, err)
	return v
}

func head(n int) ledger.Head {
	var tree ledger.Tree
	for i := range n {
		tree.Append(ledger.HashLeaf(fmt.Appendf(nil, "%d", i)))
	}
	return tree.Head()
}

func TestSignAndOpen(t *testing.T) {
	key := newKey(t, origin)
	want := ledger.Checkpoint{Origin: origin, Head: head(5)}
	signed, err := key.Sign(want)
	require.NoError(t, err)
	again, err := key.Sign(want)
	require.NoError(t, err)
	require.Equal(t, signed, again, "signing again gives the same bytes")

	got, by, err := ledger.Open(signed, verifiers(t, key)...)
	require.NoError(t, err)
	require.Equal(t, want, got)
	require.Equal(t, key.String(), by)
	require.NotContains(t, fmt.Sprintf("%v %+v %#v", key, key, key), "PRIVATE")

	_, _, err = ledger.Open(signed, verifiers(t, newKey(t, origin))...)
	require.EqualError(t, err, "none of the given keys has signed it")
	_, err = key.Sign(ledger.Checkpoint{Origin: "other.example/1"})
	require.Error(t, err)
	for i := range signed {
		changed := append([]byte{}, signed...)
		changed[i] ^= 0x04
		if got, _, err := ledger.Open(changed, verifiers(t, key)...); err == nil {
			// Base64's unused last bits may differ in a signature line that still verifies.
			require.Equal(t, want, got, "byte %d", i)
		}
	}
}

// A witness's line, of whatever algorithm, stands beside ours and is left
// aside; a signature of a key that bears another name does not count.
func TestMoreSignatureLines(t *testing.T) {
	key := newKey(t, origin)
	want := ledger.Checkpoint{Origin: origin, Head: head(3)}
	signed, err := key.Sign(want)
	require.NoError(t, err)
	witnessed := append([]byte{}, signed...)
	witnessed = append(witnessed, "— witness.example "+strings.Repeat("AAAA", 900)+"\n"...)
	got, _, err := ledger.Open(witnessed, verifiers(t, key)...)
	require.NoError(t, err)
	require.Equal(t, want, got)

	private, public, err := ledger.NewKey("stranger.example", rand.Reader)
	require.NoError(t, err)
	signer, err := note.NewSigner(private)
	require.NoError(t, err)
	forged, err := note.Sign(&note.Note{Text: want.Text()}, signer)
	require.NoError(t, err)
	v, err := ledger.Keys(public)
	require.NoError(t, err)
	_, _, err = ledger.Open(forged, v...)
	require.EqualError(t, err, `a head of "millrace.example/1" is signed by a key of "stranger.example"`)
}

// The example of golang.org/x/mod/sumdb/note (ExampleSign, ExampleOpen): the
// same key gives the same public text and the same signature.
func TestPublishedNoteExample(t *testing.T) {
	key, err := ledger.ParseKey("PRIVATE+KEY+PeterNeumann+c74f20a3+AYEKFALVFGyNhPJEMzD1QIDr+Y7hfZx09iUvxdXHKDFz")
	require.NoError(t, err)
	require.Equal(t, "PeterNeumann+c74f20a3+ARpc2QcUPDhMQegwxbzhKqiBfsVkmqq/LDE4izWy10TW", key.Public())
	signed := []byte("If you think cryptography is the answer to your problem,\n" +
		"then you don't know what your problem is.\n\n" +
		"— PeterNeumann x08go/ZJkuBS9UG/SffcvIAQxVBtiFupLLr8pAcElZInNIuGUgYN1FFYC2pZSNXgKvqfqdngotpRZb6KE6RyyBwJnAM=\n")
	_, err = note.Open(signed, note.VerifierList(verifiers(t, key)...))
	require.NoError(t, err)
	_, _, err = ledger.Open(signed, verifiers(t, key)...)
	require.EqualError(t, err, "a head has three lines: origin, size, root", "a good signature on another text")
}

// The body of the example in C2SP tlog-checkpoint.
func TestPublishedCheckpointBody(t *testing.T) {
	const body = "example.com/behind-the-sofa\n20852163\nCsUYapGGPo4dkMgIAUqom/Xajj7h2fB2MPA3j2jxq2I=\n"
	c, err := ledger.ParseText(body)
	require.NoError(t, err)
	require.Equal(t, "example.com/behind-the-sofa", c.Origin)
	require.Equal(t, int64(20852163), c.Size)
	require.Equal(t, body, c.Text())
}

func TestParseTextRefuses(t *testing.T) {
	const root = "CsUYapGGPo4dkMgIAUqom/Xajj7h2fB2MPA3j2jxq2I="
	for _, tt := range []struct{ name, text string }{
		{"empty", ""},
		{"no origin", "\n1\n" + root + "\n"},
		{"origin with space", "a b\n1\n" + root + "\n"},
		{"origin with plus", "a+b\n1\n" + root + "\n"},
		{"leading zero", "a\n01\n" + root + "\n"},
		{"sign", "a\n+1\n" + root + "\n"},
		{"negative", "a\n-1\n" + root + "\n"},
		{"too large", "a\n9223372036854775807\n" + root + "\n"},
		{"short root", "a\n1\nAAAA\n"},
		{"root not canonical", "a\n1\nCsUYapGGPo4dkMgIAUqom/Xajj7h2fB2MPA3j2jxq2J=\n"},
		{"extension line", "a\n1\n" + root + "\nmore\n"},
		{"no last newline", "a\n1\n" + root},
	} {
		t.Run(tt.name, func(t *testing.T) {
			_, err := ledger.ParseText(tt.text)
			require.Error(t, err)
		})
	}
}

func TestKeysRefuses(t *testing.T) {
	for _, text := range []string{"", "# none\n", "millrace.example/1+00000000+AAAA\n", strings.Repeat("x", 1<<16)} {
		_, err := ledger.Keys(text)
		require.Error(t, err)
	}
	_, err := ledger.ParseKey("PRIVATE+KEY+a+b")
	require.Error(t, err)
	_, _, err = ledger.NewKey("two words", rand.Reader)
	require.Error(t, err)
	key := newKey(t, origin)
	twice, err := ledger.Keys(key.Public() + "\n\n# the same\n" + key.Public() + "\n")
	require.NoError(t, err)
	require.Len(t, twice, 1)
}

func FuzzOpen(f *testing.F) {
	key := newKey(f, origin)
	signed, err := key.Sign(ledger.Checkpoint{Origin: origin, Head: head(3)})
	require.NoError(f, err)
	f.Add(signed)
	f.Add([]byte("a\n1\n\n— a AAAAAAA=\n"))
	f.Fuzz(func(t *testing.T, msg []byte) {
		c, _, err := ledger.Open(msg, verifiers(t, key)...)
		if err == nil && (c.Origin != origin || c.Head != head(3)) {
			t.Fatalf("a head that was never signed: %+v", c)
		}
		if c, err := ledger.ParseText(string(msg)); err == nil {
			require.Equal(t, string(msg), c.Text())
		}
	})
}
