package astm_test

import (
	"bytes"
	"fmt"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidegate/wire/astm"
)

// framed writes what stands between STX and the checksum, and a checksum as it
// is given.
func framed(body, sum string) []byte { return []byte("\x02" + body + sum + "\r\n") }

// Checksums over FN..ETX, each with where it was published.
var published = []struct{ name, body, sum string }{
	{"python-astm, tests of the codec", "1A|B|C|D\r\x03", "BF"},
	{"python-astm, tests of the codec", "1foo|1\r\x03", "32"},
	{"python-astm, tests of the codec", "7G\r\x03", "8E"},
	{"python-astm, tests of the codec: 0 follows 7", "0H\r\x03", "88"},
	{"article Calculating the checksum of an ASTM document", "5R|2|^^^1.0000+950+1.0|15|||^5^||V||34001637|20080516153540|20080516153602|34001637\r\x03", "3D"},
	{"python-astm, split message", "1foo|1\rb\x17", "A8"},
	{"python-astm, split message", "2ar|24\rb\x17", "6D"},
	{"python-astm, split message", "3az|1^2^\x17", "C0"},
	{"python-astm, split message", "43|boo\r\x03", "33"},
	{"python-astm, UTF-8: the bytes are summed, not the letters", "2P|1|2776833|||王^大^明" + strings.Repeat("|", 20) + "\r\x03", "4B"},
	// Computed with a second program, not published.
	{"own message", "1H|\\^&|||meter-7|||||ENGINE||P|LIS2-A2|20240305091330\r\x03", "B6"},
	{"own message", "2P|1||MRN0007||Testperson^Ada||19500101|F\r\x03", "C9"},
	{"own message", "3O|1|S-0001||^^^INR|R||20240305091200||||||||||||||||||F\r\x03", "77"},
	{"own message", "4R|1|^^^INR|2.4|{INR}|2.0 to 3.0|N||F||op17|20240305091200|20240305091310|SN0042\r\x03", "8B"},
	{"own message", "5C|1|I|strip lot L2403A|G\r\x03", "50"},
	{"own message", "6L|1|N\r\x03", "09"},
}

func TestPublishedChecksums(t *testing.T) {
	for _, c := range published {
		raw := framed(c.body, c.sum)
		f, err := astm.ParseFrame(raw)
		require.NoError(t, err, c.name)
		assert.Equal(t, c.body[1:len(c.body)-1], string(f.Text))
		assert.Equal(t, strings.HasSuffix(c.body, "\x03"), f.Last)
		assert.Equal(t, string(raw), string(f.AppendTo(nil)), "written as it was read")
		lower, err := astm.ParseFrame(framed(c.body, strings.ToLower(c.sum)))
		require.NoError(t, err, "digits of either case are read")
		assert.Equal(t, f, lower)
	}
	for n := range 8 { // L|1|N under each number: 03 to 0A, computed
		f, err := astm.ParseFrame(framed(fmt.Sprintf("%dL|1|N\r\x03", n), fmt.Sprintf("%02X", 3+n)))
		require.NoError(t, err)
		assert.Equal(t, n, f.Number)
	}
}

// Sums that were made over another range of bytes, and one that was printed
// wrong.
func TestWrongChecksums(t *testing.T) {
	for _, c := range []struct{ name, body, sum string }{
		{"with STX", "1A|B|C|D\r\x03", "C1"},
		{"without the number", "1A|B|C|D\r\x03", "8E"},
		{"without ETX", "1A|B|C|D\r\x03", "BC"},
		{"sum of letters, not of bytes", "2P|1|2776833|||王^大^明" + strings.Repeat("|", 20) + "\r\x03", "CF"},
		{"a newsgroup post of 2005 has 40, the bytes add up to 0A", "7L|1|N\r\x03", "40"},
		{"no digits", "7L|1|N\r\x03", "0G"},
	} {
		_, err := astm.ParseFrame(framed(c.body, c.sum))
		assert.ErrorContains(t, err, "checksum", c.name)
	}
}

func TestFramesThatAreNone(t *testing.T) {
	for _, raw := range []string{
		"", "\x02", "\x021\x0334\r\n", "1A\r\x0300\r\n", "\x021A\r\x03B4\n\r", "\x021A\r\x03B4\r\r", "\x02xA\r\x0300\r\n", "\x028A\r\x0300\r\n", "\x021A\rB0\r\n",
	} {
		_, err := astm.ParseFrame([]byte(raw))
		if raw == "\x021\x0334\r\n" {
			assert.NoError(t, err, "a frame may be empty")
			continue
		}
		assert.Error(t, err, "%q", raw)
	}
}

// Two ways of dividing one message give the same records: one a frame, and
// frames that split anywhere (python-astm, tests of joining).
func TestFramesJoin(t *testing.T) {
	var joined []byte
	for _, c := range published[5:9] {
		f, err := astm.ParseFrame(framed(c.body, c.sum))
		require.NoError(t, err)
		joined = append(joined, f.Text...)
	}
	assert.Equal(t, "foo|1\rbar|24\rbaz|1^2^3|boo\r", string(joined))
}

func TestFrames(t *testing.T) {
	long := "C|1|I|" + strings.Repeat("x", 500) + "|G\r"
	records := "H|\\^&\rP|1\rO|1\rR|1\r" + long + "R|2\rR|3\rL|1|N\r"
	for _, c := range []struct {
		wrap    int
		numbers []int
	}{{0, []int{1, 2, 3, 4, 5, 6, 7, 0, 1, 2}}, {1, []int{1, 2, 3, 4, 5, 6, 7, 1, 2, 3}}} {
		var numbers []int
		var joined []byte
		for _, f := range astm.Frames([]byte(records), astm.ShortText, c.wrap) {
			numbers = append(numbers, f.Number)
			joined = append(joined, f.Text...)
			assert.LessOrEqual(t, len(f.AppendTo(nil)), 247, "E1381-95: 240 and 7 around them")
			assert.Equal(t, bytes.HasSuffix(f.Text, []byte("\r")), f.Last)
		}
		assert.Equal(t, c.numbers, numbers)
		assert.Equal(t, records, string(joined))
	}
	assert.Empty(t, astm.Frames(nil, 240, 0))
	assert.Len(t, astm.Frames([]byte("L|1"), 240, 0), 1, "a record without its end")
}

func TestBarred(t *testing.T) {
	for c := range 256 {
		want := c >= 1 && c <= 6 || c == 0x0A || c >= 0x10 && c <= 0x17
		assert.Equal(t, want, astm.Barred([]byte{'a', byte(c), 'b'}), "%02X", c)
	}
}

func FuzzParseFrame(f *testing.F) {
	for _, c := range published {
		f.Add(framed(c.body, c.sum))
	}
	f.Add([]byte("\x02\x02\x03\x03\r\n"))
	f.Fuzz(func(t *testing.T, raw []byte) {
		frame, err := astm.ParseFrame(raw)
		if err != nil {
			return
		}
		again, err := astm.ParseFrame(frame.AppendTo(nil))
		if err != nil || again.Number != frame.Number || again.Last != frame.Last || !bytes.Equal(again.Text, frame.Text) {
			t.Fatalf("%q: %v", raw, err)
		}
		if !strings.EqualFold(string(frame.AppendTo(nil)), string(raw)) {
			t.Fatalf("%q is written as %q", raw, frame.AppendTo(nil))
		}
	})
}
