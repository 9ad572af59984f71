package poct1a

import "crypto/sha256"

// repeats remembers what one conversation has kept, by control id and bytes.
type repeats struct {
	kept    map[string][32]byte // control id -> digest of the latest document under it
	digests map[[32]byte]bool
	mixed   bool // ids do not tell documents apart here
}

// verdict on a document that is to be kept.
type verdict uint8

const (
	fresh     verdict = iota
	repeated          // kept already, under the same id
	reused            // the id was used for other bytes, for the first time
	confusing         // kept already, and its answer could be taken for another's
)

// remembered bounds the memory of a conversation. What is forgotten is stored
// once more, where its digest tells that it is there.
const remembered = 512

func (r *repeats) note(id string, raw []byte) verdict {
	if len(r.digests) >= remembered {
		r.kept, r.digests = nil, nil
	}
	if r.kept == nil {
		r.kept, r.digests = map[string][32]byte{}, map[[32]byte]bool{}
	}
	digest := sha256.Sum256(raw)
	before, known := r.kept[id]
	again := r.digests[digest]
	first := !r.mixed
	if id == "" || known && before != digest {
		r.mixed = true
	}
	if again && r.mixed {
		return confusing
	}
	if again && known {
		return repeated
	}
	r.kept[id], r.digests[digest] = digest, true
	if first && r.mixed && id != "" {
		return reused
	}
	return fresh
}

// forget takes back what could not be stored.
func (r *repeats) forget(id string, raw []byte) {
	digest := sha256.Sum256(raw)
	delete(r.digests, digest)
	if r.kept[id] == digest {
		delete(r.kept, id)
	}
}
