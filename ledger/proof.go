package ledger

import (
	"bytes"
	"encoding/base64"
	"errors"
	"strconv"
	"strings"

	"golang.org/x/mod/sumdb/tlog"
)

// proofHead is the first line of a proof in the text form of C2SP tlog-proof.
const proofHead = "c2sp.org/tlog-proof@v1"

// maxPath is more hashes than any proof in a log of maxSize has.
const maxPath = 64

var errProofText = errors.New("it is not a proof of the form " + proofHead)

// ProofText writes an inclusion proof with the signed checkpoint that it
// leads to, in the text form of C2SP tlog-proof.
func ProofText(index int64, proof tlog.RecordProof, checkpoint []byte) []byte {
	b := []byte(proofHead + "\nindex ")
	b = strconv.AppendInt(b, index, 10)
	b = append(b, '\n')
	b = appendHashes(b, proof)
	b = append(b, '\n')
	return append(b, checkpoint...)
}

// ParseProof reads such a text. The optional extra line is left aside: nobody
// vouches for it.
func ParseProof(text []byte) (index int64, proof tlog.RecordProof, checkpoint []byte, err error) {
	body, checkpoint, ok := bytes.Cut(text, []byte("\n\n"))
	lines := strings.Split(string(body), "\n")
	if !ok || len(text) > maxCheckpoint || lines[0] != proofHead {
		return 0, nil, nil, errProofText
	}
	lines = lines[1:]
	if len(lines) > 0 {
		if extra, ok := strings.CutPrefix(lines[0], "extra "); ok {
			if _, err := base64.StdEncoding.Strict().DecodeString(extra); err != nil {
				return 0, nil, nil, errProofText
			}
			lines = lines[1:]
		}
	}
	if len(lines) == 0 {
		return 0, nil, nil, errProofText
	}
	digits, ok := strings.CutPrefix(lines[0], "index ")
	index, err = strconv.ParseInt(digits, 10, 64)
	if !ok || err != nil || index < 0 || strconv.FormatInt(index, 10) != digits {
		return 0, nil, nil, errProofText
	}
	hashes, err := parseHashes(lines[1:])
	if err != nil {
		return 0, nil, nil, errProofText
	}
	return index, hashes, checkpoint, nil
}

// growthText writes an anchored head and the proof that a log grew from it:
// the anchor, an empty line, a base64 hash a line.
func growthText(anchor Checkpoint, proof tlog.TreeProof) []byte {
	return appendHashes([]byte(anchor.Text()+"\n"), proof)
}

func parseGrowth(text []byte) (Checkpoint, tlog.TreeProof, error) {
	head, rest, ok := strings.Cut(string(text), "\n\n")
	if !ok || len(text) > maxCheckpoint {
		return Checkpoint{}, nil, errors.New("it has no empty line after the anchored head")
	}
	anchor, err := ParseText(head + "\n")
	if err != nil {
		return Checkpoint{}, nil, err
	}
	var lines []string
	if rest != "" {
		body, ok := strings.CutSuffix(rest, "\n")
		if !ok {
			return Checkpoint{}, nil, errors.New("its last line is cut off")
		}
		lines = strings.Split(body, "\n")
	}
	hashes, err := parseHashes(lines)
	return anchor, hashes, err
}

func appendHashes(b []byte, hashes []tlog.Hash) []byte {
	for _, h := range hashes {
		b = append(append(b, h.String()...), '\n')
	}
	return b
}

func parseHashes(lines []string) ([]tlog.Hash, error) {
	if len(lines) > maxPath {
		return nil, errors.New("too many hashes")
	}
	hashes := make([]tlog.Hash, 0, len(lines))
	for _, line := range lines {
		h, err := parseHash(line)
		if err != nil {
			return nil, err
		}
		hashes = append(hashes, h)
	}
	return hashes, nil
}
