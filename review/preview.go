package review

import (
	"context"
	"fmt"

	"tidegate/poct"
)

// Preview tells what would become of a hold if it were checked again now, and
// changes nothing. It judges by what is known at this moment: the act itself
// judges anew. Errors as of Settle.
func (d *Desk) Preview(_ context.Context, actor poct.Actor, book poct.Book, h poct.HoldRecord, a poct.Arrival) (poct.Decision, error) {
	if !AtSite(actor, h.Site) {
		return poct.Decision{}, fmt.Errorf("hold %s: %w", h.ID, poct.ErrNotFound)
	}
	dec, err := d.s.Judge.Again(book, h, a, poct.Settlement{Act: poct.ActRetry, Version: h.Version, Actor: actor.Name, At: d.s.Now()})
	if err != nil {
		return poct.Decision{}, fmt.Errorf("judge hold %s again: %w", h.ID, err)
	}
	return dec, nil
}
