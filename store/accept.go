package store

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"

	"github.com/klauspost/compress/zstd"

	"tidegate/ledger"
	"tidegate/poct"
)

// maxNotice is how many bytes of a notice are kept.
const maxNotice = 64 << 10

// Accept stores an arrival and returns when it would survive a power cut. The
// same bytes from the same source are no new arrival: they get the first
// one's id, after the commit that holds it, and are counted. Any error means
// that the sender must keep what it sent; it is an unknown outcome, and a
// resend is told apart by its digest. Errors match poct.ErrStoreDown.
func (s *Store) Accept(ctx context.Context, a poct.Arrival) (poct.Accepted, error) {
	if s.space.tight() {
		return poct.Accepted{}, fmt.Errorf("%w: the disk is nearly full", poct.ErrStoreDown)
	}
	if a.Source == "" {
		a.Source = a.Inlet
	}
	if a.Received.IsZero() {
		a.Received = s.now()
	}
	a.Digest = sha256.Sum256(a.Raw)
	raw, packed := s.packer.pack(a.Raw)
	payload := &ledger.Payload{SHA256: hex.EncodeToString(a.Digest[:]), Bytes: len(a.Raw), Inlet: a.Inlet}

	var got poct.Accepted
	err := s.do(ctx, func(t *tx) error {
		var batch any
		if a.Batch != nil {
			id, err := t.batchID(a.Batch)
			if err != nil {
				return fmt.Errorf("store batch: %w", err)
			}
			batch = id
		}
		seq := t.nextSeq()
		id := t.newID(seq)
		n, err := t.exec(`INSERT INTO arrivals
			(seq, id, inlet, source, digest, received, peer, format, control, batch, position, fault, event, packed, raw)
			VALUES (?,?,?,?,?,?,?,?,?,?,?,?,?,?,?) ON CONFLICT (digest, source) DO NOTHING`,
			seq, id, a.Inlet, a.Source, a.Digest[:], micros(a.Received), a.Peer, a.Format, a.ControlID, batch, a.Position, a.Fault,
			t.nextEvent(), packed, raw)
		if err != nil {
			return fmt.Errorf("store arrival: %w", err)
		}
		if n == 0 {
			got, err = t.resent(a)
			return err
		}
		got = poct.Accepted{Arrival: id}
		if _, err := t.event(poct.Event{Kind: poct.EventReceived, Arrival: id}, payload); err != nil {
			return err
		}
		t.count(arrivalsIn(poct.Waiting), 1)
		t.count(countInlet+a.Inlet, 1)
		t.count(countHour+hourOf(t.at)+"/"+a.Inlet, 1)
		t.after = append(t.after, t.wakeJudges)
		return nil
	})
	if err != nil {
		return poct.Accepted{}, fmt.Errorf("%w: %w", poct.ErrStoreDown, err)
	}
	return got, nil
}

func (s *Store) wakeJudges() { signal(s.arrived) }

// Arrived signals that an arrival may be waiting to be judged.
func (s *Store) Arrived() <-chan struct{} { return s.arrived }

// nextEvent is the index that the transaction's next event will have.
func (t *tx) nextEvent() int64 { return t.base().Size() + int64(len(t.events)) }

// resent answers bytes that came before. It changes one row, so that it needs
// no savepoint.
func (t *tx) resent(a poct.Arrival) (poct.Accepted, error) {
	var seq int64
	got := poct.Accepted{Resent: true}
	err := t.row(`SELECT seq, id FROM arrivals WHERE digest = ? AND source = ?`, a.Digest[:], a.Source).Scan(&seq, &got.Arrival)
	if err != nil {
		return got, fmt.Errorf("find first arrival: %w", err)
	}
	if _, err = t.exec(`INSERT INTO resends (arrival, count, last) VALUES (?, 1, ?)
		ON CONFLICT (arrival) DO UPDATE SET count = count + 1, last = excluded.last`, seq, micros(t.at)); err != nil {
		return got, fmt.Errorf("count resend: %w", err)
	}
	t.count(countResends, 1)
	t.count(countInlet+a.Inlet, 0) // heard, and nothing new
	_, err = t.event(poct.Event{Kind: poct.EventResent, Arrival: got.Arrival}, &ledger.Payload{Inlet: a.Inlet})
	return got, err
}

// Notice stores what an inlet saw that is no arrival, at most 64 KiB of it.
func (s *Store) Notice(ctx context.Context, n poct.Notice) error {
	if s.space.tight() {
		return fmt.Errorf("%w: the disk is nearly full", poct.ErrStoreDown)
	}
	if len(n.Bytes) > maxNotice {
		n.Bytes = n.Bytes[len(n.Bytes)-maxNotice:]
	}
	if n.At.IsZero() {
		n.At = s.now()
	}
	digest := sha256.Sum256(n.Bytes)
	return s.do(ctx, func(t *tx) error {
		if _, err := t.exec(`INSERT INTO notices (inlet, peer, at, what, bytes, event) VALUES (?,?,?,?,?,?)`,
			n.Inlet, n.Peer, micros(n.At), n.What, n.Bytes, t.nextEvent()); err != nil {
			return fmt.Errorf("store notice: %w", err)
		}
		_, err := t.event(poct.Event{Kind: poct.EventInlet}, &ledger.Payload{
			Inlet: n.Inlet, Reason: n.What, SHA256: hex.EncodeToString(digest[:]), Bytes: len(n.Bytes)})
		return err
	})
}

// batchMemo remembers the digest of the batch seen last: each of its messages
// brings it along.
type batchMemo struct {
	body   []byte
	digest [sha256.Size]byte
}

func (m *batchMemo) of(body []byte) [sha256.Size]byte {
	if len(body) == 0 || len(m.body) != len(body) || &m.body[0] != &body[0] {
		m.body, m.digest = body, sha256.Sum256(body)
	}
	return m.digest
}

// batchID stores a batch once and returns its number.
func (t *tx) batchID(body []byte) (int64, error) {
	digest := t.batch.of(body)
	var id int64
	err := t.row(`SELECT id FROM batches WHERE digest = ?`, digest[:]).Scan(&id)
	if !errors.Is(err, errNoRows) {
		return id, err
	}
	stored, packed := t.packer.pack(body)
	err = t.row(`INSERT INTO batches (digest, packed, body) VALUES (?,?,?) RETURNING id`, digest[:], packed, stored).Scan(&id)
	return id, err
}

// worthPacking is from how many bytes on raw messages are compressed; below it
// the saving is not worth the time.
const worthPacking = 4 << 10

// packer compresses and decompresses with zstd (RFC 8878).
type packer struct {
	in  *zstd.Encoder
	out *zstd.Decoder
}

func newPacker() *packer {
	in, err := zstd.NewWriter(nil, zstd.WithEncoderLevel(zstd.SpeedFastest), zstd.WithEncoderConcurrency(2))
	if err != nil {
		panic(err) // constant options: cannot happen
	}
	out, err := zstd.NewReader(nil, zstd.WithDecoderMaxMemory(256<<20), zstd.WithDecoderConcurrency(2))
	if err != nil {
		panic(err)
	}
	return &packer{in, out}
}

// pack compresses where that helps.
func (p *packer) pack(raw []byte) (stored []byte, packed bool) {
	if raw == nil {
		raw = []byte{} // an empty message is one, not none
	}
	if len(raw) < worthPacking {
		return raw, false
	}
	small := p.in.EncodeAll(raw, make([]byte, 0, len(raw)/2))
	if len(small) >= len(raw)-len(raw)/8 {
		return raw, false
	}
	return small, true
}

func (p *packer) unpack(stored []byte, packed bool) ([]byte, error) {
	if !packed {
		return append([]byte{}, stored...), nil
	}
	return p.out.DecodeAll(stored, nil)
}
