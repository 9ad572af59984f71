package config

import (
	"fmt"
	"io"
	"io/fs"
	"os"
	"strings"
	"unicode"

	"github.com/rs/zerolog"
)

const (
	redacted  = "(secret)"
	maxSecret = 16 << 10
)

// Secret is the content of a secret file. However it is printed, logged or
// encoded, it shows as "(secret)"; Reveal alone gives the text.
type Secret struct{ text string }

// Reveal is the secret itself, for the one place that sends or compares it.
func (s Secret) Reveal() string { return s.text }

// IsZero tells whether there is none.
func (s Secret) IsZero() bool { return s.text == "" }

func (Secret) String() string                        { return redacted }
func (Secret) GoString() string                      { return redacted }
func (Secret) Format(f fmt.State, _ rune)            { _, _ = io.WriteString(f, redacted) }
func (Secret) MarshalText() ([]byte, error)          { return []byte(redacted), nil }
func (Secret) MarshalJSON() ([]byte, error)          { return []byte(`"` + redacted + `"`), nil }
func (Secret) MarshalYAML() (any, error)             { return redacted, nil }
func (Secret) MarshalZerologObject(e *zerolog.Event) { e.Str("secret", redacted) }

// fileFault is what is wrong with a file itself, in words for the operator.
type fileFault string

func (f fileFault) Error() string { return string(f) }

// ReadSecret reads a secret file: a regular file of mode 0600 or stricter,
// one line, at most 16 KiB. Errors never hold its content.
func ReadSecret(path string) (Secret, error) {
	info, err := os.Stat(path) // before opening: a named pipe would wait for a writer
	if err != nil {
		return Secret{}, err
	}
	if err := private(info); err != nil {
		return Secret{}, err
	}
	f, err := os.Open(path) //nolint:gosec // the path is the operator's own
	if err != nil {
		return Secret{}, err
	}
	defer f.Close() //nolint:errcheck // only read
	data, err := io.ReadAll(io.LimitReader(f, maxSecret+1))
	if err != nil {
		return Secret{}, err
	}
	text := strings.TrimSpace(string(data))
	switch {
	case len(data) > maxSecret:
		return Secret{}, fileFault("holds more than 16 KiB")
	case text == "":
		return Secret{}, fileFault("is empty")
	case strings.ContainsFunc(text, unicode.IsControl):
		return Secret{}, fileFault("holds more than one line")
	}
	return Secret{text}, nil
}

func private(info fs.FileInfo) error {
	if !info.Mode().IsRegular() {
		return fileFault("is not a file")
	}
	if info.Mode().Perm()&0o077 != 0 {
		return fileFault("may be read by others than its owner")
	}
	return nil
}
