package review

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"tidegate/poct"
)

// Calls is what the desk needs of the store to keep calls about critical results.
type Calls interface {
	// Call records an attempt, durably; poct.ErrOvertaken if somebody was told
	// before, poct.ErrNotFound if the result is not critical.
	Call(context.Context, poct.CallTry) error
	// Criticals lists critical results, with open those of whom nobody was told.
	Criticals(ctx context.Context, open bool) ([]poct.Critical, error)
}

// Call records an attempt to tell a person of a critical result. One that
// reached somebody needs the value as that person read it back; one that reached
// nobody leaves the call open. Discarding a hold never closes a call.
//
// Errors: *FormError, among others where another value was read back;
// poct.ErrNotFound; poct.ErrOvertaken if somebody was told meanwhile. After any
// of them nothing was written.
func (d *Desk) Call(ctx context.Context, actor poct.Actor, c poct.CallTry) error {
	c.By, c.At = actor.Name, d.s.Now()
	c.To, c.ReadBack, c.Comment = strings.TrimSpace(c.To), strings.TrimSpace(c.ReadBack), strings.TrimSpace(c.Comment)
	critical, err := d.openCall(ctx, actor, c.Result)
	if err != nil {
		return err
	}
	if faults := callForm(c, critical.Value); len(faults) > 0 {
		return &FormError{Faults: faults}
	}
	if err := d.s.Store.Call(ctx, c); err != nil {
		return fmt.Errorf("record a call about result %s: %w", c.Result, err)
	}
	return nil
}

// openCall is the open call about a result of the person's sites.
func (d *Desk) openCall(ctx context.Context, actor poct.Actor, result string) (poct.Critical, error) {
	open, err := d.s.Store.Criticals(ctx, true)
	if err != nil {
		return poct.Critical{}, fmt.Errorf("look up critical results: %w", err)
	}
	for _, c := range open {
		if c.Result == result && AtSite(actor, c.Site) {
			return c, nil
		}
	}
	t, err := d.s.Store.Trace(ctx, result)
	if err == nil {
		err = poct.ErrNotFound
		told := slices.ContainsFunc(t.Events, func(e poct.Event) bool { return e.Kind == poct.EventCalled })
		if told && t.ID == result && AtSite(actor, t.Site) {
			err = poct.ErrOvertaken
		}
	}
	return poct.Critical{}, fmt.Errorf("critical result %s: %w", result, err)
}

func callForm(c poct.CallTry, value string) []Fault {
	var faults []Fault
	if c.To == "" {
		faults = append(faults, Fault{Field: "to", Text: "Write whom you called: a name or a function."})
	}
	switch {
	case !c.Reached && c.ReadBack != "":
		faults = append(faults, Fault{Field: "read_back", Text: "Nobody was reached, so nobody read a value back. Leave it out, or say that you reached somebody."})
	case !c.Reached:
	case c.ReadBack == "":
		faults = append(faults, Fault{Field: "read_back", Text: "Type the value that they read back to you."})
	case !SameValue(c.ReadBack, value):
		faults = append(faults, Fault{Field: "read_back", Text: "They read back " + c.ReadBack + "; the result is " + value + ". Say it again."})
	}
	return faults
}

// SameValue compares a value that was read back with the one that was sent, as
// decimals with their comparator: "6,1" and "6.10" are 6.1, ">8.0" is not 8.0.
func SameValue(readBack, sent string) bool {
	a, errA := poct.ParseNumber(strings.Replace(readBack, ",", ".", 1))
	b, errB := poct.ParseNumber(sent)
	if errA != nil || errB != nil {
		return strings.TrimSpace(readBack) == strings.TrimSpace(sent)
	}
	return a.Comparator == b.Comparator && a.Cmp(b) == 0
}

// CallTimes of a site, each counted from when a call opened. What is not above 0
// never happens.
type CallTimes struct {
	RemindAfter   time.Duration // the first reminder
	Every         time.Duration // and how often again, from the escalation on too
	EscalateAfter time.Duration // when others are told as well
}

// CallStep is where an open call stands: how many reminders are due so far, how
// many of them to others, and when the next one is, zero if never.
type CallStep struct {
	Reminders   int
	Escalations int
	Next        time.Time
}

// CallSteps tells where a call stands that opened at one time and is open now.
func CallSteps(opened, now time.Time, times CallTimes) CallStep {
	var s CallStep
	due := func(first time.Duration) (n int) {
		if first <= 0 {
			return 0
		}
		next := first
		if waited := now.Sub(opened); waited >= first {
			n = 1
			if times.Every <= 0 {
				return n
			}
			n += int((waited - first) / times.Every)
			next = first + time.Duration(n)*times.Every
		}
		if at := opened.Add(next); s.Next.IsZero() || at.Before(s.Next) {
			s.Next = at
		}
		return n
	}
	s.Reminders, s.Escalations = due(times.RemindAfter), due(times.EscalateAfter)
	return s
}
