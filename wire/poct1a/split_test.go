package poct1a_test

import (
	"bytes"
	"fmt"
	"os"
	"strings"
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

// Between documents only blanks stand; some devices put MLLP framing around
// each (HL7 Implementation Guide, appendix C.4.2, has the bytes).
func TestSplit(t *testing.T) {
	for _, tt := range []struct {
		name, stream string
		want         []string
		fault        poct1a.Kind
	}{
		{"nothing", "", nil, 0},
		{"blanks", " \r\n\t", nil, 0},
		{"back to back", "<a/><b></b>", []string{"<a/>", "<b></b>"}, 0},
		{"declarations repeated", `<?xml version="1.0"?><a/>` + "\n" + `<?xml version="1.0"?><b/>`, []string{`<?xml version="1.0"?><a/>`, `<?xml version="1.0"?><b/>`}, 0},
		{"a byte order mark", "\xef\xbb\xbf<a/>", []string{"<a/>"}, 0},
		{"MLLP framing", "\x0b<a/>\x1c\r\x0b<b/>\x1c\r", []string{"<a/>", "<b/>"}, 0},
		{"a frame cut off by the next", "\x0b<a><b>\x0b<c/>\x1c\r", []string{"<c/>"}, poct1a.FaultCut},
		{"signs within values", `<a b="></a>" c='"'>/></a>`, []string{`<a b="></a>" c='"'>/></a>`}, 0},
		{"comments and sections", "<!-- <x> --><a><!-- </a> --><![CDATA[</a>]]></a>", []string{"<!-- <x> --><a><!-- </a> --><![CDATA[</a>]]></a>"}, 0},
		{"instructions", "<?p <a> ?><a><?q </a> ?></a>", []string{"<?p <a> ?><a><?q </a> ?></a>"}, 0},
		{"nested alike", "<a><a/><a></a></a>", []string{"<a><a/><a></a></a>"}, 0},
		{"not finished", "<a/><b><c>", []string{"<a/>"}, 0},
		{"text outside", "<a/>x", []string{"<a/>"}, poct1a.FaultSyntax},
		{"an end tag alone", "</a>", nil, poct1a.FaultSyntax},
		{"a tag without a name", "<1>", nil, poct1a.FaultSyntax},
		{"a document type", `<!DOCTYPE a [<!ENTITY b "c">]><a/>`, nil, poct1a.FaultDoctype},
		{"a declaration within", `<a><!ENTITY b "c"></a>`, nil, poct1a.FaultDoctype},
		{"UTF-16", "\xff\xfe<\x00a\x00", nil, poct1a.FaultEncoding},
		{"UTF-16 without its mark", "<\x00a\x00/\x00>\x00", nil, poct1a.FaultEncoding},
		{"a control byte", "<a>\x01</a>", nil, poct1a.FaultSyntax},
	} {
		for _, piece := range []int{1, 3, len(tt.stream) + 1} {
			t.Run(fmt.Sprint(tt.name, " ", piece), func(t *testing.T) {
				docs, fault := split(t, []byte(tt.stream), piece)
				var got []string
				for _, d := range docs {
					got = append(got, string(d))
				}
				require.Equal(t, tt.want, got)
				require.Equal(t, tt.fault != 0, fault != nil)
				if fault != nil {
					require.Equal(t, tt.fault, fault.Kind, fault.Error())
				}
			})
		}
	}
}

func TestSplitLimits(t *testing.T) {
	next := func(limits poct1a.Limits, stream string) *poct1a.Fault {
		s := &poct1a.Splitter{Limits: limits}
		_, _ = s.Write([]byte(stream))
		_, _, fault := s.Next()
		return fault
	}
	require.Nil(t, next(poct1a.Limits{Size: 8}, "  <a>x</a>"))
	require.Equal(t, poct1a.FaultTooLarge, next(poct1a.Limits{Size: 7}, "<a>x</a>").Kind)
	require.Nil(t, next(poct1a.Limits{Depth: 2}, "<a><b/></a>"))
	require.Equal(t, poct1a.FaultTooDeep, next(poct1a.Limits{Depth: 2}, "<a><b><c></c></b></a>").Kind)
	require.Equal(t, poct1a.FaultTooDeep, next(poct1a.Limits{}, strings.Repeat("<a>", 1_000_000)).Kind, "long before its end")
	s := &poct1a.Splitter{}
	_, _ = s.Write([]byte("<a>"))
	_, ok, fault := s.Next()
	require.False(t, ok)
	require.Nil(t, fault)
	require.True(t, s.Open())
	require.Equal(t, "a>", string(s.Rest(2)))
	_, _ = s.Write([]byte("</a> \n"))
	_, ok, _ = s.Next()
	require.True(t, ok)
	require.False(t, s.Open())
}

// FuzzSplit: however a stream is cut into pieces, the documents are the same;
// each has one root; and together with blanks and framing they are the stream.
func FuzzSplit(f *testing.F) {
	for _, n := range []string{"hello", "patient", "control", "events"} {
		f.Add(sample(f, n), 3)
	}
	f.Add([]byte("\x0b<a/>\x1c\r\x0b<a b='>'><![CDATA[]]]]></a>\x1c\r"), 1)
	f.Add([]byte("<!-- a --><?b?><c><!----></c><d"), 2)
	f.Fuzz(func(t *testing.T, stream []byte, piece int) {
		whole, wholeFault := split(t, stream, max(1, len(stream)))
		parts, partFault := split(t, stream, 1+(piece&0xff))
		require.Equal(t, whole, parts)
		require.Equal(t, wholeFault == nil, partFault == nil)
		rest := stream
		for _, d := range whole {
			at := bytes.Index(rest, d)
			require.GreaterOrEqual(t, at, 0, "a document that is no piece of the stream")
			rest = rest[at+len(d):]
		}
	})
}
