package review

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"tidegate/poct"
)

// LookBacks is what the desk needs of the store to judge results in doubt. All
// acts are one durable transaction each and compare what the person saw:
// poct.ErrOvertaken if it changed, poct.ErrNotFound, or poct.ErrNotAllowed with
// words for the person.
type LookBacks interface {
	LookBack(ctx context.Context, id, after string, limit int) (poct.LookBack, error)
	LookBackItem(ctx context.Context, id, result string) (poct.LookBackItem, error)
	// LastReason is the reason that a person gave last in a look-back.
	LastReason(ctx context.Context, id, actor string) (string, error)
	// JudgeItem and Withdraw write a new version where the judgement asks for
	// one, as note leaves it.
	JudgeItem(ctx context.Context, lookback string, j poct.Judgement, note func(*poct.Result)) error
	Withdraw(ctx context.Context, j poct.Judgement, note func(*poct.Result)) error
	WidenLookBack(ctx context.Context, id string, from time.Time, actor, reason string) error
}

// Roles that answer for results once they are in a record.
var (
	judges    = []string{"coordinator", "clinician"}
	takesBack = []string{"reviewer", "coordinator", "clinician"}
)

// has tells whether a person has one of these roles; a role may name several.
func has(actor poct.Actor, roles []string) bool {
	return slices.ContainsFunc(strings.FieldsFunc(actor.Role, func(r rune) bool { return r == ',' || r == ' ' || r == '+' }),
		func(role string) bool { return slices.Contains(roles, role) })
}

// JudgeItem says of one result of a look-back that it stands, that a repeat was
// asked for (it is marked so in the record), or that it is withdrawn. A
// coordinator or clinician of the result's site does so; whoever ran the test
// may not say that it stands. With carry an empty reason is the one that this
// person gave last in the look-back: each result is judged by itself all the
// same.
//
// Errors that a caller tells apart: *FormError, poct.ErrNotFound,
// poct.ErrOvertaken, poct.ErrNotAllowed, poct.ErrForbidden. After any of them
// nothing has changed.
func (d *Desk) JudgeItem(ctx context.Context, actor poct.Actor, lookback string, j poct.Judgement, carry bool) error {
	j.Actor, j.Reason = actor.Name, strings.TrimSpace(j.Reason)
	b, err := d.s.Store.LookBack(ctx, lookback, "", 1)
	if err != nil {
		return fmt.Errorf("look up look-back %s: %w", lookback, err)
	}
	item, err := d.s.Store.LookBackItem(ctx, lookback, j.Result)
	if err == nil && !AtSite(actor, item.Site) {
		err = poct.ErrNotFound // of another site's result even its existence is not told
	}
	if err != nil {
		return fmt.Errorf("result %s in look-back %s: %w", j.Result, lookback, err)
	}
	if !has(actor, judges) {
		return fmt.Errorf("%w: results in doubt are judged by a coordinator or clinician of the site", poct.ErrForbidden)
	}
	if j.Reason == "" && carry {
		if j.Reason, err = d.s.Store.LastReason(ctx, lookback, actor.Name); err != nil {
			return fmt.Errorf("look up the last reason: %w", err)
		}
	}
	faults := reasonForm(j.Reason)
	switch j.Judged {
	case poct.Stands, poct.RepeatAsked, poct.TakenBack:
	default:
		faults = append([]Fault{{Field: "judged", Text: "Choose what becomes of it: stands, repeat-asked or withdraw."}}, faults...)
	}
	if len(faults) > 0 {
		return &FormError{Faults: faults}
	}
	if j.Judged == poct.Stands {
		t, err := d.s.Store.Trace(ctx, j.Result)
		if err != nil {
			return fmt.Errorf("look up result %s: %w", j.Result, err)
		}
		if ranBy(t, actor) {
			return fmt.Errorf("%w: whoever ran the test may not say that it stands; ask a colleague", poct.ErrForbidden)
		}
	}
	if err := d.s.Store.JudgeItem(ctx, lookback, j, noteOf(b.Kind, j.Judged)); err != nil {
		return fmt.Errorf("judge result %s: %w", j.Result, err)
	}
	return nil
}

// noteOf is what a judgement adds to the new version, for whoever reads the
// record. A person's own words stay here.
func noteOf(kind poct.LookBackKind, judged poct.Judged) func(*poct.Result) {
	why := "A control of this meter failed"
	if kind == poct.LookBackRecalled {
		why = "The strip lot of this test was recalled"
	}
	return func(r *poct.Result) {
		switch judged {
		case poct.RepeatAsked:
			if mark := why + "; a repeat of this test was asked for."; !slices.Contains(r.Marks, mark) {
				r.Marks = append(r.Marks, mark)
			}
		case poct.TakenBack:
			r.Replaces = strings.ToLower(why[:1]) + why[1:]
		}
	}
}

// Withdraw takes a result back from every record that has it. A reviewer,
// coordinator or clinician of its site does so. The old value stays readable.
// Errors as of JudgeItem.
func (d *Desk) Withdraw(ctx context.Context, actor poct.Actor, result string, version int, reason string) error {
	reason = strings.TrimSpace(reason)
	t, err := d.s.Store.Trace(ctx, result)
	if err == nil && (t.ID != result || !AtSite(actor, t.Site)) {
		err = poct.ErrNotFound
	}
	if err != nil {
		return fmt.Errorf("look up result %s: %w", result, err)
	}
	if !has(actor, takesBack) {
		return fmt.Errorf("%w: results are withdrawn by a reviewer, coordinator or clinician of the site", poct.ErrForbidden)
	}
	if faults := reasonForm(reason); len(faults) > 0 {
		return &FormError{Faults: faults}
	}
	j := poct.Judgement{Result: result, Version: version, Judged: poct.TakenBack, Actor: actor.Name, Reason: reason}
	if err := d.s.Store.Withdraw(ctx, j, func(r *poct.Result) { r.Replaces = "a person took it back" }); err != nil {
		return fmt.Errorf("withdraw result %s: %w", result, err)
	}
	return nil
}

// WidenLookBack moves the beginning of a failed control's span back, never
// forward. A coordinator or clinician of its site does so. Errors as of
// JudgeItem.
func (d *Desk) WidenLookBack(ctx context.Context, actor poct.Actor, id string, from time.Time, reason string) error {
	reason = strings.TrimSpace(reason)
	b, err := d.s.Store.LookBack(ctx, id, "", 1)
	if err == nil && b.Site != "" && !AtSite(actor, b.Site) {
		err = poct.ErrNotFound
	}
	if err != nil {
		return fmt.Errorf("look up look-back %s: %w", id, err)
	}
	if !has(actor, judges) {
		return fmt.Errorf("%w: a look-back is widened by a coordinator or clinician of the site", poct.ErrForbidden)
	}
	faults := reasonForm(reason)
	if from.IsZero() {
		faults = append([]Fault{{Field: "from", Text: "Write from when on results are in doubt."}}, faults...)
	}
	if len(faults) > 0 {
		return &FormError{Faults: faults}
	}
	if err := d.s.Store.WidenLookBack(ctx, id, from, actor.Name, reason); err != nil {
		return fmt.Errorf("widen look-back %s: %w", id, err)
	}
	return nil
}
