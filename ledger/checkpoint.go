package ledger

import (
	"crypto/ed25519"
	"encoding/base64"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"

	"golang.org/x/mod/sumdb/note"
	"golang.org/x/mod/sumdb/tlog"
)

// maxCheckpoint bounds the text of a checkpoint with all its signature lines.
const maxCheckpoint = 64 << 10

// Checkpoint is a head of a named log. Its text is the note body of C2SP
// tlog-checkpoint: origin, size, base64 root, a line each. It holds no time,
// so that signing the same head again gives the same bytes.
type Checkpoint struct {
	Origin string
	Head
}

// Text is the note body, unsigned. It is also what an anchor file holds: the
// head is anchored before it is signed.
func (c Checkpoint) Text() string {
	return c.Origin + "\n" + strconv.FormatInt(c.Size, 10) + "\n" + c.Root.String() + "\n"
}

// ParseText reads a note body or an anchor file. It takes no extension lines.
func ParseText(text string) (Checkpoint, error) {
	lines := strings.Split(text, "\n")
	if len(text) > maxCheckpoint || len(lines) != 4 || lines[3] != "" {
		return Checkpoint{}, errors.New("a head has three lines: origin, size, root")
	}
	if err := CheckOrigin(lines[0]); err != nil {
		return Checkpoint{}, err
	}
	size, err := strconv.ParseInt(lines[1], 10, 64)
	if err != nil || size < 0 || size > maxSize || strconv.FormatInt(size, 10) != lines[1] {
		return Checkpoint{}, errors.New("the head's size is not a plain number")
	}
	root, err := parseHash(lines[2])
	if err != nil {
		return Checkpoint{}, fmt.Errorf("the head's root: %w", err)
	}
	return Checkpoint{lines[0], Head{size, root}}, nil
}

// CheckOrigin tells whether a name can stand for a log and its key: not
// empty, at most 200 bytes, no spaces, no control characters, no plus sign.
func CheckOrigin(origin string) error {
	bad := func(r rune) bool { return unicode.IsSpace(r) || unicode.IsControl(r) || r == '+' }
	if origin == "" || len(origin) > 200 || !utf8.ValidString(origin) || strings.ContainsFunc(origin, bad) {
		return errors.New("a ledger's origin has 1 to 200 characters, none of them a space or a plus sign")
	}
	return nil
}

// NewKey makes an Ed25519 key named like the log: the private text to keep
// in a file of mode 0600, and the public text to hand out.
func NewKey(origin string, random io.Reader) (private, public string, err error) {
	if err := CheckOrigin(origin); err != nil {
		return "", "", err
	}
	return note.GenerateKey(random, origin)
}

// Key signs for one log.
type Key struct {
	signer note.Signer
	public string
}

// ParseKey reads the private text of NewKey.
func ParseKey(private string) (*Key, error) {
	private = strings.TrimSpace(private)
	signer, err := note.NewSigner(private)
	if err != nil {
		return nil, errors.New("the ledger's key file does not hold a signing key")
	}
	public, err := publicText(private)
	if err != nil {
		return nil, err
	}
	return &Key{signer, public}, nil
}

// Origin is the name of the log that the key signs for.
func (k *Key) Origin() string { return k.signer.Name() }

// Public is the text to hand out: name, key id and public key.
func (k *Key) Public() string { return k.public }

// String names the key without telling it.
func (k *Key) String() string { return keyName(k.signer.Name(), k.signer.KeyHash()) }

// GoString names the key without telling it.
func (k *Key) GoString() string { return "ledger.Key(" + k.String() + ")" }

// Sign signs a checkpoint of the key's own log: the note to hand out.
func (k *Key) Sign(c Checkpoint) ([]byte, error) {
	if c.Origin != k.Origin() {
		return nil, fmt.Errorf("key of ledger %q cannot sign a head of %q", k.Origin(), c.Origin)
	}
	return note.Sign(&note.Note{Text: c.Text()}, k.signer)
}

// Keys reads public keys, one a line; blank lines and lines that start with
// '#' are left out.
func Keys(text string) ([]note.Verifier, error) {
	var keys []note.Verifier
	seen := map[string]bool{}
	for i, line := range strings.Split(text, "\n") {
		line = strings.TrimSpace(line)
		if line == "" || strings.HasPrefix(line, "#") || seen[line] {
			continue
		}
		seen[line] = true
		if len(keys) == 100 {
			return nil, errors.New("more than 100 public keys")
		}
		v, err := note.NewVerifier(line)
		if err != nil {
			return nil, fmt.Errorf("line %d is not a public key of the form name+id+key", i+1)
		}
		keys = append(keys, v)
	}
	if len(keys) == 0 {
		return nil, errors.New("no public key given")
	}
	return keys, nil
}

// Open checks a signed checkpoint against keys and tells which of them signed
// it, as name+id. A key counts only for the log that bears its name.
// Signature lines of other keys, such as a witness's, are left aside.
func Open(msg []byte, keys ...note.Verifier) (c Checkpoint, signedBy string, err error) {
	text, signedBy, err := openNote(msg, keys)
	if err != nil {
		return Checkpoint{}, "", err
	}
	c, err = ParseText(text)
	if err != nil {
		return Checkpoint{}, "", err
	}
	if name, _, _ := strings.Cut(signedBy, "+"); name != c.Origin {
		return Checkpoint{}, "", fmt.Errorf("a head of %q is signed by a key of %q", c.Origin, name)
	}
	return c, signedBy, nil
}

func openNote(msg []byte, keys []note.Verifier) (text, signedBy string, err error) {
	if len(msg) > maxCheckpoint {
		return "", "", fmt.Errorf("a signed note of %d bytes, more than %d", len(msg), maxCheckpoint)
	}
	n, err := note.Open(msg, note.VerifierList(keys...))
	var unknown *note.UnverifiedNoteError
	var broken *note.InvalidSignatureError
	switch {
	case errors.As(err, &unknown):
		return "", "", errors.New("none of the given keys has signed it")
	case errors.As(err, &broken):
		return "", "", fmt.Errorf("the signature of %s does not fit the text", keyName(broken.Name, broken.Hash))
	case err != nil:
		return "", "", errors.New("it is not a signed note")
	}
	return n.Text, keyName(n.Sigs[0].Name, n.Sigs[0].Hash), nil
}

func keyName(name string, id uint32) string { return fmt.Sprintf("%s+%08x", name, id) }

// parseHash reads a base64 hash in its one canonical spelling.
func parseHash(s string) (tlog.Hash, error) {
	h, err := tlog.ParseHash(s)
	if err != nil || h.String() != s {
		return tlog.Hash{}, errors.New("not a base64 SHA-256")
	}
	return h, nil
}

// publicText derives the public key text from the private one, whose form is
// PRIVATE+KEY+name+id+base64(algorithm byte, seed).
func publicText(private string) (string, error) {
	parts := strings.SplitN(private, "+", 5)
	seed, err := base64.StdEncoding.DecodeString(parts[len(parts)-1])
	if len(parts) != 5 || err != nil || len(seed) != 1+ed25519.SeedSize {
		return "", errors.New("the ledger's key is not an Ed25519 key")
	}
	public, ok := ed25519.NewKeyFromSeed(seed[1:]).Public().(ed25519.PublicKey)
	if !ok {
		return "", errors.New("the ledger's key is not an Ed25519 key")
	}
	return note.NewEd25519VerifierKey(parts[2], public)
}
