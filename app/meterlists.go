package app

import (
	"context"
	"slices"
	"sync"
	"time"

	"github.com/rs/zerolog"

	"tidegate/ingest"
	"tidegate/ingest/poct1a"
	"tidegate/poct"
	"tidegate/registry"
	"tidegate/store"
)

// meterLists is what meters are told from the registry: who may test at a site, and
// whose visit there is open. Lists are made anew at most every listAge, however
// many meters ask.
type meterLists struct {
	store *store.Store
	now   func() time.Time

	mu        sync.Mutex
	operators kept[poct.Operator]
	patients  kept[sited]
}

const listAge = 30 * time.Second

// kept is a list and when it was made.
type kept[T any] struct {
	at   time.Time
	rows []T
}

// sited is a patient expected at a site.
type sited struct {
	site string
	poct.Patient
}

// settings of an inlet that tells meters from the registry.
func (t *meterLists) settings(id string, box ingest.Inbox, log zerolog.Logger) poct1a.Settings {
	zones := registry.Zones(t.store.Book())
	return poct1a.Settings{
		ID: id, Inbox: box, Log: log, Now: t.now,
		Site: func(serial string) (string, bool) {
			m, ok, err := t.store.Book().Meter(serial)
			return m.Site, err == nil && ok
		},
		Locked: func(serial string) bool {
			m, ok, err := t.store.Book().Meter(serial)
			return err == nil && ok && m.State == "withdrawn"
		},
		Zone:      zones,
		Operators: t.mayTest, Patients: t.expected,
	}
}

// mayTest lists the operators of a site whose certificate has not ended.
func (t *meterLists) mayTest(site string) ([]poct.Operator, error) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.stale(t.operators.at) {
		rows, err := pages(t.store, poct.Operators, func(r poct.RegistryRows) []poct.Operator { return r.Operators })
		if err != nil {
			return nil, err
		}
		t.operators = kept[poct.Operator]{t.now(), rows}
	}
	day := t.dayAt(site)
	var out []poct.Operator
	for _, o := range t.operators.rows {
		if slices.Contains(o.Sites, "*") || slices.Contains(o.Sites, site) {
			if o.CertifiedUntil == "" || o.CertifiedUntil >= day {
				out = append(out, o)
			}
		}
	}
	return out, nil
}

// expected lists the patients whose visit at a site is open.
func (t *meterLists) expected(site string) ([]poct.Patient, error) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.stale(t.patients.at) {
		rows, err := t.openVisits()
		if err != nil {
			return nil, err
		}
		t.patients = kept[sited]{t.now(), rows}
	}
	var out []poct.Patient
	for _, p := range t.patients.rows {
		if p.site == site {
			out = append(out, p.Patient)
		}
	}
	return out, nil
}

func (t *meterLists) openVisits() ([]sited, error) {
	visits, err := pages(t.store, poct.Visits, func(r poct.RegistryRows) []poct.Visit { return r.Visits })
	if err != nil {
		return nil, err
	}
	now, book := t.now(), t.store.Book()
	var out []sited
	for _, v := range visits {
		if v.Start.After(now) || !v.End.IsZero() && !v.End.After(now) {
			continue
		}
		found, err := book.Patients(v.Authority, v.Patient)
		if err != nil {
			return nil, err
		}
		for _, p := range found {
			if p.MergedTo == "" {
				out = append(out, sited{v.Site, p})
			}
		}
	}
	return out, nil
}

func (t *meterLists) stale(made time.Time) bool {
	return made.IsZero() || t.now().Sub(made).Abs() >= listAge
}

// dayAt is today's date where a site is.
func (t *meterLists) dayAt(site string) string {
	now := t.now()
	if s, ok, err := t.store.Book().Site(site); err == nil && ok {
		if zone, err := time.LoadLocation(s.TimeZone); err == nil {
			now = now.In(zone)
		}
	}
	return now.Format(time.DateOnly)
}

// pages reads all rows of one kind.
func pages[T any](s *store.Store, kind poct.RegistryKind, of func(poct.RegistryRows) []T) ([]T, error) {
	var out []T
	for after := ""; ; {
		rows, next, err := s.Registry(context.Background(), kind, after, 1000)
		if err != nil {
			return nil, err
		}
		if out = append(out, of(rows)...); next == "" {
			return out, nil
		}
		after = next
	}
}

// Contact notes what a conversation told of a meter's clock.
func (c *countingInbox) Contact(ctx context.Context, n poct.Contact) error {
	if box, ok := c.inbox.(interface {
		Contact(ctx context.Context, n poct.Contact) error
	}); ok {
		return box.Contact(ctx, n)
	}
	return nil
}
