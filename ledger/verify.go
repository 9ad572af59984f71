package ledger

import (
	"archive/zip"
	"bytes"
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"

	"golang.org/x/mod/sumdb/note"

	"tidegate/poct"
)

// Caps on a pack from anywhere.
const (
	maxPackFiles = 200_000
	maxPackFile  = 64 << 20
	maxPackTotal = 1 << 30
	maxFaults    = 1000
)

// Fault is what does not fit, and at which event; Index is -1 where it is
// about the whole.
type Fault struct {
	Index int64  `json:"index"`
	What  string `json:"what"`
}

// Verification is the answer of a check of a ledger or a pack.
type Verification struct {
	Verified bool    `json:"verified"` // everything fits
	Size     int64   `json:"size"`     // events in the ledger at the head
	Root     string  `json:"root"`     // base64; "" if the head cannot be read
	Faults   []Fault `json:"faults"`
	Origin   string  `json:"origin,omitempty"`
	Events   int64   `json:"events"`              // checked
	Erased   int64   `json:"erased,omitempty"`    // of which the payload was erased
	SignedBy string  `json:"signed_by,omitempty"` // name+id of the key
	// Trusted tells that the key was given from outside. Else Verified says
	// only that the pack fits together, and a note says so in words.
	Trusted bool     `json:"trusted"`
	Notes   []string `json:"notes,omitempty"`
}

// fault adds what does not fit. After a thousand no more are listed.
func (v *Verification) fault(index int64, format string, args ...any) {
	if len(v.Faults) < maxFaults {
		v.Faults = append(v.Faults, Fault{index, fmt.Sprintf(format, args...)})
	}
}

// VerifyPack checks a pack of size bytes against the public keys in the text
// keys, one a line. Without keys it takes the one that came with the pack and
// says so in a note. Whatever is wrong, keys that cannot be read too, stands
// in the answer.
func VerifyPack(r io.ReaderAt, size int64, keys string) Verification {
	v := verifier{
		report: Verification{Faults: []Fault{}},
		want:   map[string]packFile{}, files: map[string]*zip.File{}, read: map[string]bool{},
	}
	if strings.TrimSpace(keys) != "" {
		trusted, err := Keys(keys)
		if err != nil {
			v.report.fault(-1, "the given key: %v", err)
			return v.report
		}
		v.keys, v.report.Trusted = trusted, true
	}
	if v.open(r, size) && v.manifest() && v.checkpoint() {
		v.events()
		v.anchors()
	}
	v.rest()
	v.report.Verified = len(v.report.Faults) == 0
	return v.report
}

type verifier struct {
	report     Verification
	keys       []note.Verifier
	files      map[string]*zip.File
	names      []string // of files, sorted
	want       map[string]packFile
	read       map[string]bool
	total      int64
	signedHead []byte
	head       Checkpoint
}

// open looks at the container: names, number, sizes, and nothing hidden
// beside the files.
func (v *verifier) open(r io.ReaderAt, size int64) bool {
	z, err := zip.NewReader(r, size)
	if err != nil {
		v.report.fault(-1, "the pack is not a readable zip file")
		return false
	}
	if len(z.File) > maxPackFiles {
		v.report.fault(-1, "the pack holds %d files, more than %d", len(z.File), maxPackFiles)
		return false
	}
	if z.Comment != "" {
		v.report.fault(-1, "the zip carries a comment, which no pack has")
	}
	for _, f := range z.File {
		index, ok := packName(f.Name)
		switch {
		case !ok:
			v.report.fault(-1, "%q is no file of a pack", clip(f.Name))
			continue
		case v.files[f.Name] != nil:
			v.report.fault(index, "%s stands in the zip twice", f.Name)
			continue
		case f.Comment != "" || len(f.Extra) > 0 || f.Method != zip.Store && f.Method != zip.Deflate || f.Flags&1 != 0:
			v.report.fault(index, "%s is stored in a way that no pack uses", f.Name)
		}
		v.files[f.Name] = f
		v.names = append(v.names, f.Name)
	}
	slices.Sort(v.names)
	return true
}

// bytes reads a file within the caps and compares it with the manifest.
// Each file is read once.
func (v *verifier) bytes(name string) ([]byte, bool) {
	index, _ := packName(name)
	f := v.files[name]
	if f == nil || v.read[name] {
		return nil, false
	}
	v.read[name] = true
	if f.UncompressedSize64 > maxPackFile || v.total+int64(f.UncompressedSize64) > maxPackTotal { //nolint:gosec // capped by the first condition
		v.report.fault(index, "%s is too large: a file may have %d bytes, all together %d", name, maxPackFile, maxPackTotal)
		return nil, false
	}
	src, err := f.Open()
	if err != nil {
		v.report.fault(index, "%s cannot be read from the zip", name)
		return nil, false
	}
	data, err := io.ReadAll(io.LimitReader(src, maxPackFile+1))
	v.total += int64(len(data))
	if err := errors.Join(err, src.Close()); err != nil || len(data) > maxPackFile {
		v.report.fault(index, "%s cannot be read from the zip", name)
		return nil, false
	}
	if want, ok := v.want[name]; ok {
		if sum := sha256.Sum256(data); hex.EncodeToString(sum[:]) != want.SHA256 || int64(len(data)) != want.Size {
			v.report.fault(index, "%s is not what the manifest lists", name)
		}
	}
	return data, true
}

// manifest reads the list of files, checks who signed it, and names files
// missing or slipped in.
func (v *verifier) manifest() bool {
	body, ok := v.bytes("manifest.json")
	signed, ok2 := v.bytes("manifest.note")
	if !ok || !ok2 {
		v.report.fault(-1, "the pack has no manifest.json or no manifest.note")
		return false
	}
	var m manifest
	if json.Unmarshal(body, &m) != nil {
		v.report.fault(-1, "manifest.json is not readable")
		return false
	}
	if again, err := json.Marshal(m); err != nil || m.Form != packForm || !bytes.Equal(again, body) {
		v.report.fault(-1, "manifest.json is not in the form of a pack's list")
		return false
	}
	for _, f := range m.Files {
		if _, ok := packName(f.Name); !ok || strings.HasPrefix(f.Name, "manifest.") || v.want[f.Name].Name != "" {
			v.report.fault(-1, "manifest.json lists %q, which it must not", clip(f.Name))
			continue
		}
		v.want[f.Name] = f
		if v.files[f.Name] == nil {
			index, _ := packName(f.Name)
			v.report.fault(index, "%s is missing", f.Name)
		}
	}
	for _, name := range v.names {
		if v.want[name].Name == "" && !strings.HasPrefix(name, "manifest.") {
			index, _ := packName(name)
			v.report.fault(index, "%s was slipped in: the manifest does not list it", name)
		}
	}
	return v.signature(m, body, signed)
}

// signature checks the manifest's note, with the pack's own key where none
// was given.
func (v *verifier) signature(m manifest, body, signed []byte) bool {
	text, ok := v.bytes("keys.txt")
	if v.keys == nil {
		keys, err := Keys(string(text))
		if !ok || err != nil {
			v.report.fault(-1, "no key was given, and keys.txt holds none that can be read")
			return false
		}
		v.keys = keys
	}
	got, by, err := openNote(signed, v.keys)
	if err != nil {
		v.report.fault(-1, "manifest.note: %v", err)
		return false
	}
	name, _, _ := strings.Cut(by, "+")
	if got != manifestText(body) || name != m.Origin || !canonicalNote(signed, got) {
		v.report.fault(-1, "manifest.note does not sign this manifest.json")
		return false
	}
	v.report.SignedBy = by
	if !v.report.Trusted {
		v.report.Notes = []string{"signed by key " + by + ", which came with the pack and is not proof by itself"}
	}
	return true
}

// canonicalNote tells whether a note has one signature line in the one
// spelling of its base64, so that no byte of it is free.
func canonicalNote(signed []byte, text string) bool {
	line, ok := strings.CutPrefix(string(signed), text+"\n— ")
	if !ok || strings.Count(line, "\n") != 1 {
		return false
	}
	_, sig, _ := strings.Cut(strings.TrimSuffix(line, "\n"), " ")
	_, err := base64.StdEncoding.Strict().DecodeString(sig)
	return err == nil
}

func (v *verifier) checkpoint() bool {
	signed, ok := v.bytes("checkpoint")
	if !ok {
		return false // its absence is named already
	}
	head, by, err := Open(signed, v.keys...)
	if err != nil {
		v.report.fault(-1, "checkpoint: %v", err)
		return false
	}
	if by != v.report.SignedBy {
		v.report.fault(-1, "the manifest is signed by %s and the head by %s", v.report.SignedBy, by)
	}
	v.signedHead, v.head = signed, head
	v.report.Origin, v.report.Size, v.report.Root = head.Origin, head.Size, head.Root.String()
	return true
}

// events checks each leaf, its proof, its payload and the bytes beside it.
func (v *verifier) events() {
	salts := v.salts()
	for _, name := range v.names {
		index, _ := packName(name)
		if !strings.HasSuffix(name, ".json") || index < 0 {
			continue
		}
		leaf, ok := v.bytes(name)
		if !ok {
			continue
		}
		v.report.Events++
		e, err := ParseLeaf(leaf)
		if err != nil {
			v.report.fault(index, "%v", err)
			continue
		}
		if e.Index != index {
			v.report.fault(index, "the leaf is that of event %d", e.Index)
		}
		base := fmt.Sprintf("%012d", index)
		v.proof(index, leaf, "events/"+base+".tlog-proof")
		e.Salt = salts[index]
		delete(salts, index)
		v.payload(&e, "events/"+base+".payload")
		v.vouched(e, "raw/"+base)
		v.vouched(e, "sent/"+base)
	}
	for index := range salts {
		v.report.fault(index, "salts.jsonl has a salt for an event that is not here")
	}
}

func (v *verifier) proof(index int64, leaf []byte, name string) {
	text, ok := v.bytes(name)
	if !ok {
		v.report.fault(index, "there is no proof of it")
		return
	}
	proved, path, checkpoint, err := ParseProof(text)
	switch {
	case err != nil:
		v.report.fault(index, "its proof: %v", err)
	case proved != index || !bytes.Equal(checkpoint, v.signedHead):
		v.report.fault(index, "its proof is for another event or head")
	case CheckInclusion(v.head.Head, index, HashLeaf(leaf), path) != nil:
		v.report.fault(index, "it does not stand in the ledger like this: %v", ErrProof)
	}
}

// payload compares the payload with the leaf's digest. A payload that is not
// there was erased; then no salt may be there either.
func (v *verifier) payload(e *poct.Event, name string) {
	data, ok := v.bytes(name)
	switch {
	case !ok && e.Salt != nil:
		v.report.fault(e.Index, "there is a salt but no payload")
	case !ok && e.Digest != "":
		v.report.Erased++
	case ok:
		e.Payload = data
		if len(data) == 0 || len(e.Salt) != SaltSize || Digest(*e) != e.Digest {
			v.report.fault(e.Index, "its payload and salt do not fit the digest in the leaf")
			e.Payload = nil
		}
	}
}

// vouched compares bytes that came or went with the payload of their event.
func (v *verifier) vouched(e poct.Event, name string) {
	data, ok := v.bytes(name)
	if ok && !vouches(e.Payload, sha256.Sum256(data)) {
		v.report.fault(e.Index, "%s is not what the event says", name)
	}
}

func (v *verifier) salts() map[int64][]byte {
	salts := map[int64][]byte{}
	data, _ := v.bytes("salts.jsonl")
	for line := range strings.Lines(string(data)) {
		var s saltLine
		err := json.Unmarshal([]byte(line), &s)
		salt, err2 := hex.DecodeString(s.Salt)
		if err != nil || err2 != nil || salts[s.Index] != nil || line != fmt.Sprintf("{\"index\":%d,\"salt\":\"%x\"}\n", s.Index, salt) {
			v.report.fault(-1, "salts.jsonl has a line that is not in its form")
			continue
		}
		salts[s.Index] = salt
	}
	return salts
}

func (v *verifier) anchors() {
	for _, name := range v.names {
		if !strings.HasPrefix(name, "anchors/") {
			continue
		}
		text, ok := v.bytes(name)
		if !ok {
			continue
		}
		anchor, path, err := parseGrowth(text)
		switch {
		case err != nil:
			v.report.fault(-1, "%s: %v", name, err)
		case anchor.Origin != v.head.Origin || name != fmt.Sprintf("anchors/%012d", anchor.Size):
			v.report.fault(-1, "%s is an anchor of another ledger or size", name)
		case CheckGrowth(anchor.Head, v.head.Head, path) != nil:
			v.report.fault(-1, "the ledger did not grow from the head anchored at %d events: it was rewritten", anchor.Size)
		}
	}
}

// rest reads what nothing else has read, so that every byte is compared, and
// names bytes that belong to no event.
func (v *verifier) rest() {
	for _, name := range v.names {
		if v.read[name] {
			continue
		}
		if _, ok := v.bytes(name); !ok {
			continue
		}
		if index, _ := packName(name); index >= 0 && v.signedHead != nil {
			v.report.fault(index, "%s belongs to no event in the pack", name)
		}
	}
}

func clip(s string) string {
	if len(s) > 80 {
		return s[:80]
	}
	return s
}
