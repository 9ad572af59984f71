package mapping

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"tidegate/wire/hl7"
)

// layout is a Unicode date pattern (UTS #35, Date Field Symbols), the part of
// it that dates and times of devices need: y M d, H or h with a, m s S, an
// offset (Z, X or x), text in apostrophes, and signs that stand for themselves.
type layout struct {
	parts  []layoutPart
	offset bool
}

type layoutPart struct {
	symbol  byte // 0: literal
	width   int
	literal string
}

const layoutSymbols = "yMdHhamsSXxZ"

func parseLayout(pattern string) (layout, error) {
	l := layout{}
	for i := 0; i < len(pattern); {
		ch := pattern[i]
		switch {
		case ch == '\'':
			text, rest, ok := quoted(pattern[i+1:])
			if !ok {
				return layout{}, fmt.Errorf("%q has an apostrophe that is not closed", pattern)
			}
			l.parts = append(l.parts, layoutPart{literal: text})
			i = len(pattern) - len(rest)
		case strings.IndexByte(layoutSymbols, ch) >= 0:
			n := i
			for n < len(pattern) && pattern[n] == ch {
				n++
			}
			l.parts = append(l.parts, layoutPart{symbol: ch, width: n - i})
			l.offset = l.offset || isOffset(ch)
			i = n
		case ch >= 'a' && ch <= 'z' || ch >= 'A' && ch <= 'Z':
			return layout{}, fmt.Errorf("%q has the letter %c, which is not read here", pattern, ch)
		default:
			l.parts = append(l.parts, layoutPart{literal: string(ch)})
			i++
		}
	}
	switch {
	case !l.has('y') || !l.has('M'):
		return layout{}, fmt.Errorf("%q has no year and month", pattern)
	case l.has('h') != l.has('a'), l.has('h') && l.has('H'):
		return layout{}, fmt.Errorf("%q has hours of half a day (h) without a, or two kinds of hours", pattern)
	case l.has('M') && slices.ContainsFunc(l.parts, func(p layoutPart) bool { return p.symbol == 'M' && p.width > 2 }):
		return layout{}, fmt.Errorf("%q has a month in words, which is not read here", pattern)
	}
	return l, nil
}

// quoted takes the text up to the closing apostrophe; two apostrophes stand
// for one, inside the text and instead of it.
func quoted(s string) (text, rest string, ok bool) {
	if strings.HasPrefix(s, "'") {
		return "'", s[1:], true
	}
	for {
		end := strings.IndexByte(s, '\'')
		if end < 0 {
			return "", "", false
		}
		text, s = text+s[:end], s[end+1:]
		if !strings.HasPrefix(s, "'") {
			return text, s, true
		}
		text, s = text+"'", s[1:]
	}
}

func isOffset(symbol byte) bool { return symbol == 'X' || symbol == 'x' || symbol == 'Z' }

func (l layout) has(symbol byte) bool {
	for _, p := range l.parts {
		if p.symbol == symbol {
			return true
		}
	}
	return false
}

// read rewrites a text in this layout as an HL7 timestamp and reads that, so
// that there is one judge of dates, precision and offsets.
func (l layout) read(text string) (hl7.Timestamp, bool) {
	got := map[byte]string{}
	rest := text
	for _, p := range l.parts {
		if p.symbol == 0 {
			var ok bool
			if rest, ok = strings.CutPrefix(rest, p.literal); !ok {
				return hl7.Timestamp{}, false
			}
			continue
		}
		var value string
		var ok bool
		symbol := p.symbol
		switch {
		case isOffset(symbol):
			symbol = 'X'
			value, rest, ok = readOffset(rest)
		case symbol == 'a':
			value, rest, ok = readHalf(rest)
		default:
			value, rest, ok = readDigits(rest, p)
		}
		if was, twice := got[symbol]; !ok || twice && was != value {
			return hl7.Timestamp{}, false
		}
		got[symbol] = value
	}
	if rest != "" {
		return hl7.Timestamp{}, false
	}
	if got['h'] != "" {
		var ok bool
		if got['H'], ok = wholeDay(got['h'], got['a']); !ok {
			return hl7.Timestamp{}, false
		}
	}
	var b strings.Builder
	for _, s := range []byte("yMdHms") {
		if got[s] == "" {
			break
		}
		b.WriteString(got[s])
	}
	if got['S'] != "" && got['s'] != "" {
		b.WriteString("." + got['S'])
	}
	b.WriteString(got['X'])
	t, err := hl7.ParseTime(b.String())
	return t, err == nil && !t.IsZero()
}

// readDigits takes the digits of one field: as many as the pattern has
// letters; a single letter takes one or two.
func readDigits(s string, p layoutPart) (value, rest string, ok bool) {
	most := p.width
	switch {
	case p.symbol == 'y' && p.width < 4 && p.width != 2:
		most = 4
	case p.width == 1:
		most = 2
	}
	if p.symbol == 'S' {
		most = p.width
	}
	n := 0
	for n < len(s) && n < most && s[n] >= '0' && s[n] <= '9' {
		n++
	}
	if n == 0 || n < p.width {
		return "", s, false
	}
	value, rest = s[:n], s[n:]
	switch {
	case p.symbol == 'y' && len(value) == 2:
		value = "20" + value
	case p.symbol != 'y' && p.symbol != 'S' && len(value) == 1:
		value = "0" + value
	}
	return value, rest, true
}

// readHalf takes AM or PM, in any case.
func readHalf(s string) (value, rest string, ok bool) {
	if len(s) < 2 {
		return "", s, false
	}
	value = strings.ToUpper(s[:2])
	return value, s[2:], value == "AM" || value == "PM"
}

// wholeDay turns an hour of half a day into one of the day: 12 AM is 00, 12 PM is 12.
func wholeDay(hour, half string) (string, bool) {
	n, err := strconv.Atoi(hour)
	if err != nil || n < 1 || n > 12 {
		return "", false
	}
	n %= 12
	if half == "PM" {
		n += 12
	}
	return fmt.Sprintf("%02d", n), true
}

// readOffset takes Z, +HH, +HHMM or +HH:MM.
func readOffset(s string) (value, rest string, ok bool) {
	if strings.HasPrefix(s, "Z") {
		return "+0000", s[1:], true
	}
	if s == "" || s[0] != '+' && s[0] != '-' {
		return "", s, false
	}
	digits := strings.Replace(s[1:], ":", "", 1)
	n := 0
	for n < len(digits) && n < 4 && digits[n] >= '0' && digits[n] <= '9' {
		n++
	}
	if n != 2 && n != 4 {
		return "", s, false
	}
	value, rest = s[:1]+digits[:n], digits[n:]
	if n == 2 {
		value += "00"
	}
	return value, rest, true
}
