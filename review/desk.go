package review

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"tidegate/poct"
)

// Store is what the desk needs of the store.
type Store interface {
	// Hold returns one hold, open or settled; poct.ErrNotFound if there is none.
	Hold(ctx context.Context, id string) (poct.HoldRecord, error)
	// Trace returns every version of a result, or of an arrival without one.
	Trace(ctx context.Context, id string) (poct.Trace, error)
	// Settle applies an act in one durable transaction if the hold is still
	// open at st.Version, else it returns poct.ErrOvertaken. decide runs inside
	// that transaction for the acts that judge again.
	Settle(ctx context.Context, hold string, st poct.Settlement,
		decide func(poct.Book, poct.HoldRecord, poct.Arrival) (poct.Decision, error)) (poct.HoldRecord, error)
	Calls
	LookBacks
	// Look records that a person was shown fields of these results or arrivals.
	Look(ctx context.Context, actor string, ids, fields []string) error
}

// Judge judges a held reading again after a person's act.
type Judge interface {
	Again(book poct.Book, h poct.HoldRecord, a poct.Arrival, st poct.Settlement) (poct.Decision, error)
}

// May tells whether a person may do an act on a hold with these problems:
// nil, or an error that wraps poct.ErrNotAllowed (nobody may) or
// poct.ErrForbidden (not this person). runBy is the operator who ran the test.
type May func(problems []poct.Problem, act poct.Act, actor poct.Actor, runBy string) error

// Settings of a desk; all are needed.
type Settings struct {
	Store Store
	Judge Judge
	May   May
	// Correct checks a correction without applying it: nil, or why the changes
	// do not fit. May be nil: then only the names of the fields are checked.
	Correct func(poct.Reading, map[string]string) (poct.Reading, error)
	Now     func() time.Time
}

// MinReason is the least length of a reason, in characters.
const MinReason = 10

// Changeable lists the fields that a correction may change: patient identity,
// the clock's offset, lot, operator and code. Never a value or a device time.
var Changeable = []string{
	poct.FieldPatient, poct.FieldBirthDate, poct.FieldFamily, poct.FieldGiven, poct.FieldSex,
	poct.FieldTimeOffset, poct.FieldStripLot, poct.FieldOperator, poct.FieldCode,
}

// Desk settles holds. Safe for concurrent use.
type Desk struct{ s Settings }

// New checks the settings.
func New(s Settings) (*Desk, error) {
	if s.Store == nil || s.Judge == nil || s.May == nil || s.Now == nil {
		return nil, errors.New("review: a desk needs a store, a judge, the rules of who may, and a clock")
	}
	return &Desk{s: s}, nil
}

// FormError lists what must be put right in what a person wrote. Nothing was done.
type FormError struct{ Faults []Fault }

// Fault is one field of a form, and how to put it right.
type Fault struct {
	Field string `json:"field"` // "act", "reason", "version", or a changed field's name
	Text  string `json:"text"`
}

func (e *FormError) Error() string {
	texts := make([]string, len(e.Faults))
	for i, f := range e.Faults {
		texts[i] = f.Field + ": " + f.Text
	}
	return strings.Join(texts, "; ")
}

// Settle does one act on one hold and returns the hold as it is then. Errors
// that a caller tells apart: *FormError, poct.ErrNotFound, poct.ErrOvertaken,
// poct.ErrNotAllowed, poct.ErrForbidden. After any of them nothing has changed.
//
// What May is asked about is what gets settled: every change of a hold raises
// its version, and the store compares it again inside its transaction.
func (d *Desk) Settle(ctx context.Context, actor poct.Actor, holdID string, st poct.Settlement) (poct.HoldRecord, error) {
	st.Reason = strings.TrimSpace(st.Reason)
	st.Actor, st.At = actor.Name, d.s.Now()
	h, err := d.s.Store.Hold(ctx, holdID)
	if err != nil {
		return poct.HoldRecord{}, fmt.Errorf("look up hold %s: %w", holdID, err)
	}
	if !AtSite(actor, h.Site) {
		// Of another site's hold even its existence is not told.
		return poct.HoldRecord{}, fmt.Errorf("hold %s: %w", holdID, poct.ErrNotFound)
	}
	if !h.Open || h.Version != st.Version {
		return h, fmt.Errorf("hold %s at version %d, asked for version %d: %w", holdID, h.Version, st.Version, poct.ErrOvertaken)
	}
	if err := d.form(h, &st); err != nil {
		return h, err
	}
	runBy, err := d.runBy(ctx, h, actor)
	if err != nil {
		return h, err
	}
	if err := d.may(h, st.Act, actor, runBy); err != nil {
		return h, err
	}
	after, err := d.s.Store.Settle(ctx, holdID, st, func(book poct.Book, h poct.HoldRecord, a poct.Arrival) (poct.Decision, error) {
		return d.s.Judge.Again(book, h, a, st)
	})
	if err != nil {
		return after, fmt.Errorf("settle hold %s: %w", holdID, err)
	}
	return after, nil
}

// Acts lists what a person may do on a hold now, in the order in which the
// desk offers it, each with the reason why not.
func (d *Desk) Acts(ctx context.Context, actor poct.Actor, h poct.HoldRecord) ([]Offer, error) {
	runBy, err := d.runBy(ctx, h, actor)
	if err != nil {
		return nil, err
	}
	acts := []poct.Act{poct.ActCorrect, poct.ActRelease, poct.ActRetry, poct.ActDiscard}
	if h.Delivery != 0 {
		acts = []poct.Act{poct.ActRetry, poct.ActCorrect, poct.ActDiscard}
	}
	offers := make([]Offer, len(acts))
	for i, act := range acts {
		offers[i] = Offer{Act: act, Err: d.may(h, act, actor, runBy)}
	}
	return offers, nil
}

// Mine tells, from the hold alone, whether there is an act that this person
// may do on it. The final word has Settle, which also knows earlier versions.
func (d *Desk) Mine(actor poct.Actor, h poct.HoldRecord) bool {
	if !h.Open || !AtSite(actor, h.Site) {
		return false
	}
	for _, act := range []poct.Act{poct.ActCorrect, poct.ActRelease, poct.ActDiscard} {
		if d.may(h, act, actor, h.Reading.Operator) == nil {
			return true
		}
	}
	return false
}

// Offer is an act and nil, or why this person may not do it on this hold.
type Offer struct {
	Act poct.Act
	Err error
}

// Look records what a person is about to be shown. Only after it returned nil
// may anything of a patient be shown.
func (d *Desk) Look(ctx context.Context, actor poct.Actor, ids, fields []string) error {
	if len(ids) == 0 {
		return nil
	}
	if err := d.s.Store.Look(ctx, actor.Name, ids, fields); err != nil {
		return fmt.Errorf("record a look: %w", err)
	}
	return nil
}

// AtSite tells whether a person may see what belongs to a site. What belongs
// to no site that we know is seen only by those who may see all.
func AtSite(actor poct.Actor, site string) bool {
	return slices.ContainsFunc(actor.Sites, func(s string) bool { return s == "*" || (s == site && site != "") })
}

func (d *Desk) may(h poct.HoldRecord, act poct.Act, actor poct.Actor, runBy string) error {
	if act == poct.ActRelease && h.Reading.Kind == poct.KindUnread {
		return fmt.Errorf("%w: there is no value that could be released", poct.ErrNotAllowed)
	}
	if act == poct.ActRelease && h.Delivery != 0 {
		return fmt.Errorf("%w: it is released already and the record refused it; send it again", poct.ErrNotAllowed)
	}
	return d.s.May(h.Problems, act, actor, runBy)
}

// runBy is the operator number that counts for "whoever ran the test": the
// person's own, if any version so far was run under it, so that correcting the
// operator first does not open the way to releasing one's own test.
func (d *Desk) runBy(ctx context.Context, h poct.HoldRecord, actor poct.Actor) (string, error) {
	by := h.Reading.Operator
	if actor.Operator == "" || actor.Ran(by) || h.Result == "" {
		return by, nil
	}
	t, err := d.s.Store.Trace(ctx, h.Result)
	if err != nil {
		return "", fmt.Errorf("look up the versions of result %s: %w", h.Result, err)
	}
	for _, v := range t.Versions {
		if actor.Ran(v.Result.Reading.Operator) {
			return v.Result.Reading.Operator, nil
		}
	}
	return by, nil
}

// ranBy tells whether any version of a result was run under one of the
// person's own operator numbers.
func ranBy(t poct.Trace, actor poct.Actor) bool {
	return slices.ContainsFunc(t.Versions, func(v poct.VersionRecord) bool { return actor.Ran(v.Result.Reading.Operator) })
}

// form checks what was written, and drops changes that change nothing.
func (d *Desk) form(h poct.HoldRecord, st *poct.Settlement) error {
	var faults []Fault
	switch st.Act {
	case poct.ActCorrect, poct.ActRelease, poct.ActDiscard, poct.ActRetry:
	default:
		faults = append(faults, Fault{Field: "act", Text: "Choose what to do: correct, release, discard or retry."})
	}
	faults = append(faults, reasonForm(st.Reason)...)
	if st.Act != poct.ActCorrect && len(st.Changes) > 0 {
		faults = append(faults, Fault{Field: "changes", Text: "Changes belong to a correction; choose correct, or leave them out."})
	}
	for _, field := range sortedKeys(st.Changes) {
		if !slices.Contains(Changeable, field) {
			faults = append(faults, Fault{Field: field, Text: "This is never changed by hand. These can be: " + strings.Join(Changeable, ", ") + "."})
		}
	}
	if len(faults) == 0 && st.Act == poct.ActCorrect && len(st.Changes) > 0 {
		if h.Reading.Kind == poct.KindUnread {
			faults = append(faults, Fault{Field: "changes", Text: "This arrival was not read, so it has no field to change. Mend the meter profile, then read it again without changes."})
		} else if d.s.Correct != nil {
			if _, err := d.s.Correct(h.Reading, st.Changes); err != nil {
				faults = append(faults, Fault{Field: "changes", Text: err.Error()})
			}
		}
	}
	if len(faults) > 0 {
		return &FormError{Faults: faults}
	}
	return nil
}

func reasonForm(reason string) []Fault {
	if len([]rune(reason)) >= MinReason {
		return nil
	}
	return []Fault{{Field: "reason", Text: fmt.Sprintf("Write what you checked: %d characters or more.", MinReason)}}
}

func sortedKeys(m map[string]string) []string {
	keys := make([]string, 0, len(m))
	for k := range m {
		keys = append(keys, k)
	}
	slices.Sort(keys)
	return keys
}
