package ledger

import (
	"archive/zip"
	"bytes"
	"compress/flate"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"io"
	"strings"

	"golang.org/x/mod/sumdb/note"
	"golang.org/x/mod/sumdb/tlog"

	"tidegate/poct"
)

// Pack is what an auditor takes away: events of one or more results, with the
// bytes they vouch for and the proof of each under one signed head.
//
// As a file it is a zip:
//
//	README.txt                how to check it, also without this program
//	manifest.json             every other file but the next, with size and SHA-256
//	manifest.note             the manifest's SHA-256, signed by the ledger's key
//	keys.txt                  the ledger's public key: a copy, not a reason to trust it
//	checkpoint                the signed head
//	events/N.json             the leaf of event N, byte for byte
//	events/N.payload          its payload, unless erased
//	events/N.tlog-proof       its proof, C2SP tlog-proof
//	raw/N, sent/N             the bytes whose SHA-256 the payload of event N names
//	salts.jsonl               the salts of the payloads
//	anchors/N                 a head anchored earlier, of size N, and the proof of growth
//
// N are twelve digits.
type Pack struct {
	Checkpoint []byte // signed
	Items      []Item // by rising index
	Anchors    []Growth
}

// Item is one event of a pack.
type Item struct {
	Event poct.Event
	Proof tlog.RecordProof
	Raw   []byte // the arrival's bytes, at its received event
	Sent  []byte // the rendered body, at its sending event
}

// Growth is an anchored head and the proof that the log grew from it.
type Growth struct {
	Anchor Checkpoint
	Proof  tlog.TreeProof
}

const (
	packForm     = 1
	manifestHead = "tidegate pack 1"
)

// manifest is manifest.json. Its bytes are those of json.Marshal.
type manifest struct {
	Form   int        `json:"form"`
	Origin string     `json:"origin"`
	Files  []packFile `json:"files"`
}

type packFile struct {
	Name   string `json:"name"`
	Size   int64  `json:"size"`
	SHA256 string `json:"sha256"`
}

type saltLine struct {
	Index int64  `json:"index"`
	Salt  string `json:"salt"` // hex
}

const packReadme = `A pack of the ledger: what happened to one or more results, and the proof.

tidegate verify --key KEYFILE PACK.zip checks everything. KEYFILE holds the
ledger's public key, which you should have from the laboratory by another way:
keys.txt in here is a copy and proves nothing by itself.

By hand, with common tools: SHA-256 of the byte 00 and events/N.json is the leaf
hash; the path in events/N.tlog-proof leads from it to the root in checkpoint
(RFC 6962, section 2.1.1), whose signature is an Ed25519 signed note (C2SP
signed-note). The leaf's "payload" is SHA-256 of the salt in salts.jsonl (as
bytes) and events/N.payload. SHA-256 of raw/N or sent/N stands in that payload.

A pack holds health data of patients: keep it as such, and delete it when its
purpose is met. tidegate is not a medical device. Limits are set by the
laboratory's director; local codes and licensed practice come first; the record
and the patient decide, not this program.
`

// WritePack writes a pack as a zip, signed by the ledger's key. It does not
// judge: a pack of a damaged ledger is written as it is, so that verification
// can name the damage.
func WritePack(w io.Writer, p Pack, key *Key) error {
	z := zip.NewWriter(w)
	z.RegisterCompressor(zip.Deflate, func(out io.Writer) (io.WriteCloser, error) {
		return flate.NewWriter(out, flate.BestSpeed)
	})
	m := manifest{Form: packForm, Origin: key.Origin(), Files: []packFile{}}
	put := func(name string, data []byte) error {
		f, err := z.CreateHeader(&zip.FileHeader{Name: name, Method: zip.Deflate})
		if err != nil {
			return fmt.Errorf("write pack: %w", err)
		}
		if _, err := f.Write(data); err != nil {
			return fmt.Errorf("write pack: %w", err)
		}
		sum := sha256.Sum256(data)
		m.Files = append(m.Files, packFile{name, int64(len(data)), hex.EncodeToString(sum[:])})
		return nil
	}
	for _, f := range packFiles(p, key) {
		if err := put(f.name, f.data); err != nil {
			return err
		}
	}
	body, err := json.Marshal(m)
	if err != nil {
		return fmt.Errorf("write pack: %w", err)
	}
	signed, err := note.Sign(&note.Note{Text: manifestText(body)}, key.signer)
	if err != nil {
		return fmt.Errorf("sign pack: %w", err)
	}
	if err := put("manifest.json", body); err != nil {
		return err
	}
	if err := put("manifest.note", signed); err != nil {
		return err
	}
	if err := z.Close(); err != nil {
		return fmt.Errorf("write pack: %w", err)
	}
	return nil
}

type namedBytes struct {
	name string
	data []byte
}

func packFiles(p Pack, key *Key) []namedBytes {
	files := []namedBytes{
		{"README.txt", []byte(packReadme)},
		{"keys.txt", []byte(key.Public() + "\n")},
		{"checkpoint", p.Checkpoint},
	}
	var salts bytes.Buffer
	for _, item := range p.Items {
		e := item.Event
		name := fmt.Sprintf("%012d", e.Index)
		files = append(files, namedBytes{"events/" + name + ".json", Leaf(e)})
		if len(e.Payload) > 0 {
			files = append(files, namedBytes{"events/" + name + ".payload", e.Payload})
			fmt.Fprintf(&salts, "{\"index\":%d,\"salt\":\"%x\"}\n", e.Index, e.Salt)
		}
		files = append(files, namedBytes{"events/" + name + ".tlog-proof", ProofText(e.Index, item.Proof, p.Checkpoint)})
		if item.Raw != nil {
			files = append(files, namedBytes{"raw/" + name, item.Raw})
		}
		if item.Sent != nil {
			files = append(files, namedBytes{"sent/" + name, item.Sent})
		}
	}
	for _, g := range p.Anchors {
		files = append(files, namedBytes{fmt.Sprintf("anchors/%012d", g.Anchor.Size), growthText(g.Anchor, g.Proof)})
	}
	return append(files, namedBytes{"salts.jsonl", salts.Bytes()})
}

// manifestText is what is signed over a manifest. Its lines can never be read
// as a head: there is no size in the second.
func manifestText(body []byte) string {
	return fmt.Sprintf("%s\n%x\n", manifestHead, sha256.Sum256(body))
}

// packName tells whether a file may stand in a pack, and of which event.
func packName(name string) (index int64, ok bool) {
	switch name {
	case "README.txt", "keys.txt", "checkpoint", "salts.jsonl", "manifest.json", "manifest.note":
		return -1, true
	}
	dir, base, _ := strings.Cut(name, "/")
	digits, ext := base, ""
	if dir == "events" {
		digits, ext, _ = strings.Cut(base, ".")
	}
	if len(digits) != 12 || strings.Trim(digits, "0123456789") != "" {
		return -1, false
	}
	for _, d := range digits {
		index = index*10 + int64(d-'0')
	}
	switch dir {
	case "events":
		return index, ext == "json" || ext == "payload" || ext == "tlog-proof"
	case "raw", "sent":
		return index, true
	case "anchors":
		return -1, true
	}
	return -1, false
}
