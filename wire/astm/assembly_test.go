package astm_test

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"tidegate/wire/astm"
)

const (
	small = "H|\\^&|1\rP|1\rL|1|N\r"
	lines = "H!~$%!2\nP!1\nL!1!N\n"
)

func said(pieces []astm.Piece) (out []string) {
	for _, p := range pieces {
		what := string(p.Raw)
		if p.Fault != nil {
			what = p.Fault.What + ": " + what
		}
		out = append(out, what)
	}
	return out
}

func TestAssembly(t *testing.T) {
	for _, c := range []struct {
		name, text string
		want       []string
		rest       string
	}{
		{"nothing", "", nil, ""},
		{"one", small, []string{small}, ""},
		{"two", small + small, []string{small, small}, ""},
		{"one after the other ends with LF", small + lines, []string{small, lines}, ""},
		{"CR LF", strings.ReplaceAll(small+small, "\r", "\r\n"), []string{strings.TrimSuffix(strings.ReplaceAll(small, "\r", "\r\n"), "\n"), strings.TrimSuffix(strings.ReplaceAll(small, "\r", "\r\n"), "\n")}, "\n"},
		{"an end that was left out", strings.TrimSuffix(small, "\r"), []string{small}, ""},
		{"not at its end", "H|\\^&\rP|1\r", nil, "H|\\^&\rP|1\r"},
		{"cut off by another", "H|\\^&|0\rP|1\r" + small, []string{"the message has no L record: another one begins behind it: H|\\^&|0\rP|1\r", small}, ""},
		{"no header", "P|1\rL|1|N\r", []string{"records that follow no H record: P|1\rL|1|N\r"}, ""},
		{"something before it", "what?\r" + small, []string{"records that follow no H record: what?\r", small}, ""},
		{"empty lines before it", "\r\n\r" + small, []string{small}, ""},
		{"L within another record", "H|\\^&\rC|1|I|a\nL|b|G\rL|1\r", []string{"H|\\^&\rC|1|I|a\nL|b|G\rL|1\r"}, ""},
		{"another field delimiter", "H|\\^&\rL!1\rL|1\r", []string{"H|\\^&\rL!1\rL|1\r"}, ""},
	} {
		pieces, a := astm.Assembly{}.Add([]byte(c.text), true)
		assert.Equal(t, c.want, said(pieces), c.name)
		assert.Equal(t, c.rest, string(a.Rest()), c.name)
		if c.rest != "" && c.rest != "\n" {
			assert.True(t, a.Open())
			assert.Equal(t, []string{"the message has no L record: it was not sent to its end: " + c.rest}, said(a.End()))
		} else {
			assert.False(t, a.Open())
			assert.Empty(t, a.End())
		}
	}
}

// An Add whose pieces could not be kept is taken back by going on with the
// value before it.
func TestAssemblyTakenBack(t *testing.T) {
	_, a := astm.Assembly{}.Add([]byte("H|\\^&\rP|1\r"), true)
	first, _ := a.Add([]byte("L|1|N\r"), true)
	again, b := a.Add([]byte("L|1|N\r"), true)
	assert.Equal(t, said(first), said(again))
	assert.Empty(t, b.Rest())
	other, _ := a.Add([]byte("L|1|T\r"), true)
	assert.Equal(t, []string{"H|\\^&\rP|1\rL|1|N\r"}, said(first), "what was given stays as it was")
	assert.Equal(t, []string{"H|\\^&\rP|1\rL|1|T\r"}, said(other))
}

// However the text comes divided, the pieces are the same, and they and what
// is left hold every byte but line ends.
func TestAssemblyDivided(t *testing.T) {
	line := rapid.SampledFrom([]string{"H|\\^&|a", "H!~$%", "P|1", "R|1|^^^INR|2.4", "L|1|N", "L!1", "L", "what?", "", "H|"})
	end := rapid.SampledFrom([]string{"\r", "\r", "\n", "\r\n"})
	rapid.Check(t, func(t *rapid.T) {
		var text []byte
		for range rapid.IntRange(0, 12).Draw(t, "lines") {
			text = append(text, line.Draw(t, "line")+end.Draw(t, "end")...)
		}
		want, whole := astm.Assembly{}.Add(text, false)
		var got []astm.Piece
		var a astm.Assembly
		for rest := text; len(rest) > 0; {
			n := rapid.IntRange(1, len(rest)).Draw(t, "part")
			var pieces []astm.Piece
			if rapid.Bool().Draw(t, "taken back") {
				_, _ = a.Add(rest[:n], false)
			}
			pieces, a = a.Add(rest[:n], false)
			got, rest = append(got, pieces...), rest[n:]
		}
		require.Equal(t, said(want), said(got))
		require.Equal(t, string(whole.Rest()), string(a.Rest()))
		var all []byte
		for _, p := range append(got, a.End()...) {
			all = append(all, p.Raw...)
		}
		require.Equal(t, without(text), without(all))
	})
}

// without drops line ends.
func without(b []byte) string { return strings.NewReplacer("\r", "", "\n", "").Replace(string(b)) }
