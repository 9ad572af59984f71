package store

import (
	"cmp"
	"context"
	"fmt"
	"maps"
	"slices"
	"time"

	"tidegate/poct"
)

// tested is what Tests needs of a reading.
type tested struct {
	Operator     string             `json:"operator"`
	DeviceError  string             `json:"device_error"`
	Measurements []poct.Measurement `json:"measurements"`
}

// testKeys is what tests may be counted by, with the column of each; the
// operator stands in the reading alone.
var testKeys = map[string]string{"operator": "''", "site": "r.site", "meter": "r.meter", "strip_lot": "r.strip_lot"}

// testsPage is how many results Tests reads at a time.
const testsPage = 1000

// Tests counts patient tests that gave a value, and device errors, of what was
// first judged (moments after it came) in [from, to), by "operator", "site",
// "meter" or "strip_lot" and sorted by these; "" stands for those that did not
// tell. Of one site, or with "" of all. A zero `to` is now. What was ignored or turned out to be another result
// counts as neither.
func (s *Store) Tests(ctx context.Context, from, to time.Time, by, site string) ([]poct.TestCount, error) {
	column, ok := testKeys[by]
	if !ok {
		return nil, fmt.Errorf("tests are counted by %v, not by %q", slices.Sorted(maps.Keys(testKeys)), by)
	}
	if to.IsZero() {
		to = s.now()
	}
	counts := map[string]*poct.TestCount{}
	type row struct {
		tested
		seq int64
		key string
	}
	q := s.read.with(ctx)
	for after, more := frontOf(from)-1, true; more; {
		page, err := collect(q, func(rows rowSet) (r row, err error) {
			var text []byte
			if err = rows.Scan(&r.seq, &r.key, &text); err == nil {
				r.tested, err = decode[tested](text)
			}
			return r, err
		}, `SELECT r.seq, `+column+`, v.reading FROM results r JOIN versions v ON v.seq = r.current
			WHERE r.seq > ?1 AND r.seq < ?2 AND (?3 = '' OR r.site = ?3) AND +r.kind IN ('patient', 'event') AND r.state NOT IN ('ignored', 'duplicate') ORDER BY r.seq LIMIT ?4`,
			after, frontOf(to), site, testsPage)
		if err != nil {
			return nil, fmt.Errorf("count tests: %w", err)
		}
		for _, r := range page {
			if by == "operator" {
				r.key = r.Operator
			}
			c := counts[r.key]
			if c == nil {
				c = &poct.TestCount{Key: r.key, Codes: map[string]int{}}
			}
			switch {
			case r.DeviceError != "":
				c.Events++
				c.Codes[r.DeviceError]++
			case slices.ContainsFunc(r.Measurements, func(m poct.Measurement) bool { return !m.Value.IsZero() }):
				c.Tests++
			default:
				continue // neither a value nor an error
			}
			counts[r.key] = c
		}
		if more = len(page) == testsPage; more {
			after = page[testsPage-1].seq
		}
	}
	out := make([]poct.TestCount, 0, len(counts))
	for _, c := range counts {
		out = append(out, *c)
	}
	slices.SortFunc(out, func(a, b poct.TestCount) int { return cmp.Compare(a.Key, b.Key) })
	return out, nil
}
