package store

import (
	"crypto/rand"
	"encoding/binary"
	"time"

	"github.com/google/uuid"
)

// nextSeq gives the next row number: the time in milliseconds and twelve bits
// of its fraction, as they stand at the front of a UUID v7 (RFC 9562, section
// 6.2, method 3), and always above the one before, also when the clock steps
// back.
func (t *tx) nextSeq() int64 {
	t.lastSeq = max(frontOf(t.at), t.lastSeq+1)
	return t.lastSeq
}

// frontOf is a time as it stands at the front of an id.
func frontOf(at time.Time) int64 {
	ns := max(at.UnixNano(), 0)
	return ns/1e6<<12 | ns%1e6*4096/1e6
}

// newID is a UUID v7 that begins with a row number.
func (t *tx) newID(seq int64) string {
	var id uuid.UUID
	t.salts.read(id[8:])
	binary.BigEndian.PutUint64(id[:8], uint64(seq>>12)<<16|0x7000|uint64(seq&0xfff)) //nolint:gosec // seq is positive, 60 bits
	id[8] = id[8]&0x3f | 0x80
	return id.String()
}

// seqOf is the row number in an id, 0 if it is no id of ours.
func seqOf(id string) int64 {
	u, err := uuid.Parse(id)
	if err != nil || len(id) != 36 || u.Version() != 7 {
		return 0
	}
	front := binary.BigEndian.Uint64(u[:8])
	return int64(front>>16<<12 | front&0xfff) //nolint:gosec // 60 bits
}

// randomPool reads the system's randomness in larger pieces.
type randomPool struct {
	buf  [4096]byte
	left int
}

func (p *randomPool) read(to []byte) {
	if p.left < len(to) {
		_, _ = rand.Read(p.buf[:]) // never fails: the standard library ends the process instead
		p.left = len(p.buf)
	}
	copy(to, p.buf[len(p.buf)-p.left:])
	p.left -= len(to)
}

// micros is a time as stored: microseconds since 1970, 0 for none.
func micros(t time.Time) int64 {
	if t.IsZero() {
		return 0
	}
	return t.UnixMicro()
}

func fromMicros(n int64) time.Time {
	if n == 0 {
		return time.Time{}
	}
	return time.UnixMicro(n).UTC()
}
