package store

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"tidegate/poct"
)

// pastRegistry gives the registry as it was at an event. Rows that did not
// change since the first of these events are read where they stand.
type pastRegistry struct {
	q       querier
	states  map[string][]rowState // by kind and key, oldest first
	borders []int64               // events that changed what a snapshot holds, rising
	at      int                   // how many of them now counts
	now     *snapshot
	marks   []mark // versions yet to come, by row number and so by event
	last    int64  // row number of the newest version read
}

type mark struct{ seq, event int64 }

// written is the row number above those of all versions before an event, which
// never goes back from call to call. A new result bears the number of its
// first version.
func (p *pastRegistry) written(event int64) (int64, error) {
	for {
		for len(p.marks) > 0 && p.marks[0].event < event {
			p.last, p.marks = p.marks[0].seq, p.marks[1:]
		}
		if len(p.marks) > 0 {
			return p.last + 1, nil
		}
		var err error
		if p.marks, err = collect(p.q, func(rows rowSet) (m mark, err error) {
			err = rows.Scan(&m.seq, &m.event)
			return m, err
		}, `SELECT seq, event FROM versions WHERE seq > ? ORDER BY seq LIMIT 2048`, p.last); err != nil {
			return 0, fmt.Errorf("read versions: %w", err)
		}
		if len(p.marks) == 0 {
			return p.last + 1, nil
		}
	}
}

type rowState struct {
	event int64
	row   rowOf
}

// load reads the history that matters for events from a first one on.
func (p *pastRegistry) load(first int64) error {
	p.states, p.at = map[string][]rowState{}, -1
	all, err := collect(p.q, func(rows rowSet) (st rowState, err error) {
		var text string
		err = rows.Scan(&st.event, &st.row.Kind, &st.row.Key, &text)
		st.row.Row = []byte(text)
		return st, err
	}, `SELECT event, kind, key, row FROM registry_history WHERE kind IN `+bySnapshot+`
		OR (kind, key) IN (SELECT kind, key FROM registry_history WHERE event >= ?) ORDER BY event`, first)
	if err != nil {
		return fmt.Errorf("read registry history: %w", err)
	}
	for _, st := range all {
		key := string(st.row.Kind) + apart + st.row.Key
		p.states[key] = append(p.states[key], st)
		if strings.Contains(bySnapshot, "'"+string(st.row.Kind)+"'") && (len(p.borders) == 0 || p.borders[len(p.borders)-1] != st.event) {
			p.borders = append(p.borders, st.event)
		}
	}
	return nil
}

// asOf is the last of a row's states before an event, if it had one.
func asOf(states []rowState, event int64) (rowOf, bool) {
	for _, st := range slices.Backward(states) {
		if st.event < event {
			return st.row, true
		}
	}
	return rowOf{}, false
}

// snapshot is the small kinds as they were before an event.
func (p *pastRegistry) snapshot(event int64) (*snapshot, error) {
	border, _ := slices.BinarySearch(p.borders, event)
	if border == p.at {
		return p.now, nil
	}
	var rows []rowOf
	for _, states := range p.states {
		if !strings.Contains(bySnapshot, "'"+string(states[0].row.Kind)+"'") {
			continue
		}
		if row, ok := asOf(states, event); ok {
			rows = append(rows, row)
		}
	}
	slices.SortFunc(rows, func(a, b rowOf) int {
		return cmp.Or(cmp.Compare(a.Kind, b.Kind), cmp.Compare(a.Key, b.Key))
	})
	var err error
	p.now, err = newSnapshot(rows)
	p.at = border
	return p.now, err
}

// pastBook is what was known before an event.
type pastBook struct {
	book
	registry *pastRegistry
	event    int64
	before   int64 // row numbers of results that were there lie below
	at       int64
}

var _ poct.Book = (*pastBook)(nil)

// rows are the rows of a kind whose keys begin with a prefix, as they were.
func pastRows[T any](b *pastBook, kind poct.RegistryKind, prefix string) ([]T, error) {
	found, err := collect(b.q, scanRow, `SELECT kind, key, row FROM registry
		WHERE kind = ?1 AND (key = ?2 OR key > ?2 || char(31) AND key < ?2 || char(32)) ORDER BY key`, string(kind), prefix)
	if err != nil {
		return nil, fmt.Errorf("read registry: %w", err)
	}
	var out []T
	for _, row := range found {
		if states := b.registry.states[string(kind)+apart+row.Key]; states != nil {
			var ok bool
			if row, ok = asOf(states, b.event); !ok {
				continue
			}
		}
		v, err := decode[T](row.Row)
		if err != nil {
			return nil, fmt.Errorf("read registry row of %s: %w", kind, err)
		}
		out = append(out, v)
	}
	return out, nil
}

func (b *pastBook) Patients(authority, id string) ([]poct.Patient, error) {
	if id == "" {
		return nil, nil
	}
	if authority != "" {
		id += apart + authority
	}
	return pastRows[poct.Patient](b, poct.Patients, id)
}

func (b *pastBook) Visits(authority, id string) ([]poct.Visit, error) {
	if id == "" {
		return nil, nil
	}
	return pastRows[poct.Visit](b, poct.Visits, id+apart+authority)
}

func (b *pastBook) Orders(authority, id string) ([]poct.Order, error) {
	if id == "" {
		return nil, nil
	}
	return pastRows[poct.Order](b, poct.Orders, id+apart+authority)
}

func (b *pastBook) Findings(authority, id string) ([]poct.Finding, error) {
	if id == "" {
		return nil, nil
	}
	return pastRows[poct.Finding](b, poct.FindingRows, id+apart+authority)
}

// pasts are results by the newest version that they had, with the state that
// followed from it; of those with one of the verdicts, at most limit, 0 for all.
func (b *pastBook) pasts(verdicts string, limit int, where string, args ...any) ([]poct.Past, error) {
	type row struct {
		id, key string
		verdict poct.Verdict
		version int
		tested  int64
		seq     int64
		qc      bool
		gone    bool
	}
	numbered := len(args)
	found, err := collect(b.q, func(rows rowSet) (r row, err error) {
		err = rows.Scan(&r.id, &r.key, &r.verdict, &r.version, &r.tested, &r.seq, &r.qc, &r.gone)
		return r, err
	}, fmt.Sprintf(`SELECT r.id, r.key, v.verdict, v.version, r.tested, v.seq, r.qc,
			v.verdict = 'hold' AND EXISTS (SELECT 1 FROM events e WHERE e.result = r.id AND e.result <> '' AND e.kind = 'discarded' AND e.idx < ?%[1]d)
		FROM results r JOIN versions v ON v.result = r.seq AND v.version = (SELECT max(version) FROM versions WHERE result = r.seq AND event < ?%[1]d)
		WHERE r.seq < ?%[2]d AND v.verdict IN (%[3]s) AND %[4]s LIMIT ?%[5]d`, numbered+1, numbered+2, verdicts, where, numbered+3),
		append(args, b.event, b.before, atMost(limit))...)
	if err != nil {
		return nil, fmt.Errorf("read results as they were: %w", err)
	}
	var out []poct.Past
	for _, r := range found {
		v, err := b.versions.get(b.q, r.seq)
		if err != nil {
			return nil, err
		}
		p := poct.Past{Result: r.id, Version: r.version, Key: r.key, State: stateOf(r.verdict, true), Reading: v.Reading,
			Patient: patientOf(v), Digest: poct.Content(v.Reading), Tested: fromMicros(r.tested), QCPassed: r.qc}
		if r.gone {
			p.State = poct.Discarded
		} else if p.State == poct.Delivering {
			p.State = poct.Delivered
		}
		out = append(out, p)
	}
	return out, nil
}

const (
	anyVerdict = `'release', 'file', 'hold', 'ignore'`
	released   = `'release'`
	filedOnly  = `'file'`
)

func (b *pastBook) ByKey(key string) (poct.Past, bool, error) {
	if key == "" {
		return poct.Past{}, false, nil
	}
	found, err := b.pasts(anyVerdict, 1, `r.key = ?1 AND r.key <> ''`, key)
	if err != nil || len(found) == 0 {
		return poct.Past{}, false, err
	}
	return found[0], true, nil
}

func (b *pastBook) Controls(meter string, from, to time.Time) ([]poct.Past, error) {
	return b.pasts(filedOnly, 0, `r.meter = ?1 AND r.kind = 'control' AND r.tested BETWEEN ?2 AND ?3 ORDER BY r.tested, r.seq`,
		meter, micros(from), upTo(to))
}

func (b *pastBook) PatientResults(p poct.PatientRef, from, to time.Time, limit int) ([]poct.Past, error) {
	if p.ID == "" {
		return nil, nil
	}
	return b.pasts(released, limit, `r.patient = ?1 AND r.patient <> '' AND r.tested BETWEEN ?2 AND ?3 AND (?4 = '' OR r.authority = ?4)
		AND r.kind = 'patient' ORDER BY r.tested DESC, r.seq DESC`, p.ID, micros(from), upTo(to), p.Authority)
}

func (b *pastBook) LabResults(p poct.PatientRef, from, to time.Time) ([]poct.Past, error) {
	if p.ID == "" {
		return nil, nil
	}
	return b.pasts(filedOnly, 0, `r.patient = ?1 AND r.patient <> '' AND r.tested BETWEEN ?2 AND ?3 AND (?4 = '' OR r.authority = ?4)
		AND r.kind = 'comparison' ORDER BY r.tested DESC, r.seq DESC`, p.ID, micros(from), upTo(to), p.Authority)
}

func (b *pastBook) MeterResults(meter string, limit int) ([]poct.Past, error) {
	if meter == "" {
		return nil, nil
	}
	return b.pasts(anyVerdict, limit, `r.meter = ?1 AND r.meter <> '' ORDER BY r.seq DESC`, meter)
}

func (b *pastBook) ControlRuns(meter, stripLot string, to time.Time, n int) ([]poct.Past, error) {
	return b.controlRuns(meter, stripLot, func(chain string) ([]poct.Past, error) {
		return b.pasts(filedOnly, n, `r.meter = ?1 AND r.strip_lot = ?2 AND r.chain = ?3 AND r.chain <> '' AND r.tested <= ?4
			ORDER BY r.tested DESC, r.seq DESC`, meter, stripLot, chain, upTo(to))
	})
}

// Contact is the last one kept: the history has one an hour, and each change.
func (b *pastBook) Contact(meter string) (poct.Contact, bool, error) {
	var at, device, offset int64
	c := poct.Contact{Meter: meter}
	err := b.q.row(`SELECT at, inlet, device, offset FROM contact_history WHERE meter = ? AND at < ? ORDER BY at DESC LIMIT 1`, meter, b.at).
		Scan(&at, &c.Inlet, &device, &offset)
	if isNone(err) {
		return poct.Contact{}, false, nil
	}
	if err != nil {
		return poct.Contact{}, false, fmt.Errorf("read contact: %w", err)
	}
	c.At, c.Device, c.Offset = fromMicros(at), fromMicros(device), time.Duration(offset)*time.Microsecond
	return c, true, nil
}

func (b *pastBook) SiteLots(site string, n int) ([]string, error) {
	if n <= 0 {
		return nil, nil
	}
	return b.siteLots(`SELECT strip_lot FROM results WHERE site = ?1 AND kind = 'patient' AND seq < ?3 ORDER BY seq DESC LIMIT ?2`, site, n, b.before)
}
