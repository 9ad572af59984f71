package mapping

import (
	"slices"

	"tidegate/poct"
)

// Resolve attaches the context that was looked up to a reading. It decides
// nothing: what was not found stays empty, and the checks say so.
func Resolve(r poct.Reading, f poct.Facts) poct.Result {
	if r.Status == poct.StatusWithdrawn && f.Owner != nil {
		r.Measurements = withdrawn(f.Owner.Reading.Measurements, r.Measurements)
	}
	res := poct.Result{Key: r.Key(), Reading: r}
	if f.Site != nil {
		res.Site, res.SiteName = f.Site.ID, f.Site.Name
	} else if f.Meter != nil {
		res.Site = f.Meter.Site
	}
	if f.Patient != nil {
		res.Patient = *f.Patient
	}
	if f.Visit != nil {
		res.Visit = f.Visit.ID
	}
	res.OperatorOK = f.Operator != nil
	res.LotOK = f.StripLot != nil
	// The earlier of what the meter sent and what the registry holds.
	res.LotExpires = r.StripExpires
	if f.StripLot != nil && f.StripLot.Expires != "" && (res.LotExpires == "" || f.StripLot.Expires < res.LotExpires) {
		res.LotExpires = f.StripLot.Expires
	}
	return res
}

// withdrawn keeps the values that a withdrawal takes back and does not repeat:
// in the record they stay readable under the status entered-in-error.
func withdrawn(was, now []poct.Measurement) []poct.Measurement {
	out := slices.Clone(now)
	for _, old := range was {
		i := slices.IndexFunc(out, func(m poct.Measurement) bool { return m.Analyte == old.Analyte })
		switch {
		case i < 0:
			out = append(out, old)
		case out[i].RawValue == "" || out[i].RawValue == `""`:
			out[i] = old
		}
	}
	return out
}
