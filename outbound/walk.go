package outbound

import (
	"bytes"
	"encoding/json"
	"errors"
	"strings"
)

// Walking the committed bytes without decoding them: each delivery pays for it
// once, and encoding/json would read the resources three times over. The bytes
// are our own, so this checks no more than it needs to find its way.

var errShape = errors.New("not the JSON that was expected")

// members calls f for each member of an object with its raw value.
func members(raw []byte, f func(key string, value []byte) error) error {
	return each(raw, '{', '}', func(rest []byte) (int, error) {
		end := skip(rest)
		if end < 2 || rest[0] != '"' {
			return 0, errShape
		}
		colon := end + blank(rest[end:])
		if colon >= len(rest) || rest[colon] != ':' {
			return 0, errShape
		}
		from := colon + 1 + blank(rest[colon+1:])
		size := skip(rest[from:])
		if size == 0 {
			return 0, errShape
		}
		return from + size, f(string(rest[1:end-1]), rest[from:from+size])
	})
}

// elements calls f for each element of an array.
func elements(raw []byte, f func(value []byte) error) error {
	return each(raw, '[', ']', func(rest []byte) (int, error) {
		size := skip(rest)
		if size == 0 {
			return 0, errShape
		}
		return size, f(rest[:size])
	})
}

// each walks the comma-separated items between two brackets; one tells how
// many bytes its item takes.
func each(raw []byte, opens, closes byte, one func(rest []byte) (int, error)) error {
	i := blank(raw)
	if i >= len(raw) || raw[i] != opens {
		return errShape
	}
	i++
	for first := true; ; first = false {
		i += blank(raw[i:])
		switch {
		case i >= len(raw):
			return errShape
		case raw[i] == closes && first:
			return nil
		}
		size, err := one(raw[i:])
		if err != nil {
			return err
		}
		i += size
		i += blank(raw[i:])
		switch {
		case i < len(raw) && raw[i] == ',':
			i++
		case i < len(raw) && raw[i] == closes:
			return nil
		default:
			return errShape
		}
	}
}

func blank(b []byte) int {
	n := 0
	for n < len(b) && (b[n] == ' ' || b[n] == '\n' || b[n] == '\r' || b[n] == '\t') {
		n++
	}
	return n
}

// skip is the length of the value at the start, 0 if there is none.
func skip(b []byte) int {
	if len(b) == 0 {
		return 0
	}
	if b[0] == '"' {
		return skipText(b)
	}
	if b[0] != '{' && b[0] != '[' {
		if n := bytes.IndexAny(b, ",}] \n\r\t"); n >= 0 {
			return n
		}
		return len(b)
	}
	depth := 0
	for i := 0; i < len(b); i++ {
		switch b[i] {
		case '{', '[':
			depth++
		case '}', ']':
			if depth--; depth == 0 {
				return i + 1
			}
		case '"':
			n := skipText(b[i:])
			if n == 0 {
				return 0
			}
			i += n - 1
		}
	}
	return 0
}

func skipText(b []byte) int {
	for i := 1; i < len(b); i++ {
		n := bytes.IndexByte(b[i:], '"')
		if n < 0 {
			return 0
		}
		i += n
		slashes := 0
		for k := i - 1; k > 0 && b[k] == '\\'; k-- {
			slashes++
		}
		if slashes%2 == 0 {
			return i + 1
		}
	}
	return 0
}

// unquoted is a string value.
func unquoted(raw []byte) (string, error) {
	if len(raw) < 2 || raw[0] != '"' {
		return "", errShape
	}
	inner := string(raw[1 : len(raw)-1])
	if !strings.Contains(inner, `\`) {
		return inner, nil
	}
	var s string
	err := json.Unmarshal(raw, &s)
	return s, err
}
