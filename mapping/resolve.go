package mapping

import (
	"slices"

	"tidegate/poct"
)

// Resolve attaches the context that was looked up to a reading. It decides
// nothing: what was not found stays empty, and the checks say so.
func Resolve(r poct.Reading, f poct.Facts) poct.Result {
	if r.Status == poct.StatusWithdrawn && f.Owner != nil && len(f.Owner.Reading.Measurements) > 0 {
		// What a withdrawal takes back stays readable in the record, as it was
		// filed: the withdrawal may repeat it in part, with other units, or not.
		r.Measurements = slices.Clone(f.Owner.Reading.Measurements)
	}
	res := poct.Result{Key: r.Key(), Reading: r}
	if f.Site != nil {
		res.Site, res.SiteName = f.Site.ID, f.Site.Name
	} else if f.Meter != nil {
		res.Site = f.Meter.Site
	}
	if f.Patient != nil {
		res.Patient = *f.Patient
		res.Patient.AsOf, res.Patient.Merged = poct.AsOf{}, poct.AsOf{} // of the registry's row, not of the person
	}
	if f.Visit != nil {
		res.Visit, res.Encounter = f.Visit.ID, f.Visit.Encounter
	}
	res.Record = f.Record
	if f.Order != nil {
		res.Ordered = *f.Order
		res.Ordered.AsOf = poct.AsOf{}
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
