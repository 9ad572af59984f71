package review_test

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidegate/poct"
	"tidegate/review"
)

// shelf is a store of one hold that keeps the promises the desk relies on.
type shelf struct {
	mu      sync.Mutex
	hold    poct.HoldRecord
	trace   poct.Trace
	settled []poct.Settlement
	looks   [][]string

	critical poct.Critical
	calls    []poct.CallTry
	lookback poct.LookBack
	last     string // reason
	judged   []poct.Judgement
	noted    []poct.Result // what note made of an empty result
	widened  []time.Time
	refuses  error // what the store says to judging
}

func (s *shelf) Hold(_ context.Context, id string) (poct.HoldRecord, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if id != s.hold.ID {
		return poct.HoldRecord{}, poct.ErrNotFound
	}
	return s.hold, nil
}

func (s *shelf) Trace(context.Context, string) (poct.Trace, error) { return s.trace, nil }

func (s *shelf) Settle(_ context.Context, _ string, st poct.Settlement, decide func(poct.Book, poct.HoldRecord, poct.Arrival) (poct.Decision, error)) (poct.HoldRecord, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if !s.hold.Open || st.Version != s.hold.Version {
		return s.hold, poct.ErrOvertaken
	}
	if st.Act != poct.ActDiscard {
		if _, err := decide(nil, s.hold, poct.Arrival{}); err != nil {
			return s.hold, err
		}
	}
	s.hold.Open, s.hold.Version, s.hold.Settled = false, s.hold.Version+1, &st
	s.settled = append(s.settled, st)
	return s.hold, nil
}

func (s *shelf) Call(_ context.Context, c poct.CallTry) error {
	s.calls = append(s.calls, c)
	return nil
}

func (s *shelf) Criticals(_ context.Context, open bool) ([]poct.Critical, error) {
	if s.critical.Result == "" || open && s.critical.Told != "" {
		return nil, nil
	}
	return []poct.Critical{s.critical}, nil
}

func (s *shelf) LookBack(_ context.Context, id, _ string, _ int) (poct.LookBack, error) {
	if id != s.lookback.ID {
		return poct.LookBack{}, poct.ErrNotFound
	}
	return s.lookback, nil
}

func (s *shelf) LookBackItem(_ context.Context, _, result string) (poct.LookBackItem, error) {
	for _, i := range s.lookback.Items {
		if i.Result == result {
			return i, nil
		}
	}
	return poct.LookBackItem{}, poct.ErrNotFound
}

func (s *shelf) LastReason(context.Context, string, string) (string, error) { return s.last, nil }

func (s *shelf) JudgeItem(_ context.Context, _ string, j poct.Judgement, note func(*poct.Result)) error {
	return s.take(j, note)
}

func (s *shelf) Withdraw(_ context.Context, j poct.Judgement, note func(*poct.Result)) error {
	return s.take(j, note)
}

func (s *shelf) take(j poct.Judgement, note func(*poct.Result)) error {
	if s.refuses != nil {
		return s.refuses
	}
	var r poct.Result
	note(&r)
	s.judged, s.noted = append(s.judged, j), append(s.noted, r)
	return nil
}

func (s *shelf) WidenLookBack(_ context.Context, _ string, from time.Time, _, _ string) error {
	s.widened = append(s.widened, from)
	return s.refuses
}

func (s *shelf) Look(_ context.Context, actor string, ids, fields []string) error {
	s.looks = append(s.looks, append(append([]string{actor}, ids...), fields...))
	return nil
}

type judge struct{ asked []poct.Settlement }

func (j *judge) Again(_ poct.Book, _ poct.HoldRecord, _ poct.Arrival, st poct.Settlement) (poct.Decision, error) {
	j.asked = append(j.asked, st)
	return poct.Decision{}, nil
}

var noon = time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC)

func desk(t *testing.T, s *shelf, may review.May) (*review.Desk, *judge) {
	t.Helper()
	j := &judge{}
	if may == nil {
		may = func([]poct.Problem, poct.Act, poct.Actor, string) error { return nil }
	}
	d, err := review.New(review.Settings{Store: s, Judge: j, May: may, Now: func() time.Time { return noon }})
	require.NoError(t, err)
	return d, j
}

func open() *shelf {
	r := poct.Reading{Kind: poct.KindPatient, Operator: "118"}
	return &shelf{hold: poct.HoldRecord{ID: "h", Version: 3, Open: true, Result: "r", Site: "millrace", Reading: r,
		Problems: []poct.Problem{{Code: "lot-unknown", Severity: poct.Hold}}},
		trace: poct.Trace{Site: "millrace", Versions: []poct.VersionRecord{{Result: poct.Result{Reading: r}}}}}
}

var osei = poct.Actor{Name: "k.osei", Role: "coordinator", Sites: []string{"millrace"}, Operator: "131"}

func TestSettle(t *testing.T) {
	good := poct.Settlement{Act: poct.ActCorrect, Version: 3, Changes: map[string]string{poct.FieldStripLot: "7K40231"}, Reason: "  Vial read aloud  "}
	for _, tc := range []struct {
		name   string
		actor  poct.Actor
		hold   func(*poct.HoldRecord)
		st     func(*poct.Settlement)
		want   error  // nil: settled
		fields string // of a form error
	}{
		{name: "corrected", actor: osei},
		{name: "all sites", actor: poct.Actor{Name: "x", Sites: []string{"*"}}},
		{name: "other site", actor: poct.Actor{Name: "x", Sites: []string{"harbour"}}, want: poct.ErrNotFound},
		{name: "no site at all", actor: poct.Actor{Name: "x"}, want: poct.ErrNotFound},
		{name: "hold of no known site is not of everybody's", actor: poct.Actor{Name: "x", Sites: []string{""}}, hold: func(h *poct.HoldRecord) { h.Site = "" }, want: poct.ErrNotFound},
		{name: "older version seen", actor: osei, st: func(s *poct.Settlement) { s.Version = 2 }, want: poct.ErrOvertaken},
		{name: "version never given", actor: osei, st: func(s *poct.Settlement) { s.Version = 0 }, want: poct.ErrOvertaken},
		{name: "settled already", actor: osei, hold: func(h *poct.HoldRecord) { h.Open = false }, want: poct.ErrOvertaken},
		{name: "nine characters", actor: osei, st: func(s *poct.Settlement) { s.Reason = " 123456789 " }, fields: "reason"},
		{name: "ten characters, not bytes", actor: osei, st: func(s *poct.Settlement) { s.Reason = "äöüäöüäöü" }, fields: "reason"},
		{name: "no act", actor: osei, st: func(s *poct.Settlement) { s.Act, s.Changes = "", nil }, fields: "act"},
		{name: "changes without a correction", actor: osei, st: func(s *poct.Settlement) { s.Act = poct.ActRelease }, fields: "changes"},
		{name: "value", actor: osei, st: func(s *poct.Settlement) { s.Changes = map[string]string{"inr": "2.5"} }, fields: "inr"},
		{name: "seconds", actor: osei, st: func(s *poct.Settlement) { s.Changes = map[string]string{"pt": "30"} }, fields: "pt"},
		{name: "device time", actor: osei, st: func(s *poct.Settlement) { s.Changes = map[string]string{poct.FieldTestedAt: "x"} }, fields: poct.FieldTestedAt},
		{name: "meter", actor: osei, st: func(s *poct.Settlement) { s.Changes = map[string]string{poct.FieldMeter: "M-1"} }, fields: poct.FieldMeter},
		{name: "read again without changes", actor: osei, st: func(s *poct.Settlement) { s.Changes = nil }},
		{name: "nothing was read, nothing to change", actor: osei, hold: func(h *poct.HoldRecord) { h.Reading.Kind = poct.KindUnread }, fields: "changes"},
		{name: "nothing was read, nothing to release", actor: osei, hold: func(h *poct.HoldRecord) { h.Reading.Kind = poct.KindUnread },
			st: func(s *poct.Settlement) { s.Act, s.Changes = poct.ActRelease, nil }, want: poct.ErrNotAllowed},
		{name: "refused by the record is not released once more", actor: osei, hold: func(h *poct.HoldRecord) { h.Delivery = 7 },
			st: func(s *poct.Settlement) { s.Act, s.Changes = poct.ActRelease, nil }, want: poct.ErrNotAllowed},
	} {
		t.Run(tc.name, func(t *testing.T) {
			s := open()
			if tc.hold != nil {
				tc.hold(&s.hold)
			}
			st := good
			if tc.st != nil {
				tc.st(&st)
			}
			d, j := desk(t, s, nil)
			h, err := d.Settle(t.Context(), tc.actor, "h", st)
			var form *review.FormError
			switch {
			case tc.fields != "":
				require.ErrorAs(t, err, &form)
				assert.Equal(t, tc.fields, form.Faults[0].Field)
			case tc.want != nil:
				require.ErrorIs(t, err, tc.want)
			default:
				require.NoError(t, err)
				require.Len(t, s.settled, 1)
				assert.Equal(t, tc.actor.Name, h.Settled.Actor)
				assert.Equal(t, noon, h.Settled.At)
				assert.Equal(t, "Vial read aloud", h.Settled.Reason)
				assert.Len(t, j.asked, 1, "judged again from the start")
				return
			}
			assert.Empty(t, s.settled, "nothing was done")
		})
	}
}

// Whoever ran the test may not release it, also not after correcting the
// operator to somebody else's number first.
func TestRunByCountsEveryVersion(t *testing.T) {
	var runBy string
	may := func(_ []poct.Problem, act poct.Act, a poct.Actor, by string) error {
		runBy = by
		if act == poct.ActRelease && a.Operator == by {
			return fmt.Errorf("%w: whoever ran the test may not release it", poct.ErrForbidden)
		}
		return nil
	}
	s := open()
	s.hold.Reading.Operator = "140" // corrected from 131
	s.trace.Versions = append(s.trace.Versions, poct.VersionRecord{Result: poct.Result{Reading: poct.Reading{Operator: "131"}}})
	d, _ := desk(t, s, may)
	_, err := d.Settle(t.Context(), osei, "h", poct.Settlement{Act: poct.ActRelease, Version: 3, Reason: "I know this sample"})
	require.ErrorIs(t, err, poct.ErrForbidden)
	assert.Equal(t, "131", runBy)
	other := osei
	other.Operator = "150"
	_, err = d.Settle(t.Context(), other, "h", poct.Settlement{Act: poct.ActRelease, Version: 3, Reason: "I know this sample"})
	require.NoError(t, err)
}

// Two people on one hold never overwrite each other.
func TestTwoPeopleOneHold(t *testing.T) {
	s := open()
	d, _ := desk(t, s, nil)
	var wg sync.WaitGroup
	errs := make([]error, 8)
	for i := range errs {
		wg.Go(func() {
			actor := osei
			actor.Name = fmt.Sprint("person ", i)
			_, errs[i] = d.Settle(context.Background(), actor, "h", poct.Settlement{Act: poct.ActDiscard, Version: 3, Reason: "Sample was clotted"})
		})
	}
	wg.Wait()
	won := 0
	for _, err := range errs {
		if err == nil {
			won++
		} else {
			assert.ErrorIs(t, err, poct.ErrOvertaken)
		}
	}
	assert.Equal(t, 1, won)
	assert.Len(t, s.settled, 1)
}

func TestCorrectionThatDoesNotFitIsAForm(t *testing.T) {
	s := open()
	d, err := review.New(review.Settings{Store: s, Judge: &judge{}, Now: time.Now, May: func([]poct.Problem, poct.Act, poct.Actor, string) error { return nil },
		Correct: func(r poct.Reading, _ map[string]string) (poct.Reading, error) {
			return r, errors.New("write seconds such as -3600")
		}})
	require.NoError(t, err)
	_, err = d.Settle(t.Context(), osei, "h", poct.Settlement{Act: poct.ActCorrect, Version: 3, Changes: map[string]string{poct.FieldTimeOffset: "an hour"}, Reason: "The clock is an hour fast"})
	var form *review.FormError
	require.ErrorAs(t, err, &form)
	assert.Contains(t, form.Faults[0].Text, "-3600")
	assert.True(t, s.hold.Open)
}

func TestActs(t *testing.T) {
	s := open()
	d, _ := desk(t, s, func(_ []poct.Problem, act poct.Act, _ poct.Actor, _ string) error {
		if act == poct.ActRelease {
			return poct.ErrNotAllowed
		}
		return nil
	})
	names := func() (out []string) {
		offers, err := d.Acts(t.Context(), osei, s.hold)
		require.NoError(t, err)
		for _, o := range offers {
			name := string(o.Act)
			if o.Err != nil {
				name += " not"
			}
			out = append(out, name)
		}
		return out
	}
	assert.Equal(t, []string{"correct", "release not", "retry", "discard"}, names())
	s.hold.Delivery = 4
	assert.Equal(t, []string{"retry", "correct", "discard"}, names(), "what the record refused is sent again, not released")
	assert.True(t, d.Mine(osei, s.hold))
	assert.False(t, d.Mine(poct.Actor{Sites: []string{"harbour"}}, s.hold))
	s.hold.Open = false
	assert.False(t, d.Mine(osei, s.hold))
}

func TestLook(t *testing.T) {
	s := open()
	d, _ := desk(t, s, nil)
	require.NoError(t, d.Look(t.Context(), osei, nil, []string{"patient"}))
	assert.Empty(t, s.looks, "nothing was shown")
	require.NoError(t, d.Look(t.Context(), osei, []string{"r"}, []string{"patient"}))
	assert.Equal(t, [][]string{{"k.osei", "r", "patient"}}, s.looks)
}

func TestNewNeedsAll(t *testing.T) {
	_, err := review.New(review.Settings{})
	require.Error(t, err)
}
