package registry

import (
	"slices"
	"time"

	"tidegate/poct"
)

// Orders says which open orders may be meant by a test that names none.
type Orders struct {
	Window time.Duration // how long before the test it may have been placed; 0: no order is looked for
	Codes  []string      // of orders for this test; none: the codes of what was measured
}

// afterTest is how long after a test an order for it may be placed: it is often
// entered once the drop is on the strip. Our own choice.
const afterTest = time.Hour

// orders finds the order that asked for a test: the one whose number the meter
// sent; where it sent none, the only open one of this patient that fits by
// code, site and time. Several are listed and none is chosen.
func (l *lookup) orders() error {
	at := l.r.Tested()
	if l.f.Patient == nil || l.r.Order == "" && (l.look.Orders.Window == 0 || at.IsZero()) {
		return nil
	}
	var fit []poct.Order
	for _, ref := range l.merged {
		rows, err := l.book.Orders(ref.Authority, ref.ID)
		if err != nil {
			return err
		}
		for _, o := range rows {
			if l.meant(o, at) {
				fit = append(fit, o)
			}
		}
	}
	switch {
	case len(fit) == 1:
		l.f.Order = &fit[0]
	case len(fit) > 1:
		l.f.Orders = fit
	}
	return nil
}

func (l *lookup) meant(o poct.Order, at time.Time) bool {
	if l.r.Order != "" {
		return o.Status != poct.OrderCancelled && (o.Placer == l.r.Order || o.Filler == l.r.Order)
	}
	return o.Status == poct.OrderOpen && l.asks(o) &&
		(o.Site == "" || l.f.Meter == nil || o.Site == l.f.Meter.Site) &&
		!o.Placed.Before(at.Add(-l.look.Orders.Window)) && !o.Placed.After(at.Add(afterTest))
}

// asks tells whether an order is for what was measured.
func (l *lookup) asks(o poct.Order) bool {
	if codes := l.look.Orders.Codes; len(codes) > 0 {
		return slices.Contains(codes, o.Code)
	}
	return slices.ContainsFunc(l.r.Measurements, func(m poct.Measurement) bool {
		return o.Code != "" && (o.Code == m.LOINC || o.Code == m.Code)
	})
}
