package review_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidegate/poct"
	"tidegate/review"
)

func TestCall(t *testing.T) {
	good := poct.CallTry{Result: "r", To: " nurse at Saltmarsh ", Reached: true, ReadBack: "6.1", Comment: " Will phone. "}
	for _, tc := range []struct {
		name   string
		actor  poct.Actor
		call   func(*poct.CallTry)
		told   string
		want   error
		fields string
		text   string
	}{
		{name: "reached", actor: osei},
		{name: "written with a comma and a zero", actor: osei, call: func(c *poct.CallTry) { c.ReadBack = "6,10" }},
		{name: "not reached needs no value", actor: osei, call: func(c *poct.CallTry) { c.Reached, c.ReadBack = false, "" }},
		{name: "not reached, yet a value", actor: osei, call: func(c *poct.CallTry) { c.Reached = false }, fields: "read_back", text: "Nobody was reached"},
		{name: "misheard", actor: osei, call: func(c *poct.CallTry) { c.ReadBack = "1.6" }, fields: "read_back", text: "They read back 1.6; the result is 6.1. Say it again."},
		{name: "a bound is another value", actor: osei, call: func(c *poct.CallTry) { c.ReadBack = ">6.1" }, fields: "read_back", text: "Say it again."},
		{name: "nothing was read back", actor: osei, call: func(c *poct.CallTry) { c.ReadBack = "  " }, fields: "read_back", text: "Type the value"},
		{name: "whom", actor: osei, call: func(c *poct.CallTry) { c.To = " " }, fields: "to", text: "whom you called"},
		{name: "other site", actor: poct.Actor{Name: "x", Sites: []string{"harbour"}}, want: poct.ErrNotFound},
		{name: "no critical result", actor: osei, call: func(c *poct.CallTry) { c.Result = "s" }, want: poct.ErrNotFound},
		{name: "told before", actor: osei, told: "r.ito", want: poct.ErrOvertaken},
		{name: "told before, at another site", actor: poct.Actor{Name: "x", Sites: []string{"harbour"}}, told: "r.ito", want: poct.ErrNotFound},
	} {
		t.Run(tc.name, func(t *testing.T) {
			s := open()
			s.critical = poct.Critical{Result: "r", Site: "millrace", Value: "6.1", Told: tc.told}
			if s.trace.ID = "r"; tc.told != "" {
				s.trace.Events = []poct.Event{{Kind: poct.EventCalled, Actor: tc.told}}
			}
			d, _ := desk(t, s, nil)
			c := good
			if tc.call != nil {
				tc.call(&c)
			}
			err := d.Call(t.Context(), tc.actor, c)
			var form *review.FormError
			switch {
			case tc.fields != "":
				require.ErrorAs(t, err, &form)
				assert.Equal(t, tc.fields, form.Faults[0].Field)
				assert.Contains(t, form.Faults[0].Text, tc.text)
			case tc.want != nil:
				require.ErrorIs(t, err, tc.want)
			default:
				require.NoError(t, err)
				require.Len(t, s.calls, 1)
				got := s.calls[0]
				assert.Equal(t, []any{"k.osei", "nurse at Saltmarsh", "Will phone.", noon}, []any{got.By, got.To, got.Comment, got.At})
				return
			}
			assert.Empty(t, s.calls, "nothing was written")
		})
	}
}

func TestSameValue(t *testing.T) {
	for _, tc := range []struct {
		back, sent string
		want       bool
	}{
		{"6.1", "6.1", true}, {"6,1", "6.1", true}, {"6.10", "6.1", true}, {"06.1", "6.1", true}, {"> 8.0", ">8.0", true},
		{"1.6", "6.1", false}, {"61", "6.1", false}, {"8.0", ">8.0", false}, {">8.0", "8.0", false}, {"six", "6.1", false}, {"ERR", "ERR", true},
	} {
		assert.Equal(t, tc.want, review.SameValue(tc.back, tc.sent), "%q for %q", tc.back, tc.sent)
	}
}

func TestCallSteps(t *testing.T) {
	at := func(m int) time.Time { return noon.Add(time.Duration(m) * time.Minute) }
	usual := review.CallTimes{RemindAfter: 10 * time.Minute, Every: 20 * time.Minute, EscalateAfter: 25 * time.Minute}
	for _, tc := range []struct {
		name   string
		minute int
		times  review.CallTimes
		want   review.CallStep
	}{
		{"at once", 0, usual, review.CallStep{Next: at(10)}},
		{"a clock set back", -5, usual, review.CallStep{Next: at(10)}},
		{"just before", 9, usual, review.CallStep{Next: at(10)}},
		{"first reminder", 10, usual, review.CallStep{Reminders: 1, Next: at(25)}},
		{"others are told", 25, usual, review.CallStep{Reminders: 1, Escalations: 1, Next: at(30)}},
		{"and both again", 45, usual, review.CallStep{Reminders: 2, Escalations: 2, Next: at(50)}},
		{"never escalated", 60, review.CallTimes{RemindAfter: time.Hour, Every: time.Hour}, review.CallStep{Reminders: 1, Next: at(120)}},
		{"reminded of once", 60, review.CallTimes{RemindAfter: time.Hour}, review.CallStep{Reminders: 1}},
		{"only escalated", 5, review.CallTimes{EscalateAfter: time.Hour}, review.CallStep{Next: at(60)}},
		{"neither", 60, review.CallTimes{}, review.CallStep{}},
	} {
		assert.Equal(t, tc.want, review.CallSteps(noon, at(tc.minute), tc.times), tc.name)
	}
}
