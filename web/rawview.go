package web

import (
	"fmt"
	"strings"
	"unicode/utf8"

	"tidegate/poct"
)

// window is how many bytes of a large arrival a page shows at once.
const window = 16 << 10

// box is a range of bytes that a problem is about, with a note.
type box struct {
	poct.Span
	note string
}

// rawPart is a run of text in a line of bytes; boxed if a problem is about it.
type rawPart struct {
	Text  string
	Boxed bool
}

// rawLine is one line of an arrival with the offset of its first byte.
type rawLine struct {
	Offset string
	Parts  []rawPart
	Hex    string // in the hex view
	Notes  []string
}

// rawView shows an arrival's bytes as they came.
type rawView struct {
	Head        string // inlet, time, size
	Lines       []rawLine
	Hex         bool
	Link        string // this page, for switching views
	Download    string
	Before      string // link to the window before, "" if none
	After       string
	From, Until string
}

// cutWindow chooses the window of a long arrival: where it was asked to begin,
// or around the first box. Windows start at multiples of half a window, so
// that whatever is boxed stands in one whole.
func cutWindow(size, asked int, boxes []box) (from, to int) {
	if size <= window {
		return 0, size
	}
	from = asked
	if asked < 0 {
		from = 0
		if len(boxes) > 0 {
			from = max(0, boxes[0].From-window/4)
		}
	}
	from = min(from, size-1) / (window / 2) * (window / 2)
	return from, min(from+window, size)
}

// textLines splits raw[from:to] at line ends (CR, LF or both, which stay
// with their line unseen) and boxes what the problems are about.
func textLines(raw []byte, from, to int, boxes []box) []rawLine {
	digits := max(3, len(fmt.Sprint(len(raw))))
	var lines []rawLine
	for at := from; at < to; {
		end := at
		for end < to && raw[end] != '\r' && raw[end] != '\n' {
			end++
		}
		next := end
		if next < to {
			next++
			if raw[end] == '\r' && next < to && raw[next] == '\n' {
				next++
			}
		}
		line := rawLine{Offset: fmt.Sprintf("%0*d", digits, at)}
		for i := at; i < end; {
			b, boxed := boxAt(boxes, i)
			stop := end
			if boxed {
				stop = min(end, max(b.To, i+1))
			} else {
				for _, x := range boxes {
					if x.From > i && x.From < stop {
						stop = x.From
					}
				}
			}
			line.Parts = append(line.Parts, rawPart{Text: printable(raw[i:stop]), Boxed: boxed})
			i = stop
		}
		for _, b := range boxes {
			if b.note != "" && b.From >= at && b.From < max(next, at+1) {
				line.Notes = append(line.Notes, b.note)
			}
		}
		lines = append(lines, line)
		at = next
	}
	return lines
}

// hexLines shows sixteen bytes a line, as numbers and as text.
func hexLines(raw []byte, from, to int, boxes []box) []rawLine {
	digits := max(3, len(fmt.Sprint(len(raw))))
	var lines []rawLine
	for at := from; at < to; at += 16 {
		end := min(at+16, to)
		line := rawLine{Offset: fmt.Sprintf("%0*d", digits, at)}
		for i := at; i < end; {
			_, boxed := boxAt(boxes, i)
			j := i
			var hex strings.Builder
			for ; j < end; j++ {
				if _, b := boxAt(boxes, j); b != boxed {
					break
				}
				if j > i {
					hex.WriteByte(' ')
				}
				fmt.Fprintf(&hex, "%02X", raw[j])
			}
			if len(line.Parts) > 0 {
				line.Parts = append(line.Parts, rawPart{Text: " "})
			}
			line.Parts = append(line.Parts, rawPart{Text: hex.String(), Boxed: boxed})
			i = j
		}
		line.Hex = strings.Repeat("   ", 16-(end-at)) + "  " + asciiOnly(raw[at:end])
		for _, b := range boxes {
			if b.note != "" && b.From >= at && b.From < end {
				line.Notes = append(line.Notes, b.note)
			}
		}
		lines = append(lines, line)
	}
	return lines
}

func boxAt(boxes []box, i int) (box, bool) {
	for _, b := range boxes {
		if i >= b.From && i < b.To {
			return b, true
		}
	}
	return box{}, false
}

// printable writes bytes as text; a byte that is none stands as ‹0B›.
func printable(b []byte) string {
	var out strings.Builder
	for len(b) > 0 {
		r, n := utf8.DecodeRune(b)
		if r == utf8.RuneError && n == 1 || r < ' ' || r == 0x7f || r >= 0x80 && r < 0xa0 || r >= 0x200b && r <= 0x200f || r >= 0x202a && r <= 0x202e || r >= 0x2066 && r <= 0x2069 || r == 0xfeff {
			for _, c := range b[:n] {
				fmt.Fprintf(&out, "‹%02X›", c)
			}
		} else {
			out.WriteRune(r)
		}
		b = b[n:]
	}
	return out.String()
}

func asciiOnly(b []byte) string {
	out := make([]byte, len(b))
	for i, c := range b {
		out[i] = c
		if c < ' ' || c > '~' {
			out[i] = '.'
		}
	}
	return string(out)
}

// differing finds the one place where two texts of one length differ; -1 if
// there is none or more than one.
func differing(a, b string) int {
	if len(a) != len(b) {
		return -1
	}
	at := -1
	for i := range len(a) {
		if a[i] != b[i] {
			if at >= 0 {
				return -1
			}
			at = i
		}
	}
	return at
}

// charName says what a byte is in words, for those that look alike.
func charName(c byte) string {
	digits := []string{"zero", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine"}
	switch {
	case c >= '0' && c <= '9':
		return "the figure " + digits[c-'0']
	case c >= 'a' && c <= 'z':
		return "the small letter " + string(c)
	case c >= 'A' && c <= 'Z':
		return "the letter " + string(c)
	case c == ' ':
		return "a space"
	}
	return "the character " + printable([]byte{c})
}
