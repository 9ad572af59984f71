package mapping

import (
	"cmp"
	"strings"
	"time"

	"tidegate/poct"
	"tidegate/wire/hl7"
)

// orderControl maps the order control codes of HL7 table 0119 that a placer
// sends: what becomes of the order. "" leaves its status as it is.
var orderControl = map[string]string{
	"NW": poct.OrderOpen, "OK": poct.OrderOpen, "RO": poct.OrderOpen, "XO": "", "XX": "", "SC": "", "SN": poct.OrderOpen, "NA": "", "RP": poct.OrderCancelled,
	"CA": poct.OrderCancelled, "OC": poct.OrderCancelled, "CR": poct.OrderCancelled,
	"DC": poct.OrderCancelled, "OD": poct.OrderCancelled, "DR": poct.OrderCancelled,
}

// orderStatus maps HL7 table 0038; A, HD, IP, RP and SC leave an order as it is.
var orderStatus = map[string]string{"CM": poct.OrderCompleted, "CA": poct.OrderCancelled, "DC": poct.OrderCancelled}

// orders reads ORM^O01 and OML^O21. An OBR without an ORC of its own is a
// prior result that came along, and so is what ORC-1 calls one (PR).
func (c *contextReader) orders() {
	groups, _ := c.m.Orders()
	for _, o := range groups {
		if !ownORC(o) || c.text(o.ORC.Field(1)) == "PR" {
			continue
		}
		status, known := orderControl[c.text(o.ORC.Field(1).First())]
		if !known {
			continue
		}
		if done := orderStatus[c.text(o.ORC.Field(5).First())]; done != "" {
			status = done
		}
		refs := c.refs(o.PID.Field(3))
		if len(refs) == 0 {
			c.fail(o.PID.Field(3), "an order names no patient: PID-3 has no identifier")
		}
		n := poct.OrderNews{Order: poct.Order{
			Placer: cmp.Or(c.text(o.ORC.Field(2).First()), c.text(o.OBR.Field(2).First())),
			Filler: cmp.Or(c.text(o.ORC.Field(3).First()), c.text(o.OBR.Field(3).First())),
			Code:   cmp.Or(c.text(o.OBR.Field(4).Component(1).First()), c.text(o.OBR.Field(4).Component(4))),
			Placed: c.placed(o), Status: status,
		}, Places: c.places(o.PV1.Field(3).Component(1), o.PV1.Field(3).Component(4), o.ORC.Field(13).Component(4), c.m.Get("MSH-4"))}
		if n.Order.ID = cmp.Or(n.Order.Placer, n.Order.Filler); n.Order.ID == "" {
			c.fail(o.ORC.Field(2), "an order has no number (ORC-2, ORC-3)")
		}
		c.target(o, &n.Order)
		for _, ref := range refs {
			n.Order.Authority, n.Order.Patient = ref.Authority, ref.ID
			c.news.Orders = append(c.news.Orders, n)
		}
	}
	if c.news.AsOf.At.IsZero() { // orders have no EVN
		c.news.AsOf.At = c.news.AsOf.Sent
	}
}

// ownORC tells an ORC of this order from none.
func ownORC(o *hl7.Order) bool {
	return o.ORC.Exists() && (!o.PID.Exists() || o.ORC.Index() > o.PID.Index())
}

// placed is when the order is for: TQ1-7, else ORC-9, OBR-6, and the message.
func (c *contextReader) placed(o *hl7.Order) time.Time {
	for _, v := range []hl7.Value{o.Find("TQ1", 1).Field(7), o.ORC.Field(9), o.OBR.Field(6), c.m.Get("MSH-7")} {
		if at := c.time(v); !at.IsZero() {
			return at
		}
	}
	return time.Time{}
}

// target reads the therapeutic range from the OBX that the inlet names: 2.0-3.0
// in OBX-5, or with a hyphen as a structured numeric. One that is no range of
// two decimals is none.
func (c *contextReader) target(o *hl7.Order, to *poct.Order) {
	if c.rule.Target == "" {
		return
	}
	for _, b := range o.Observations {
		if read(obxCode, b).text != c.rule.Target {
			continue
		}
		low, high, ok := strings.Cut(strings.TrimLeft(strings.ReplaceAll(c.text(b.OBX.Field(5)), "^", ""), "="), "-")
		if !ok {
			continue
		}
		l, okL := number(strings.TrimSpace(low), false)
		h, okH := number(strings.TrimSpace(high), false)
		if okL && okH && l.Exact() && h.Exact() && l.Cmp(h) <= 0 {
			to.TargetLow, to.TargetHigh = l, h
		}
	}
}
