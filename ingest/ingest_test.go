package ingest_test

import (
	"bytes"
	"context"
	"crypto/sha256"
	"errors"
	"strings"
	"testing"
	"testing/synctest"
	"time"
	"unsafe"

	"github.com/rs/zerolog"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidegate/ingest"
	"tidegate/ingest/sourcetest"
	"tidegate/poct"
)

func TestFormat(t *testing.T) {
	for _, tt := range []struct {
		raw, want string
	}{
		{"MSH|^~\\&|QUILL3", ingest.HL7v2},
		{"\xef\xbb\xbfMSH|^~\\&|", ingest.HL7v2},
		{"\r\n MSH|^~\\&|", ingest.HL7v2},
		{"FHS|^~\\&|", ingest.HL7v2},
		{"BHS|^~\\&|", ingest.HL7v2},
		{"MSH#^~\\&#", ingest.HL7v2},
		{"MSH", ingest.HL7v2},
		{"MSH;Serial;INR\n", ingest.CSV},
		{"MSH,Serial,INR\n", ingest.CSV},
		{"MSHIP;Serial\n", ingest.CSV},
		{"MSH_NO;Serial\n", ingest.CSV},
		{"Serial;INR\nR-1;2,4\n", ingest.CSV},
		{"\"MSH|\";INR\n", ingest.CSV},
		{"PID|1\r", ingest.CSV},
		{"", ingest.CSV},
		{"{\"inr\": 2.4}", ingest.JSON},
		{"\xef\xbb\xbf [1]", ingest.JSON},
		{"\xff\xfe{\x00", ingest.JSON},
		{"<?xml version=\"1.0\"?><export/>", ingest.XML},
		{"H|\\^&|||S5-0107\rL|1|N\r", ingest.LIS02},
		{"H!~$%", ingest.LIS02},
		{"H|\\^", ingest.CSV},
		{"H;\"a\";b\n", ingest.CSV},
		{"Hour;INR\n", ingest.CSV},
		{"\xfe\xff\x00<", ingest.XML},
		{"<?xml version=\"1.0\"?>\n<OBS.R01><HDR/></OBS.R01>", ingest.POCT1A},
		{"<OBS><R01/></OBS>", ingest.XML},
	} {
		assert.Equal(t, tt.want, ingest.Format([]byte(tt.raw)), "%q", tt.raw)
	}
}

const (
	lis1 = "H|\\^&|c1\rP|1\rL|1|N\r"
	lis2 = "H|\\^&|c2\rL|1|N\r"
)

// A LIS02 message without its end, among others: the others are whole.
func TestSplitBrokenRecords(t *testing.T) {
	parts, _ := ingest.Split(poct.Arrival{Raw: []byte("H|\\^&|c0\rP|1\r" + lis1 + "R|1\r")})
	require.Len(t, parts, 3)
	assert.Equal(t, []string{"c0", "c1", ""}, []string{parts[0].ControlID, parts[1].ControlID, parts[2].ControlID})
	assert.Contains(t, parts[0].Fault, "no L record")
	assert.Empty(t, parts[1].Fault)
	assert.Contains(t, parts[2].Fault, "no H record")
}

func TestSplit(t *testing.T) {
	one, two := sourcetest.Message(1), sourcetest.Message(2)
	for _, tt := range []struct {
		name      string
		in        poct.Arrival
		want      [][]byte
		positions []int
		controls  []string
		warn      string
	}{
		{name: "a message", in: poct.Arrival{Raw: one}, want: [][]byte{one}, positions: []int{0}, controls: []string{"suite-1"}},
		{name: "a batch", in: poct.Arrival{Raw: sourcetest.Batch(one, two)}, want: [][]byte{one, two}, positions: []int{1, 2}, controls: []string{"suite-1", "suite-2"}},
		{name: "a batch of one", in: poct.Arrival{Raw: sourcetest.Batch(one)}, want: [][]byte{one}, positions: []int{1}, controls: []string{"suite-1"}},
		{name: "messages without an envelope", in: poct.Arrival{Raw: append(bytes.Clone(one), two...)}, want: [][]byte{one, two}, positions: []int{1, 2}, controls: []string{"suite-1", "suite-2"}},
		{name: "a count that does not agree", in: poct.Arrival{Raw: bytes.Replace(sourcetest.Batch(one, two), []byte("BTS|2"), []byte("BTS|3"), 1)},
			want: [][]byte{one, two}, positions: []int{1, 2}, controls: []string{"suite-1", "suite-2"}, warn: "batch: "},
		{name: "an envelope of nothing", in: poct.Arrival{Raw: []byte("BHS|^~\\&\rBTS|0\r")}, want: [][]byte{[]byte("BHS|^~\\&\rBTS|0\r")}, positions: []int{0}, controls: []string{""}},
		{name: "a LIS02 message", in: poct.Arrival{Raw: []byte(lis1)}, want: [][]byte{[]byte(lis1)}, positions: []int{0}, controls: []string{"c1"}},
		{name: "LIS02 messages", in: poct.Arrival{Raw: []byte(lis1 + lis2)}, want: [][]byte{[]byte(lis1), []byte(lis2)}, positions: []int{1, 2}, controls: []string{"c1", "c2"}},
		{name: "a table", in: poct.Arrival{Raw: []byte("a;b\n1;2\n")}, want: [][]byte{[]byte("a;b\n1;2\n")}, positions: []int{0}, controls: []string{""}},
		{name: "a batch with a fault", in: poct.Arrival{Raw: sourcetest.Batch(one, two), Fault: "cut off"}, want: [][]byte{sourcetest.Batch(one, two)}, positions: []int{0}, controls: []string{""}},
		{name: "nothing", in: poct.Arrival{Fault: "empty"}, want: [][]byte{nil}, positions: []int{0}, controls: []string{""}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			parts, warn := ingest.Split(tt.in)
			require.Len(t, parts, len(tt.want))
			for n, p := range parts {
				assert.Equal(t, tt.want[n], p.Raw)
				assert.Equal(t, tt.positions[n], p.Position)
				assert.Equal(t, tt.controls[n], p.ControlID)
				assert.Equal(t, sha256.Sum256(tt.want[n]), p.Digest)
				assert.Equal(t, tt.in.Fault, p.Fault)
				if p.Position > 0 {
					assert.Equal(t, tt.in.Raw, p.Batch)
				} else {
					assert.Nil(t, p.Batch)
				}
			}
			assert.True(t, strings.HasPrefix(warn, tt.warn))
			assert.Equal(t, tt.warn == "", warn == "")
		})
	}
}

// Digest of the one-block message of FIPS 180-2, appendix B.1.
func TestDigest(t *testing.T) {
	parts, _ := ingest.Split(poct.Arrival{Raw: []byte("abc")})
	want := [4]byte{0xba, 0x78, 0x16, 0xbf}
	assert.Equal(t, want[:], parts[0].Digest[:4])
}

// A warning about the envelope is stored before the parts are, so that a crash
// between them does not lose it.
func TestPutTellsOfAnEnvelope(t *testing.T) {
	box := sourcetest.NewInbox()
	raw := bytes.Replace(sourcetest.Batch(sourcetest.Message(1)), []byte("BTS|1"), []byte("BTS|2"), 1)
	box.FailBefore()
	_, err := ingest.Put(t.Context(), box, poct.Arrival{Inlet: "drop", Source: "drop", Peer: "x.hl7", Raw: raw})
	require.ErrorIs(t, err, sourcetest.ErrDown)
	require.Len(t, box.Notices(), 1)
	assert.Equal(t, "drop", box.Notices()[0].Inlet)
	assert.Equal(t, "x.hl7", box.Notices()[0].Peer)
	box.Recover()
	got, err := ingest.Put(t.Context(), box, poct.Arrival{Inlet: "drop", Source: "drop", Raw: raw})
	require.NoError(t, err)
	assert.Equal(t, []poct.Accepted{{Arrival: "arrival-1"}}, got)
}

func TestOutlive(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithCancel(t.Context())
		work, done := ingest.Outlive(ctx, 5*time.Second)
		defer done()
		time.Sleep(time.Hour) // of the bubble's clock
		require.NoError(t, work.Err(), "as long as ctx lives")
		cancel()
		time.Sleep(5*time.Second - 1)
		synctest.Wait()
		require.NoError(t, work.Err(), "and a while longer")
		time.Sleep(time.Nanosecond)
		synctest.Wait()
		require.ErrorIs(t, work.Err(), context.Canceled)
	})
}

func TestGuard(t *testing.T) {
	var log bytes.Buffer
	err := ingest.Guard(zerolog.New(&log), func() error { panic("PID|1||" + sourcetest.Canaries[1]) })
	require.ErrorIs(t, err, ingest.ErrPanic)
	assert.Contains(t, log.String(), `"panic":"string"`)
	assert.NotContains(t, log.String(), sourcetest.Canaries[1])
	other := errors.New("other")
	assert.Equal(t, other, ingest.Guard(zerolog.Nop(), func() error { return other }))
}

// FuzzSplit: whatever comes in, no byte of it is dropped unless it belongs to
// the envelope, and every part is described by its own bytes.
func FuzzSplit(f *testing.F) {
	for _, raw := range [][]byte{
		sourcetest.Message(1), sourcetest.Batch(sourcetest.Message(1), sourcetest.Message(2)),
		[]byte("BHS|^~\\&\rOBX|1\rMSH|^~\\&\r"), []byte("a;b\n\"1\n"), []byte("MSH"), nil,
	} {
		f.Add(raw)
	}
	f.Fuzz(func(t *testing.T, raw []byte) {
		parts, _ := ingest.Split(poct.Arrival{Raw: raw})
		require.NotEmpty(t, parts)
		end := []byte{'\n'} // of a line, unless there is any CR
		if bytes.IndexByte(raw, '\r') >= 0 {
			end = []byte{'\r'}
		}
		from := 0
		for n, p := range parts {
			at := 0
			if len(p.Raw) > 0 { // parts share the memory of the whole
				at = int(uintptr(unsafe.Pointer(&p.Raw[0]))-uintptr(unsafe.Pointer(&raw[0]))) - from
			}
			require.GreaterOrEqual(t, at, 0, "parts overlap, or are no pieces of the whole")
			for line := range bytes.SplitSeq(raw[from:from+at], end) {
				line = bytes.TrimLeft(bytes.TrimPrefix(line, []byte("\xef\xbb\xbf")), "\n")
				require.True(t, len(bytes.TrimLeft(line, "\x00\t\n\v\f\r ")) == 0 || envelope(line), "dropped: %q", line)
			}
			from += at + len(p.Raw)
			require.LessOrEqual(t, from, len(raw))
			require.Equal(t, sha256.Sum256(p.Raw), p.Digest)
			if p.Position != 0 {
				require.Equal(t, n+1, p.Position)
				require.Equal(t, raw, p.Batch)
			}
		}
	})
}

func envelope(line []byte) bool {
	for _, id := range []string{"FHS", "BHS", "BTS", "FTS"} {
		if bytes.HasPrefix(line, []byte(id)) {
			return true
		}
	}
	return false
}
