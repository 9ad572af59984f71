package store

import (
	"bytes"
	"context"
	"fmt"
	"slices"

	"tidegate/ledger"
	"tidegate/poct"
)

// oldHeads is how many earlier heads a pack shows that the ledger grew from.
const oldHeads = 16

// Pack gathers what an auditor takes away about results and arrivals: their
// events under the newest signed head, with the bytes they vouch for. Ids are
// those that Trace takes.
func (s *Store) Pack(ctx context.Context, ids ...string) (ledger.Pack, error) {
	q := s.read.with(ctx)
	note, head, err := newestCheckpoint(q)
	if err != nil {
		return ledger.Pack{}, err
	}
	p := ledger.Pack{Checkpoint: note}
	seen := map[int64]bool{}
	tree := s.tree.Load()
	for _, id := range ids {
		t, err := s.Trace(ctx, id)
		if err != nil {
			return p, err
		}
		for _, e := range t.Events {
			if seen[e.Index] || e.Index >= head.Size {
				continue
			}
			seen[e.Index] = true
			item := ledger.Item{Event: e}
			if item.Proof, err = tree.Prove(head, e.Index, tileReader(q)); err != nil {
				return p, fmt.Errorf("prove event %d: %w", e.Index, err)
			}
			if err := s.vouched(q, &item); err != nil {
				return p, err
			}
			p.Items = append(p.Items, item)
		}
	}
	slices.SortFunc(p.Items, func(a, b ledger.Item) int { return int(a.Event.Index - b.Event.Index) })
	p.Anchors, err = s.growth(q, tree, head, note)
	return p, err
}

// growth proves that the ledger grew from heads signed before.
func (s *Store) growth(q querier, tree *ledger.Tree, head ledger.Head, note []byte) ([]ledger.Growth, error) {
	origin, err := ledger.ParseText(noteText(note))
	if err != nil {
		return nil, fmt.Errorf("read checkpoint: %w", err)
	}
	old, err := collect(q, func(rows rowSet) (ledger.Head, error) {
		var h ledger.Head
		var root []byte
		err := rows.Scan(&h.Size, &root)
		copy(h.Root[:], root)
		return h, err
	}, `SELECT size, root FROM checkpoints WHERE size < ? ORDER BY size DESC LIMIT ?`, head.Size, oldHeads)
	if err != nil {
		return nil, fmt.Errorf("read checkpoints: %w", err)
	}
	var out []ledger.Growth
	for i := len(old) - 1; i >= 0; i-- {
		proof, err := tree.ProveGrowth(head, old[i].Size, tileReader(q))
		if err != nil {
			return nil, fmt.Errorf("prove growth from %d: %w", old[i].Size, err)
		}
		out = append(out, ledger.Growth{Anchor: ledger.Checkpoint{Origin: origin.Origin, Head: old[i]}, Proof: proof})
	}
	return out, nil
}

// vouched adds the bytes whose digest an event's payload names.
func (s *Store) vouched(q querier, item *ledger.Item) error {
	switch item.Event.Kind {
	case poct.EventReceived:
		a, _, err := s.arrival(q, seqOf(item.Event.Arrival))
		if err != nil {
			return err
		}
		item.Raw = a.Raw
	case poct.EventIntent:
		m, err := decode[receiptMore](ledger.ReadPayload(item.Event).More)
		if err != nil || m.Delivery == 0 {
			return nil // erased
		}
		var packed []byte
		if err := q.row(`SELECT body FROM deliveries WHERE id = ?`, m.Delivery).Scan(&packed); err != nil {
			return fmt.Errorf("read body of delivery %d: %w", m.Delivery, err)
		}
		if item.Sent, err = s.packer.out.DecodeAll(packed, nil); err != nil {
			return fmt.Errorf("body of delivery %d cannot be unpacked: %w", m.Delivery, err)
		}
	}
	return nil
}

// noteText is the text of a signed note without its signatures.
func noteText(note []byte) string {
	text, _, _ := bytes.Cut(note, []byte("\n\n"))
	return string(text) + "\n"
}
