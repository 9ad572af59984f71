package store

import (
	"bytes"
	"fmt"
	"slices"

	"tidegate/ledger"
	"tidegate/poct"
)

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

func sortItems(items []ledger.Item) {
	slices.SortFunc(items, func(a, b ledger.Item) int { return int(a.Event.Index - b.Event.Index) })
}

// noteText is the text of a signed note without its signatures.
func noteText(note []byte) string {
	text, _, _ := bytes.Cut(note, []byte("\n\n"))
	return string(text) + "\n"
}
