package store

import (
	"context"
	"fmt"
	"strings"
	"time"

	"tidegate/poct"
)

// HoldFilter chooses holds; its zero value takes all.
type HoldFilter struct {
	Open    bool     // only open ones
	Settled bool     // only settled ones
	Sites   []string // of these sites; "*" or none is all
	Cause   string
	Code    string // with a problem of this code
	Result  string // of this result
	After   string // the last id of the page before
	Limit   int    // 0 is 100, below 0 is all
}

type storedHold struct {
	poct.HoldRecord
	content int64
}

const holdColumns = `SELECT h.id, h.version, h.open, a.id, r.id, h.delivery, h.opened, h.cause, h.critical,
	coalesce((SELECT told <> '' FROM criticals c WHERE c.result = h.result), 0), h.site, h.problems, h.settled, h.content
	FROM holds h JOIN arrivals a ON a.seq = h.arrival JOIN results r ON r.seq = h.result `

func scanHold(rows rowSet) (storedHold, error) {
	var h storedHold
	var opened int64
	var problems, settled string
	err := rows.Scan(&h.ID, &h.Version, &h.Open, &h.Arrival, &h.Result, &h.Delivery, &opened, &h.Cause, &h.Critical, &h.Called,
		&h.Site, &problems, &settled, &h.content)
	if err != nil {
		return h, err
	}
	h.Opened = fromMicros(opened)
	if h.Problems, err = decode[[]poct.Problem](problems); err != nil {
		return h, err
	}
	if settled != "" {
		st, err := decode[poct.Settlement](settled)
		h.Settled = &st
		return h, err
	}
	return h, nil
}

// Holds lists holds in the order they were opened, oldest first.
func (s *Store) Holds(ctx context.Context, f HoldFilter) ([]poct.HoldRecord, error) {
	where, args := f.where()
	limit := f.Limit
	if limit == 0 {
		limit = 100
	}
	return s.holds(s.read.with(ctx), where+` ORDER BY h.seq LIMIT ?`, append(args, limit)...)
}

func (f HoldFilter) where() (string, []any) {
	where, args := `WHERE h.seq > ?`, []any{seqOf(f.After)}
	if f.Open {
		where += ` AND h.open = 1`
	}
	if f.Settled {
		where += ` AND h.open = 0`
	}
	if len(f.Sites) > 0 && !contains(f.Sites, "*") {
		where += ` AND h.site IN (?` + strings.Repeat(`,?`, len(f.Sites)-1) + `)`
		for _, site := range f.Sites {
			args = append(args, site)
		}
	}
	if f.Cause != "" {
		where, args = where+` AND h.cause = ?`, append(args, f.Cause)
	}
	if f.Code != "" {
		where, args = where+` AND instr(h.problems, ?) > 0`, append(args, `"code":"`+f.Code+`"`)
	}
	if f.Result != "" {
		where, args = where+` AND h.result = ?`, append(args, seqOf(f.Result))
	}
	return where, args
}

func contains(list []string, want string) bool {
	for _, s := range list {
		if s == want {
			return true
		}
	}
	return false
}

func (s *Store) holds(q querier, where string, args ...any) ([]poct.HoldRecord, error) {
	found, err := collect(q, scanHold, holdColumns+where, args...)
	if err != nil {
		return nil, fmt.Errorf("read holds: %w", err)
	}
	out := make([]poct.HoldRecord, len(found))
	for i, h := range found {
		v, err := s.versions.get(q, h.content)
		if err != nil {
			return nil, err
		}
		out[i] = h.HoldRecord
		out[i].Reading = v.Reading
	}
	return out, nil
}

// Hold returns one hold, open or settled; poct.ErrNotFound if there is none.
func (s *Store) Hold(ctx context.Context, id string) (poct.HoldRecord, error) {
	found, err := s.holds(s.read.with(ctx), `WHERE h.seq = ?`, seqOf(id))
	if err != nil {
		return poct.HoldRecord{}, err
	}
	if len(found) == 0 || found[0].ID != id {
		return poct.HoldRecord{}, fmt.Errorf("hold %s: %w", id, poct.ErrNotFound)
	}
	return found[0], nil
}

// AgeingHold is an open hold that waits for long: codes and ids alone.
type AgeingHold struct {
	ID, Site string
	Code     string // of the problem that it is held for
	Opened   time.Time
}

// Ageing lists the open holds that were opened before a time, oldest first, at
// most so many.
func (s *Store) Ageing(ctx context.Context, before time.Time, limit int) ([]AgeingHold, error) {
	out, err := collect(s.read.with(ctx), func(rows rowSet) (AgeingHold, error) {
		var h AgeingHold
		var cause string
		var opened int64
		err := rows.Scan(&h.ID, &h.Site, &cause, &opened)
		h.Code, _, _ = strings.Cut(cause, "|")
		h.Opened = fromMicros(opened)
		return h, err
	}, `SELECT id, site, cause, opened FROM holds WHERE open = 1 AND seq < ? ORDER BY seq LIMIT ?`, frontOf(before), limit)
	if err != nil {
		return nil, fmt.Errorf("read ageing holds: %w", err)
	}
	return out, nil
}

// HoldCount is the open holds of one cause.
type HoldCount struct {
	Cause    string    `json:"cause"`
	Count    int       `json:"count"`
	Sites    []string  `json:"sites"`
	Oldest   time.Time `json:"oldest"`
	Critical int       `json:"critical"` // of them critical and not yet called
}

// HoldCounts groups the open holds by cause: those with uncalled critical
// results first, then by age.
func (s *Store) HoldCounts(ctx context.Context) ([]HoldCount, error) {
	out, err := collect(s.read.with(ctx), func(rows rowSet) (HoldCount, error) {
		var c HoldCount
		var sites string
		var oldest int64
		err := rows.Scan(&c.Cause, &c.Count, &sites, &oldest, &c.Critical)
		c.Oldest, c.Sites = fromMicros(oldest), strings.Split(sites, ",")
		return c, err
	}, `SELECT h.cause, count(*), group_concat(DISTINCT h.site), min(h.opened),
		sum(h.critical AND coalesce((SELECT told = '' FROM criticals c WHERE c.result = h.result), 1)) AS uncalled
		FROM holds h WHERE h.open = 1 GROUP BY h.cause ORDER BY uncalled > 0 DESC, min(h.opened)`)
	if err != nil {
		return nil, fmt.Errorf("count holds: %w", err)
	}
	return out, nil
}
