package hl7_test

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
	"testing"
	"testing/iotest"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidegate/wire/hl7"
)

// stream reads frames to the end and writes down what came of it.
func stream(r io.Reader, max int) []string {
	var out []string
	f := hl7.NewFrameReader(r, max)
	for {
		payload, err := f.Next()
		var fault *hl7.FrameFault
		switch {
		case err == nil:
			out = append(out, "frame "+string(payload))
		case errors.As(err, &fault):
			out = append(out, fmt.Sprintf("%s %d %s", [...]string{"junk", "truncated", "long", "cut"}[fault.Kind], fault.Total, fault.Bytes))
		case err == io.EOF:
			return append(out, fmt.Sprintf("end %d", f.Skipped))
		default:
			return append(out, "error "+err.Error())
		}
	}
}

// chunks cuts a stream into reads of n bytes.
type chunks struct {
	data []byte
	n    int
}

func (c *chunks) Read(p []byte) (int, error) {
	if len(c.data) == 0 {
		return 0, io.EOF
	}
	n := copy(p[:min(c.n, len(p))], c.data)
	c.data = c.data[n:]
	return n, nil
}

func TestFrames(t *testing.T) {
	long := strings.Repeat("x", 9000)
	for _, c := range []struct {
		name, bytes string
		want        []string
	}{
		{"python-hl7 tests/test_mllp.py", "\x0bfoobar\x1c\r", []string{"frame foobar", "end 0"}},
		{"two in one write", "\x0bone\x1c\r\x0btwo\x1c\r", []string{"frame one", "frame two", "end 0"}},
		{"empty stream", "", []string{"end 0"}},
		{"empty frame", "\x0b\x1c\r", []string{"frame ", "end 0"}},
		{"no start byte (HAPI MinLLPReaderTest)", "foobar\x1c\r", []string{"junk 8 foobar\x1c\r", "end 8"}},
		{"no end (HAPI MinLLPReaderTest)", "\x0bfoobar", []string{"cut 6 foobar", "end 0"}},
		{"1C, then the end (HAPI MinLLPReaderTest)", "\x0bfoobar\x1c", []string{"cut 7 foobar\x1c", "end 0"}},
		{"end bytes only (HAPI MinLLPReaderTest)", "\x1c\r", []string{"junk 2 \x1c\r", "end 2"}},
		{"junk before", "xyz\x0bfoo\x1c\r", []string{"junk 3 xyz", "frame foo", "end 3"}},
		{"line ends between are a habit", "\x0bfoo\x1c\r\n\r\n\x0bbar\x1c\r\n", []string{"frame foo", "frame bar", "end 4"}},
		{"junk between and after", "\x0bfoo\x1c\r\nab\x0bbar\x1c\rcd", []string{"frame foo", "junk 2 ab", "frame bar", "junk 2 cd", "end 5"}},
		{"a start within a frame", "\x0bfoo\x0bbar\x1c\r", []string{"truncated 3 foo", "frame bar", "end 0"}},
		{"three starts", "\x0b\x0b\x0bbar\x1c\r", []string{"truncated 0 ", "truncated 0 ", "frame bar", "end 0"}},
		{"1C without 0D before the next frame", "\x0bfoo\x1c\x0bbar\x1c\r", []string{"frame foo", "frame bar", "end 0"}},
		{"1C within", "\x0bfo\x1co\x1c\x1c\r", []string{"frame fo\x1co\x1c", "end 0"}},
		{"commit block of release 2", "\x0b\x06\x1c\r", []string{"frame \x06", "end 0"}},
		{"longer than a read", "\x0b" + long + "\x1c\r\x0bfoo\x1c\r", []string{"frame " + long, "frame foo", "end 0"}},
		{"over the limit", "\x0b" + long + "1234567\x1c\r", []string{"long 9001 " + long + "1", "end 0"}},
		{"at the limit", "\x0b" + strings.Repeat("y", 9000) + "\x1c\r", []string{"frame " + strings.Repeat("y", 9000), "end 0"}},
		{"nothing but junk", long + "1234567", []string{"junk 9001 " + long + "1", "end 9001"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			for _, n := range []int{1, 2, 3, 7, 4096, 1 << 20} {
				got := stream(&chunks{[]byte(c.bytes), n}, 9000)
				if strings.HasPrefix(c.want[0], "junk 9001") {
					// How far over the limit junk is read depends on the read.
					require.Len(t, got, 2)
					assert.True(t, strings.HasPrefix(got[0], "junk 900"), got[0][:20])
					continue
				}
				assert.Equal(t, c.want, got, "%d bytes a read", n)
			}
			assert.Equal(t, len(stream(iotest.DataErrReader(strings.NewReader(c.bytes)), 9000)), len(c.want), "end with the last bytes")
		})
	}
}

func TestFrameReaderWaits(t *testing.T) {
	// A sender that leaves the last 0D out and goes silent: the read times out.
	script := &steps{reads: []step{{data: "\x0bfo"}, {data: "o\x1c"}, {err: os.ErrDeadlineExceeded}, {data: "\x0bbar"}, {err: os.ErrDeadlineExceeded}}}
	f := hl7.NewFrameReader(script, 100)
	var states []hl7.FrameState
	f.Waiting = func(s hl7.FrameState) { states = append(states, s) }
	payload, err := f.Next()
	require.NoError(t, err)
	assert.Equal(t, "foo", string(payload))
	_, err = f.Next()
	var fault *hl7.FrameFault
	require.ErrorAs(t, err, &fault)
	assert.Equal(t, hl7.FrameCut, fault.Kind)
	assert.ErrorIs(t, err, os.ErrDeadlineExceeded, "silence within a frame is no end")
	assert.Equal(t, []hl7.FrameState{hl7.FrameOutside, hl7.FrameInside, hl7.FrameEnding, hl7.FrameOutside, hl7.FrameInside}, states)
	_, err = f.Next()
	assert.Equal(t, io.EOF, err)
}

func TestFrameReaderTellsWhatTheStreamSaid(t *testing.T) {
	broken := errors.New("reset")
	_, err := hl7.NewFrameReader(iotest.ErrReader(broken), 100).Next()
	assert.Equal(t, broken, err)
	_, err = hl7.NewFrameReader(&steps{reads: []step{{data: "\x0bfo"}, {err: broken}}}, 100).Next()
	assert.ErrorIs(t, err, broken)
}

func TestFrameFaultKeepsTheLast64KiB(t *testing.T) {
	payload := strings.Repeat("a", 100<<10) + "z"
	for name, in := range map[string]string{"frame": "\x0b" + payload, "junk": payload} {
		_, err := hl7.NewFrameReader(strings.NewReader(in), 1<<20).Next()
		var fault *hl7.FrameFault
		require.ErrorAs(t, err, &fault, name)
		assert.Equal(t, len(payload), fault.Total)
		assert.Len(t, fault.Bytes, 64<<10)
		assert.Equal(t, byte('z'), fault.Bytes[len(fault.Bytes)-1])
		assert.NotContains(t, fault.Error(), "aaa")
	}
}

type step struct {
	data string
	err  error
}

type steps struct{ reads []step }

func (s *steps) Read(p []byte) (int, error) {
	if len(s.reads) == 0 {
		return 0, io.EOF
	}
	next := s.reads[0]
	s.reads = s.reads[1:]
	return copy(p, next.data), next.err
}

func TestWriteFrame(t *testing.T) {
	w := &writes{}
	require.NoError(t, hl7.WriteFrame(w, []byte("foobar")))
	assert.Equal(t, [][]byte{[]byte("\x0bfoobar\x1c\r")}, w.got, "python-hl7 tests/test_mllp.py; one write")
}

type writes struct{ got [][]byte }

func (w *writes) Write(p []byte) (int, error) {
	w.got = append(w.got, bytes.Clone(p))
	return len(p), nil
}
