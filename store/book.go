package store

import (
	"cmp"
	"context"
	"database/sql"
	"fmt"
	"math"
	"slices"
	"sync"
	"time"

	"tidegate/poct"
)

// Book reads what is known by now, each answer from the newest commit. The
// book that Decide and Settle hand to the judge reads their transaction.
func (s *Store) Book() poct.Book { return s.bookUnder(context.Background()) }

func (s *Store) bookUnder(ctx context.Context) *book {
	return &book{q: s.read.with(ctx), reg: s.registry.Load(), versions: s.versions, contacts: &s.contacts}
}

func (t *tx) book() poct.Book {
	reg := t.reg
	if reg == nil {
		reg = t.registry.Load()
	}
	return &book{q: t, reg: reg, versions: t.versions, contacts: &t.Store.contacts, told: t.contacts}
}

type book struct {
	q        querier
	reg      *snapshot
	versions *versionCache
	contacts *contacts
	told     []poct.Contact // in the transaction
}

var _ poct.Book = (*book)(nil)

func (b *book) Site(id string) (poct.Site, bool, error) {
	v, ok := b.reg.sites[id]
	return v, ok, nil
}

func (b *book) Meter(serial string) (poct.Meter, bool, error) {
	v, ok := b.reg.meters[serial]
	return v, ok, nil
}

func (b *book) Operator(id string) (poct.Operator, bool, error) {
	v, ok := b.reg.operators[id]
	return v, ok, nil
}

func (b *book) StripLot(lot string) (poct.StripLot, bool, error) {
	v, ok := b.reg.stripLots[lot]
	return v, ok, nil
}

func (b *book) StripLotNumbers() ([]string, error) { return b.reg.lotNumbers, nil }

func (b *book) ControlLots(lot string) ([]poct.ControlLot, error) { return b.reg.controlLots[lot], nil }

func (b *book) Patients(authority, id string) ([]poct.Patient, error) {
	if id == "" {
		return nil, nil
	}
	if authority == "" {
		return rowsUnder[poct.Patient](b.q, poct.Patients, id)
	}
	return readRows[poct.Patient](b.q, `SELECT row FROM registry WHERE kind = ? AND key = ?`, string(poct.Patients), id+apart+authority)
}

func (b *book) Visits(authority, id string) ([]poct.Visit, error) {
	if id == "" || b.reg.noVisits {
		return nil, nil
	}
	return rowsUnder[poct.Visit](b.q, poct.Visits, id+apart+authority)
}

func (b *book) Orders(authority, id string) ([]poct.Order, error) {
	if id == "" || b.reg.noOrders {
		return nil, nil
	}
	return rowsUnder[poct.Order](b.q, poct.Orders, id+apart+authority)
}

// rowsUnder reads the rows of a key and of all keys that begin with it.
func rowsUnder[T any](q querier, kind poct.RegistryKind, prefix string) ([]T, error) {
	return readRows[T](q, `SELECT row FROM registry WHERE kind = ?1 AND (key = ?2 OR key > ?2 || char(31) AND key < ?2 || char(32)) ORDER BY key`,
		string(kind), prefix)
}

func readRows[T any](q querier, query string, args ...any) ([]T, error) {
	out, err := collect(q, func(rows rowSet) (T, error) {
		var text sql.RawBytes
		if err := rows.Scan(&text); err != nil {
			var none T
			return none, err
		}
		return decode[T](text)
	}, query, args...)
	if err != nil {
		return nil, fmt.Errorf("read registry: %w", err)
	}
	return out, nil
}

const pastColumns = `SELECT id, version, key, state, content, authority, patient, tested, qc, current FROM results `

func (b *book) pasts(where string, args ...any) ([]poct.Past, error) {
	type row struct {
		id, key, digest string
		patient         poct.PatientRef
		version         int
		state           poct.State
		tested, current int64
		qc              bool
	}
	found, err := collect(b.q, func(rows rowSet) (r row, err error) {
		err = rows.Scan(&r.id, &r.version, &r.key, &r.state, &r.digest, &r.patient.Authority, &r.patient.ID, &r.tested, &r.qc, &r.current)
		return r, err
	}, pastColumns+where, args...)
	if err != nil {
		return nil, fmt.Errorf("read results: %w", err)
	}
	if len(found) == 0 {
		return nil, nil
	}
	out := make([]poct.Past, len(found))
	for i, r := range found {
		v, err := b.versions.get(b.q, r.current)
		if err != nil {
			return nil, err
		}
		out[i] = poct.Past{Result: r.id, Version: r.version, Key: r.key, State: r.state, Reading: v.Reading, Digest: r.digest, Patient: r.patient,
			Tested: fromMicros(r.tested), QCPassed: r.qc}
	}
	return out, nil
}

func (b *book) ByKey(key string) (poct.Past, bool, error) {
	if key == "" {
		return poct.Past{}, false, nil
	}
	found, err := b.pasts(`WHERE key = ? AND key <> ''`, key)
	if err != nil || len(found) == 0 {
		return poct.Past{}, false, err
	}
	return found[0], true, nil
}

func (b *book) Controls(meter string, from, to time.Time) ([]poct.Past, error) {
	return b.pasts(`WHERE meter = ? AND kind = 'control' AND state = 'filed' AND tested BETWEEN ? AND ? ORDER BY tested, seq`,
		meter, micros(from), upTo(to))
}

func (b *book) PatientResults(p poct.PatientRef, from, to time.Time, limit int) ([]poct.Past, error) {
	if p.ID == "" {
		return nil, nil
	}
	return b.pasts(`WHERE patient = ?1 AND patient <> '' AND tested BETWEEN ?2 AND ?3 AND (?4 = '' OR authority = ?4)
		AND kind = 'patient' AND state IN ('delivered', 'delivering') ORDER BY tested DESC, seq DESC LIMIT ?5`,
		p.ID, micros(from), upTo(to), p.Authority, atMost(limit))
}

func (b *book) MeterResults(meter string, limit int) ([]poct.Past, error) {
	if meter == "" {
		return nil, nil
	}
	return b.pasts(`WHERE meter = ? AND meter <> '' ORDER BY seq DESC LIMIT ?`, meter, limit)
}

func (b *book) Shipments(stripLot, site string) ([]poct.Shipment, error) {
	return b.reg.shipments[siteLot{stripLot, site}], nil
}

func (b *book) Acceptances(stripLot, site string) ([]poct.Acceptance, error) {
	return b.reg.acceptances[siteLot{stripLot, site}], nil
}

func (b *book) ReadBacks(stripLot, site string) ([]poct.ReadBack, error) {
	return b.reg.readBacks[siteLot{stripLot, site}], nil
}

func (b *book) CorrectiveActions(meter string) ([]poct.CorrectiveAction, error) {
	return b.reg.actions[meter], nil
}

func (b *book) Findings(authority, id string) ([]poct.Finding, error) {
	if id == "" || b.reg.noFindings {
		return nil, nil
	}
	return rowsUnder[poct.Finding](b.q, poct.FindingRows, id+apart+authority)
}

// ControlRuns steps from chain to chain by the index: there are few of them,
// and each may be long.
func (b *book) ControlRuns(meter, stripLot string, to time.Time, n int) ([]poct.Past, error) {
	if n <= 0 {
		return nil, nil
	}
	return b.controlRuns(meter, stripLot, func(chain string) ([]poct.Past, error) {
		return b.pasts(`WHERE meter = ? AND strip_lot = ? AND chain = ? AND chain <> '' AND state = 'filed' AND tested <= ?
			ORDER BY tested DESC, seq DESC LIMIT ?`, meter, stripLot, chain, upTo(to), n)
	})
}

func (b *book) controlRuns(meter, stripLot string, of func(chain string) ([]poct.Past, error)) ([]poct.Past, error) {
	if meter == "" {
		return nil, nil
	}
	chains, err := collect(b.q, scanText, `WITH RECURSIVE chains (chain) AS (
			SELECT min(chain) FROM results WHERE meter = ?1 AND strip_lot = ?2 AND chain <> ''
			UNION ALL
			SELECT (SELECT min(chain) FROM results WHERE meter = ?1 AND strip_lot = ?2 AND chain > c.chain AND chain <> '') FROM chains c WHERE c.chain IS NOT NULL)
		SELECT chain FROM chains WHERE chain IS NOT NULL`, meter, stripLot)
	if err != nil {
		return nil, fmt.Errorf("read control runs: %w", err)
	}
	var all []*poct.Past // readings are large, and there may be many
	for _, chain := range chains {
		runs, err := of(chain)
		if err != nil {
			return nil, err
		}
		for i := range runs {
			all = append(all, &runs[i])
		}
	}
	slices.SortFunc(all, func(x, y *poct.Past) int {
		return cmp.Or(x.Tested.Compare(y.Tested), cmp.Compare(x.Result, y.Result)) // ids rise as the results came
	})
	out := make([]poct.Past, len(all))
	for i, p := range all {
		out[i] = *p
	}
	return out, nil
}

func (b *book) LabResults(p poct.PatientRef, from, to time.Time) ([]poct.Past, error) {
	if p.ID == "" {
		return nil, nil
	}
	return b.pasts(`WHERE patient = ?1 AND patient <> '' AND tested BETWEEN ?2 AND ?3 AND (?4 = '' OR authority = ?4)
		AND kind = 'comparison' AND state = 'filed' ORDER BY tested DESC, seq DESC`, p.ID, micros(from), upTo(to), p.Authority)
}

func (b *book) SiteLots(site string, n int) ([]string, error) {
	if n <= 0 {
		return nil, nil
	}
	return b.siteLots(`SELECT strip_lot FROM results WHERE site = ? AND kind = 'patient' ORDER BY seq DESC LIMIT ?`, site, n)
}

func (b *book) siteLots(query string, args ...any) ([]string, error) {
	newest, err := collect(b.q, scanText, query, args...)
	if err != nil {
		return nil, fmt.Errorf("read strip lots in use: %w", err)
	}
	var lots []string
	for _, lot := range newest {
		if lot != "" && !slices.Contains(lots, lot) {
			lots = append(lots, lot)
		}
	}
	return lots, nil
}

func (b *book) Contact(meter string) (poct.Contact, bool, error) {
	for i := len(b.told) - 1; i >= 0; i-- {
		if b.told[i].Meter == meter {
			return b.told[i], true, nil
		}
	}
	c, ok := b.contacts.get(meter)
	return c, ok, nil
}

// atMost is a limit for SQLite, where a negative one is none.
func atMost(limit int) int {
	if limit <= 0 {
		return -1
	}
	return limit
}

// upTo is the end of a range of times; none is no end.
func upTo(t time.Time) int64 {
	if t.IsZero() {
		return math.MaxInt64
	}
	return t.UnixMicro()
}

// cachedVersions is how many versions stay decoded in memory.
const cachedVersions = 4096

// versionCache keeps decoded versions by their row number. A version is never
// changed, so neither is what is in here: callers share it and only read.
type versionCache struct {
	mu   sync.Mutex
	m    map[int64]*poct.Result
	ring [cachedVersions]int64
	next int
}

func newVersionCache() *versionCache { return &versionCache{m: make(map[int64]*poct.Result)} }

func (c *versionCache) put(seq int64, r *poct.Result) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.m[seq] != nil {
		return
	}
	delete(c.m, c.ring[c.next])
	c.ring[c.next] = seq
	c.next = (c.next + 1) % cachedVersions
	c.m[seq] = r
}

func (c *versionCache) get(q querier, seq int64) (*poct.Result, error) {
	c.mu.Lock()
	r := c.m[seq]
	c.mu.Unlock()
	if r != nil {
		return r, nil
	}
	var reading, contextText string
	if err := q.row(`SELECT reading, context FROM versions WHERE seq = ?`, seq).Scan(&reading, &contextText); err != nil {
		return nil, fmt.Errorf("read version: %w", err)
	}
	r, err := joinResult(reading, contextText)
	if err != nil {
		return nil, err
	}
	c.put(seq, r)
	return r, nil
}

// joinResult puts a result together from its two texts.
func joinResult(reading, contextText string) (*poct.Result, error) {
	r, err := decode[poct.Result](contextText)
	if err != nil {
		return nil, fmt.Errorf("read result: %w", err)
	}
	if r.Reading, err = decode[poct.Reading](reading); err != nil {
		return nil, fmt.Errorf("read reading: %w", err)
	}
	return &r, nil
}
