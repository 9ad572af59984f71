package store

import (
	"context"
	"slices"
	"time"

	"tidegate/poct"
)

// Series of results for charts and comparisons. A time range takes in both its
// ends; a zero `from` has no beginning and a zero `to` no end.

// wentOut are patient results that went out or are on their way.
const wentOut = `kind = 'patient' AND state IN ('delivered', 'delivering') `

// PairMaterial lists what meters and the laboratory measured on the same
// patients: results of meters that were released, at a site and with a strip
// lot ("" is any), and filed laboratory results, both tested in [from, to], of
// the patients that have both (Past.Patient tells whose). Oldest first; what was withdrawn is left out.
func (s *Store) PairMaterial(ctx context.Context, from, to time.Time, site, stripLot string) (meters, lab []poct.Past, err error) {
	b := s.bookUnder(ctx)
	meters, err = b.pasts(`WHERE seq IN (SELECT p.seq FROM
			(SELECT DISTINCT authority, patient FROM results WHERE kind = 'comparison' AND state = 'filed' AND patient <> '' AND tested BETWEEN ?1 AND ?2) l
			CROSS JOIN results p ON p.patient = l.patient AND p.authority = l.authority AND p.patient <> '' AND p.tested BETWEEN ?1 AND ?2)
		AND `+wentOut+`AND (?3 = '' OR site = ?3) AND (?4 = '' OR strip_lot = ?4) ORDER BY tested, seq`,
		micros(from), upTo(to), site, stripLot)
	if err != nil {
		return nil, nil, err
	}
	meters = withoutWithdrawn(meters)
	if lab, err = b.pasts(`WHERE kind = 'comparison' AND state = 'filed' AND patient <> '' AND tested BETWEEN ? AND ? ORDER BY tested, seq`,
		micros(from), upTo(to)); err != nil {
		return nil, nil, err
	}
	seen := map[poct.PatientRef]bool{}
	for _, m := range meters {
		seen[m.Patient] = true
	}
	lab = slices.DeleteFunc(withoutWithdrawn(lab), func(l poct.Past) bool { return !seen[l.Patient] })
	return meters, lab, nil
}

// LotResults lists the released patient results measured with a strip lot and
// tested in [from, to], of all sites, oldest first; what was withdrawn is left
// out.
func (s *Store) LotResults(ctx context.Context, stripLot string, from, to time.Time) ([]poct.Past, error) {
	list, err := s.bookUnder(ctx).pasts(`WHERE strip_lot = ? AND strip_lot <> '' AND `+wentOut+`AND tested BETWEEN ? AND ? ORDER BY tested, seq`,
		stripLot, micros(from), upTo(to))
	return withoutWithdrawn(list), err
}

// LotTrials lists the patient results measured with a strip lot at a site and
// tested in [from, to] that went out or are held: what the acceptance of the
// lot compares. Oldest first; what was withdrawn is left out.
func (s *Store) LotTrials(ctx context.Context, stripLot, site string, from, to time.Time) ([]poct.Past, error) {
	list, err := s.bookUnder(ctx).pasts(`WHERE strip_lot = ? AND strip_lot <> '' AND site = ? AND kind = 'patient'
		AND state IN ('delivered', 'delivering', 'held') AND tested BETWEEN ? AND ? ORDER BY tested, seq`, stripLot, site, micros(from), upTo(to))
	return withoutWithdrawn(list), err
}

// ControlSeries lists the final control runs of a meter tested in [from, to],
// failed ones and ones still held too, oldest first.
func (s *Store) ControlSeries(ctx context.Context, meter string, from, to time.Time) ([]poct.Past, error) {
	return s.bookUnder(ctx).pasts(`WHERE meter = ? AND kind = 'control' AND chain <> '' AND state IN ('filed', 'held')
		AND tested BETWEEN ? AND ? ORDER BY tested, seq`, meter, micros(from), upTo(to))
}

func withoutWithdrawn(list []poct.Past) []poct.Past {
	return slices.DeleteFunc(list, func(p poct.Past) bool {
		return p.Reading.Status == poct.StatusWithdrawn || p.Reading.Status == poct.StatusCancelled
	})
}
