package registry

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"time"

	"tidegate/poct"
	"tidegate/wire/fhir"
)

// DirectorySettings of a directory. Client and Now must be set.
type DirectorySettings struct {
	Client  *fhir.Client
	Refresh func() (bool, error) // gets new credentials after a 401; may be nil
	Systems map[string]string    // assigning authority -> FHIR identifier system
	Age     time.Duration        // how long an answer counts
	Orders  bool                 // ask for ServiceRequests too
	Now     func() time.Time
}

// Directory knows patients, their visits and orders from the record system. It
// is asked before a transaction (Fetch); inside one, Over tells what is known
// by then and goes nowhere. It never makes a patient and never takes no answer
// for an answer. Safe for concurrent use.
type Directory struct {
	s DirectorySettings

	mu     sync.Mutex
	known  map[poct.PatientRef]answer
	wished map[poct.PatientRef]bool // asked for inside a transaction, and not there
}

// answer is what the record system said of one identifier, or why it said
// nothing.
type answer struct {
	at       time.Time
	err      error
	patients []poct.Patient
	visits   []poct.Visit
	orders   []poct.Order
}

const (
	askAgain     = 3 * time.Second // pause after no answer
	fetchTime    = 10 * time.Second
	mostKnown    = 10000
	visitsBack   = 31 * 24 * time.Hour // encounters that ended earlier are not asked for
	mostReplaced = 8                   // links of merged patients that are followed
)

// ErrNotAsked says that the record system has not been asked about a patient,
// or too long ago: it is asked next.
var ErrNotAsked = errors.New("the record system has not been asked about the patient yet")

// NewDirectory opens no connection.
func NewDirectory(s DirectorySettings) (*Directory, error) {
	if s.Client == nil || s.Now == nil || s.Age <= 0 {
		return nil, errors.New("registry: a directory needs a client, a clock and an age")
	}
	return &Directory{s: s, known: map[poct.PatientRef]answer{}, wished: map[poct.PatientRef]bool{}}, nil
}

// Fetch asks the record system about patients of whom nothing recent is known,
// and about those missed inside a transaction. It takes ten seconds at most: an
// identifier without an answer counts as not answered. After one that could not
// be had for an outage, the others are left alone.
func (d *Directory) Fetch(ctx context.Context, refs []poct.PatientRef) {
	ctx, cancel := context.WithTimeout(ctx, fetchTime)
	defer cancel()
	var down error
	for _, ref := range d.due(refs) {
		a := answer{err: down}
		if down == nil {
			var outage bool
			if a, outage = d.ask(ctx, ref); outage {
				down = a.err
			}
		}
		d.keep(ref, a)
	}
}

// Renew asks about patients whatever is known of them: a person acts, and may
// just have had somebody registered.
func (d *Directory) Renew(ctx context.Context, refs []poct.PatientRef) {
	d.mu.Lock()
	for _, ref := range refs {
		delete(d.known, ref)
	}
	d.mu.Unlock()
	d.Fetch(ctx, refs)
}

// due lists what is to be asked now.
func (d *Directory) due(refs []poct.PatientRef) []poct.PatientRef {
	d.mu.Lock()
	defer d.mu.Unlock()
	var out []poct.PatientRef
	add := func(ref poct.PatientRef) {
		a, ok := d.known[ref]
		if ref.ID != "" && !slices.Contains(out, ref) && (!ok || !d.recent(a)) {
			out = append(out, ref)
		}
	}
	for _, ref := range refs {
		add(ref)
	}
	for ref := range d.wished {
		add(ref)
	}
	clear(d.wished)
	return out
}

func (d *Directory) recent(a answer) bool {
	age := d.s.Age
	if a.err != nil {
		age = askAgain
	}
	return d.s.Now().Sub(a.at) < age
}

func (d *Directory) keep(ref poct.PatientRef, a answer) {
	a.at = d.s.Now()
	d.mu.Lock()
	defer d.mu.Unlock()
	if len(d.known) >= mostKnown { // rather ask again than grow
		clear(d.known)
	}
	// The surviving identifier is known with the retired one, and has its visits.
	if len(a.patients) == 1 && a.patients[0].MergedTo != "" && a.patients[0].MergedTo != ref.ID {
		survivor := a
		survivor.patients = slices.Clone(a.patients)
		survivor.patients[0].ID, survivor.patients[0].MergedTo = a.patients[0].MergedTo, ""
		d.known[poct.PatientRef{Authority: ref.Authority, ID: survivor.patients[0].ID}] = survivor
		a.visits, a.orders = nil, nil
	}
	d.known[ref] = a
}

// Over is a book whose patients and visits, and orders if they are asked for,
// are the record system's.
func (d *Directory) Over(book poct.Book) poct.Book { return &overBook{Book: book, d: d} }

type overBook struct {
	poct.Book
	d *Directory
}

func (b *overBook) get(authority, id string) (answer, error) {
	ref := poct.PatientRef{Authority: authority, ID: id}
	b.d.mu.Lock()
	defer b.d.mu.Unlock()
	a, ok := b.d.known[ref]
	switch {
	case !ok || !b.d.recent(a) && a.err == nil:
		b.d.wished[ref] = true
		return a, ErrNotAsked
	case a.err != nil:
		b.d.wished[ref] = true
		return a, fmt.Errorf("ask the record system: %w", a.err)
	}
	return a, nil
}

func (b *overBook) Patients(authority, id string) ([]poct.Patient, error) {
	if id == "" || b.d.s.Systems[authority] == "" {
		return nil, nil // without its system an identifier names nobody
	}
	a, err := b.get(authority, id)
	return a.patients, err
}

func (b *overBook) Visits(authority, id string) ([]poct.Visit, error) {
	a, err := b.get(authority, id)
	return a.visits, err
}

func (b *overBook) Orders(authority, id string) ([]poct.Order, error) {
	if !b.d.s.Orders {
		return b.Book.Orders(authority, id)
	}
	a, err := b.get(authority, id)
	return a.orders, err
}

var _ poct.Book = (*overBook)(nil)
