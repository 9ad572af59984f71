package poct1a_test

import (
	"os"
	"testing"

	"github.com/stretchr/testify/require"

	"tidegate/wire/poct1a"
)

func sample(t testing.TB, name string) []byte {
	t.Helper()
	b, err := os.ReadFile("testdata/" + name + ".xml")
	require.NoError(t, err)
	return b
}

// split cuts a stream as a reader would that gets it in pieces.
func split(t testing.TB, stream []byte, piece int) (docs [][]byte, fault *poct1a.Fault) {
	t.Helper()
	s := &poct1a.Splitter{}
	for len(stream) > 0 {
		n := min(piece, len(stream))
		_, _ = s.Write(stream[:n])
		stream = stream[n:]
		for {
			doc, ok, f := s.Next()
			if f != nil {
				if f.Fatal() {
					return docs, f
				}
				fault = f
				continue
			}
			if !ok {
				break
			}
			docs = append(docs, doc)
		}
	}
	return docs, fault
}

// A stream cut anywhere gives the same documents.
func TestSplitAnywhere(t *testing.T) {
	var stream []byte
	var want []string
	for _, n := range []string{"hello", "patient", "control", "events"} {
		b := sample(t, n)
		stream = append(append(stream, b...), "\r\n"...)
		want = append(want, string(b[:len(b)-1])) // without the file's last line end
	}
	for _, piece := range []int{1, 2, 7, 64, len(stream)} {
		docs, fault := split(t, stream, piece)
		require.Nil(t, fault)
		require.Len(t, docs, len(want))
		for i := range docs {
			require.Equal(t, want[i], string(docs[i]))
			_, err := poct1a.Parse(docs[i], poct1a.Limits{})
			require.Nil(t, err)
		}
	}
}
