package review_test

import (
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidegate/poct"
	"tidegate/review"
)

func doubted() *shelf {
	s := open()
	s.lookback = poct.LookBack{ID: "b", Kind: poct.LookBackFailed, Site: "millrace",
		Items: []poct.LookBackItem{{Result: "r", Version: 2, Site: "millrace"}, {Result: "far", Version: 1, Site: "harbour"}}}
	return s
}

func TestJudgeItem(t *testing.T) {
	good := poct.Judgement{Result: "r", Version: 2, Judged: poct.Stands, Reason: "  The vial was left open.  "}
	role := func(role string) poct.Actor {
		return poct.Actor{Name: "x", Role: role, Sites: []string{"millrace"}}
	}
	for _, tc := range []struct {
		name   string
		actor  poct.Actor
		j      func(*poct.Judgement)
		store  func(*shelf)
		carry  bool
		want   error
		fields string
		reason string // as written; "" is the usual one
	}{
		{name: "coordinator", actor: role("coordinator")},
		{name: "clinician", actor: role("clinician")},
		{name: "one of several roles", actor: role("nurse, clinician")},
		{name: "reviewer", actor: role("reviewer"), want: poct.ErrForbidden},
		{name: "nurse", actor: role("nurse"), want: poct.ErrForbidden},
		{name: "other site's result", actor: role("coordinator"), j: func(j *poct.Judgement) { j.Result = "far" }, want: poct.ErrNotFound},
		{name: "not on the list", actor: role("coordinator"), j: func(j *poct.Judgement) { j.Result = "other" }, want: poct.ErrNotFound},
		{name: "nine characters", actor: role("coordinator"), j: func(j *poct.Judgement) { j.Reason = "123456789" }, fields: "reason"},
		{name: "no judgement", actor: role("coordinator"), j: func(j *poct.Judgement) { j.Judged = "" }, fields: "judged"},
		{name: "the last reason is carried over when asked", actor: role("coordinator"), carry: true,
			j: func(j *poct.Judgement) { j.Reason = "" }, store: func(s *shelf) { s.last = "Controls were too warm." }, reason: "Controls were too warm."},
		{name: "and only then", actor: role("coordinator"), j: func(j *poct.Judgement) { j.Reason = "" },
			store: func(s *shelf) { s.last = "Controls were too warm." }, fields: "reason"},
		{name: "there is none to carry over", actor: role("coordinator"), carry: true, j: func(j *poct.Judgement) { j.Reason = "" }, fields: "reason"},
		{name: "whoever ran it may not let it stand", actor: poct.Actor{Name: "x", Role: "coordinator", Sites: []string{"*"}, Operator: "118"}, want: poct.ErrForbidden},
		{name: "but may withdraw it", actor: poct.Actor{Name: "x", Role: "coordinator", Sites: []string{"*"}, Operator: "118"},
			j: func(j *poct.Judgement) { j.Judged = poct.TakenBack }},
		{name: "overtaken", actor: role("coordinator"), store: func(s *shelf) { s.refuses = fmt.Errorf("x: %w", poct.ErrOvertaken) }, want: poct.ErrOvertaken},
	} {
		t.Run(tc.name, func(t *testing.T) {
			s, j := doubted(), good
			if tc.store != nil {
				tc.store(s)
			}
			if tc.j != nil {
				tc.j(&j)
			}
			d, _ := desk(t, s, nil)
			err := d.JudgeItem(t.Context(), tc.actor, "b", j, tc.carry)
			var form *review.FormError
			switch {
			case tc.fields != "":
				require.ErrorAs(t, err, &form)
				assert.Equal(t, tc.fields, form.Faults[0].Field)
			case tc.want != nil:
				require.ErrorIs(t, err, tc.want)
			default:
				require.NoError(t, err)
				require.Len(t, s.judged, 1)
				want := tc.reason
				if want == "" {
					want = "The vial was left open."
				}
				assert.Equal(t, poct.Judgement{Result: "r", Version: 2, Judged: j.Judged, Actor: "x", Reason: want}, s.judged[0])
				return
			}
			assert.Empty(t, s.judged, "nothing was done")
		})
	}
	t.Run("no such look-back", func(t *testing.T) {
		d, _ := desk(t, doubted(), nil)
		require.ErrorIs(t, d.JudgeItem(t.Context(), osei, "other", good, false), poct.ErrNotFound)
	})
}

// What the record is told: never a person's own words.
func TestWhatAJudgementTellsTheRecord(t *testing.T) {
	for _, tc := range []struct {
		kind     poct.LookBackKind
		judged   poct.Judged
		marks    []string
		replaces string
	}{
		{poct.LookBackFailed, poct.RepeatAsked, []string{"A control of this meter failed; a repeat of this test was asked for."}, ""},
		{poct.LookBackRecalled, poct.RepeatAsked, []string{"The strip lot of this test was recalled; a repeat of this test was asked for."}, ""},
		{poct.LookBackFailed, poct.TakenBack, nil, "a control of this meter failed"},
		{poct.LookBackRecalled, poct.TakenBack, nil, "the strip lot of this test was recalled"},
		{poct.LookBackFailed, poct.Stands, nil, ""},
	} {
		s := doubted()
		s.lookback.Kind = tc.kind
		d, _ := desk(t, s, nil)
		actor := osei
		require.NoError(t, d.JudgeItem(t.Context(), actor, "b", poct.Judgement{Result: "r", Version: 2, Judged: tc.judged, Reason: "Mrs Vale was told."}, false))
		assert.Equal(t, poct.Result{Marks: tc.marks, Replaces: tc.replaces}, s.noted[0])
	}
}

func TestWithdraw(t *testing.T) {
	role := func(role string, sites ...string) poct.Actor { return poct.Actor{Name: "x", Role: role, Sites: sites} }
	s := open()
	s.trace.ID = "r"
	d, _ := desk(t, s, nil)
	var form *review.FormError
	require.ErrorIs(t, d.Withdraw(t.Context(), role("nurse", "millrace"), "r", 1, "Measured on the wrong child."), poct.ErrForbidden)
	require.ErrorIs(t, d.Withdraw(t.Context(), role("reviewer", "harbour"), "r", 1, "Measured on the wrong child."), poct.ErrNotFound)
	require.ErrorIs(t, d.Withdraw(t.Context(), role("reviewer", "millrace"), "an arrival", 1, "Measured on the wrong child."), poct.ErrNotFound)
	require.ErrorAs(t, d.Withdraw(t.Context(), role("reviewer", "millrace"), "r", 1, "wrong"), &form)
	require.Empty(t, s.judged)
	for i, r := range []string{"reviewer", "coordinator", "clinician"} {
		require.NoError(t, d.Withdraw(t.Context(), role(r, "millrace"), "r", 1, "Measured on the wrong child."))
		assert.Equal(t, poct.Judgement{Result: "r", Version: 1, Judged: poct.TakenBack, Actor: "x", Reason: "Measured on the wrong child."}, s.judged[i])
		assert.Equal(t, poct.Result{Replaces: "a person took it back"}, s.noted[i])
	}
}

func TestWidenLookBack(t *testing.T) {
	s := doubted()
	d, _ := desk(t, s, nil)
	var form *review.FormError
	at := noon.Add(-time.Hour)
	reviewer := poct.Actor{Name: "x", Role: "reviewer", Sites: []string{"millrace"}}
	require.ErrorIs(t, d.WidenLookBack(t.Context(), reviewer, "b", at, "Opened an hour before."), poct.ErrForbidden)
	require.ErrorIs(t, d.WidenLookBack(t.Context(), poct.Actor{Name: "x", Role: "coordinator", Sites: []string{"harbour"}}, "b", at, "Opened an hour before."), poct.ErrNotFound)
	require.ErrorAs(t, d.WidenLookBack(t.Context(), osei, "b", time.Time{}, "Opened an hour before."), &form)
	require.ErrorAs(t, d.WidenLookBack(t.Context(), osei, "b", at, "short"), &form)
	require.Empty(t, s.widened)
	require.NoError(t, d.WidenLookBack(t.Context(), osei, "b", at, "Opened an hour before."))
	require.Equal(t, []time.Time{at}, s.widened)
}
