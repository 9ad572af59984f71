package storetest

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidegate/poct"
)

// at is so many minutes after eight.
func at(minute int) time.Time { return Begin.Add(time.Duration(minute) * time.Minute) }

func stampAt(minute int) poct.Stamp {
	return poct.Stamp{Raw: at(minute).Format("20060102150405"), At: at(minute)}
}

// test is a released result of meter Q1 on lot 7K40231, run at a minute.
func test(minute int, change ...func(*poct.Outcome)) poct.Outcome {
	o := Released("Q1", fmt.Sprint("t", minute), "2.5")
	o.Result.Reading.TestedAt, o.Result.Reading.StripLot = stampAt(minute), "7K40231"
	for _, c := range change {
		c(&o)
	}
	o.Result.Key = o.Result.Reading.Key()
	return o
}

func onMeter(meter string) func(*poct.Outcome) {
	return func(o *poct.Outcome) { o.Result.Reading.Meter = meter }
}

func onLot(lot string) func(*poct.Outcome) {
	return func(o *poct.Outcome) { o.Result.Reading.StripLot = lot }
}

func atSite(site string) func(*poct.Outcome) {
	return func(o *poct.Outcome) { o.Result.Site = site }
}

// heldFor makes an outcome a held one.
func heldFor(codes ...string) func(*poct.Outcome) {
	return func(o *poct.Outcome) {
		o.Verdict, o.Action, o.Outlets, o.Cause = poct.HoldIt, "", nil, codes[0]+"|Q1"
		for i, code := range codes {
			p := poct.Problem{Code: code, Severity: poct.Hold}
			if i > 0 {
				p.Because = codes[0]
			}
			o.Problems = append(o.Problems, p)
		}
	}
}

// control is a control of meter Q1 on lot 7K40231, run at a minute.
func control(minute int, level string, passed bool, change ...func(*poct.Outcome)) poct.Outcome {
	o := Control("Q1", fmt.Sprint("c", minute, level), at(minute))
	r := &o.Result.Reading
	r.StripLot, r.ControlLot, r.ControlLevel, o.QCPassed = "7K40231", "C-404", level, passed
	for _, c := range change {
		c(&o)
	}
	o.Result.Key = r.Key()
	return o
}

func withStatus(s poct.Status) func(*poct.Outcome) {
	return func(o *poct.Outcome) { o.Result.Reading.Status = s }
}

// lookBacks is every look-back with all its results.
func (w *World) lookBacks(open bool) []poct.LookBack {
	w.Helper()
	list, err := w.LookBacks(w.Ctx, open, "", 0)
	w.ok(err)
	for i := range list {
		list[i], err = w.LookBack(w.Ctx, list[i].ID, "", 10_000)
		w.ok(err)
	}
	return list
}

// listed is the minutes of the tests on a look-back, as the sequences tell.
func (w *World) listed(b poct.LookBack) string {
	w.Helper()
	var out []string
	for _, i := range b.Items {
		tr, err := w.Trace(w.Ctx, i.Result)
		w.ok(err)
		out = append(out, tr.Versions[0].Result.Reading.Sequence)
	}
	slices.Sort(out)
	return strings.Join(out, " ")
}

func (w *World) judge(b poct.LookBack, result string, j poct.Judged) error {
	w.Helper()
	i, err := w.LookBackItem(w.Ctx, b.ID, result)
	w.ok(err)
	return w.JudgeItem(w.Ctx, b.ID, poct.Judgement{Result: result, Version: i.Version, Judged: j, Actor: "k.osei", Reason: "Vial left open."},
		func(r *poct.Result) { r.Marks = append(r.Marks, "Looked back on.") })
}

func testLookBack(t *testing.T, open Open) {
	// What a failure of level 1 at minute 60 lists, by what came before it.
	for _, c := range []struct {
		name string
		came []poct.Outcome // in this order, then the failure
		want string         // on the list; "" for no list
		late bool
		from time.Time
		to   time.Time
	}{
		{"since the last pass of the level", []poct.Outcome{control(0, "1", true), control(0, "2", true), test(5), control(10, "1", true), control(20, "2", true), test(15), test(25)},
			"t15 t25", false, at(10), time.Time{}},
		{"no pass is known", []poct.Outcome{test(5), test(25)}, "t25 t5", false, time.Time{}, time.Time{}},
		{"levels are told apart as people write them", []poct.Outcome{test(5), control(10, " 1", true), test(25)}, "t25", false, at(10), time.Time{}},
		{"another meter, another lot", []poct.Outcome{control(10, "1", true), test(20, onMeter("Q2")), test(21, onLot("7K40999")), test(22)},
			"t22", false, at(10), time.Time{}},
		{"a pass on another meter or lot is none", []poct.Outcome{test(5), control(10, "1", true, onMeter("Q2")), control(11, "1", true, onLot("7K40999")), test(22)},
			"t22 t5", false, time.Time{}, time.Time{}},
		{"late: tests after it went through", []poct.Outcome{control(10, "1", true), test(20), test(70)}, "t20 t70", true, at(10), time.Time{}},
		{"late: up to when both levels had passed again", []poct.Outcome{control(10, "1", true), test(20), test(70), control(80, "1", true), test(85), control(90, "2", true), test(95)},
			"t20 t70 t85", true, at(10), at(90)},
		{"held ones are none of it", []poct.Outcome{control(10, "1", true), test(20, heldFor("lot-unknown")), test(21)}, "t21", false, at(10), time.Time{}},
		{"nothing in doubt, no list", []poct.Outcome{test(5), control(10, "1", true), test(20, heldFor("qc-overdue"))}, "", false, time.Time{}, time.Time{}},
		{"a preliminary pass counts for nothing", []poct.Outcome{test(5), control(10, "1", true, withStatus(poct.StatusPreliminary)), test(20)}, "t20 t5", false, time.Time{}, time.Time{}},
	} {
		t.Run(c.name, func(t *testing.T) {
			w := NewWorld(t, open)
			for _, o := range c.came {
				w.Take(o)
			}
			w.Asks()
			failed := w.Take(control(60, "1", false))[0]
			lists := w.lookBacks(true)
			if c.want == "" {
				assert.Empty(t, lists)
				assert.Empty(t, w.Asks())
				w.Verifies()
				return
			}
			require.Len(t, lists, 1)
			b := lists[0]
			assert.Equal(t, c.want, w.listed(b))
			assert.Equal(t, poct.LookBackFailed, b.Kind)
			assert.Equal(t, []string{"Q1", "7K40231", "saltmarsh", failed}, []string{b.Meter, b.StripLot, b.Site, b.Control})
			assert.Equal(t, c.late, b.Late)
			assert.Equal(t, []time.Time{c.from, c.to}, []time.Time{b.From, b.To})
			assert.Equal(t, []int{len(b.Items), len(b.Items)}, []int{b.Total, b.Left})
			assert.Empty(t, b.ControlNow)
			for _, i := range b.Items {
				assert.True(t, strings.HasSuffix(w.Kinds(i.Result), "looked-back-on"), "its trace shows it")
				assert.True(t, i.Stands)
				assert.Equal(t, "2.5", i.Value)
			}
			assert.Equal(t, []string{poct.NotifyLookBack}, w.Asks())
			w.Verifies()
		})
	}
	for _, s := range []poct.Status{poct.StatusPreliminary, poct.StatusWithdrawn} {
		t.Run("a failure that is "+string(s)+" opens none", func(t *testing.T) {
			w := NewWorld(t, open)
			w.Take(test(20))
			w.Take(control(60, "1", false, withStatus(s)))
			assert.Empty(t, w.lookBacks(true))
		})
	}
	t.Run("what does not stand is not listed", func(t *testing.T) {
		w := NewWorld(t, open)
		gone := w.Take(test(20))[0]
		unsent := w.Take(test(21))[0]
		refused := w.Take(test(22))[0]
		for _, d := range w.Deliveries() {
			switch d.Result.ID {
			case gone:
				w.Answered(w.Sent(d), nil)
			case refused:
				w.Refuse(w.Sent(d), false)
			default:
				w.Store.Release(d)
			}
		}
		w.Take(Of(gone, As(poct.Withdraw, test(20))))
		w.Take(Of(unsent, As(poct.Withdraw, test(21))))
		doubted := w.Take(Of(w.Take(test(23))[0], test(23, heldFor("conflicting-resend"))))[0]
		w.Take(control(60, "1", false))
		b := w.lookBacks(true)[0]
		assert.Equal(t, "t22 t23", w.listed(b), "refused now, it can be sent again; a doubtful correction leaves the first version there")
		assert.Equal(t, poct.Held, w.State(doubted))
		w.Verifies()
	})
	t.Run("a second failure lists nothing twice", func(t *testing.T) {
		w := NewWorld(t, open)
		w.Take(test(20))
		w.Take(control(60, "1", false))
		w.Take(control(61, "2", false))
		w.Take(control(62, "1", false))
		require.Len(t, w.lookBacks(true), 1)
		b := w.lookBacks(true)[0]
		require.NoError(t, w.judge(b, b.Items[0].Result, poct.Stands))
		w.Take(control(63, "1", false))
		require.Len(t, w.lookBacks(true), 1, "judged before this failure was known, it is asked once more")
		assert.NotEqual(t, b.ID, w.lookBacks(true)[0].ID)
		w.Verifies()
	})
	t.Run("a control that is corrected or withdrawn takes nothing off", func(t *testing.T) {
		w := NewWorld(t, open)
		w.Take(test(20))
		failed := w.Take(control(60, "1", false))[0]
		w.Take(Of(failed, control(60, "1", true, withStatus(poct.StatusCorrected))))
		b := w.lookBacks(true)[0]
		assert.Equal(t, "t20", w.listed(b))
		assert.Equal(t, "passed", b.ControlNow)
		w.Take(Of(failed, control(60, "1", false, withStatus(poct.StatusWithdrawn))))
		assert.Equal(t, "withdrawn", w.lookBacks(true)[0].ControlNow)
		w.Take(Of(failed, control(60, "1", false, withStatus(poct.StatusCorrected))))
		assert.Empty(t, w.lookBacks(true)[0].ControlNow)
		require.Len(t, w.lookBacks(true), 1, "one for each control")
		w.Verifies()
	})
	t.Run("a control corrected to a failure", func(t *testing.T) {
		w := NewWorld(t, open)
		w.Take(test(20))
		passed := w.Take(control(60, "1", true))[0]
		assert.Empty(t, w.lookBacks(true))
		w.Take(Of(passed, control(60, "1", false, withStatus(poct.StatusCorrected))))
		assert.Equal(t, "t20", w.listed(w.lookBacks(true)[0]))
		w.Verifies()
	})
	t.Run("what comes late joins", func(t *testing.T) {
		w := NewWorld(t, open)
		w.Take(control(0, "1", true))
		w.Take(control(0, "2", true))
		w.Take(test(20))
		w.Take(control(60, "1", false))
		b := w.lookBacks(true)[0]
		require.NoError(t, w.judge(b, b.Items[0].Result, poct.Stands))
		require.Empty(t, w.lookBacks(true))
		require.Len(t, w.lookBacks(false), 1)
		assert.Equal(t, at(0), w.lookBacks(false)[0].Closed)
		w.Take(test(30))
		assert.Equal(t, "t20 t30", w.listed(w.lookBacks(true)[0]), "open once more")
		w.Take(test(65))
		assert.Equal(t, "t20 t30 t65", w.listed(w.lookBacks(true)[0]), "released in spite of the failure")
		w.Take(control(70, "1", true))
		w.Take(control(71, "2", true))
		w.Take(test(72))
		w.Take(test(40, onMeter("Q2")))
		w.Take(test(41, onLot("7K40999")))
		w.Take(control(10, "2", true))
		assert.Equal(t, "t20 t30 t65", w.listed(w.lookBacks(true)[0]))
		w.Verifies()
	})
	t.Run("nothing was in doubt until it came late", func(t *testing.T) {
		w := NewWorld(t, open)
		w.Take(control(0, "1", true))
		w.Take(control(60, "1", false))
		w.Take(control(70, "1", true))
		w.Take(control(71, "2", true))
		w.Take(test(72))
		assert.Empty(t, w.lookBacks(true))
		w.Take(test(30))
		assert.Equal(t, "t30", w.listed(w.lookBacks(true)[0]))
		w.Take(test(61))
		assert.Equal(t, "t30 t61", w.listed(w.lookBacks(true)[0]))
		w.Verifies()
	})
	t.Run("a meter that knows no lots", func(t *testing.T) {
		w := NewWorld(t, open)
		w.Take(control(10, "1", true, onLot("")))
		w.Take(test(20, onLot("")))
		w.Take(test(21, onLot(""), onMeter("Q2")))
		w.Take(control(60, "1", false, onLot("")))
		assert.Equal(t, "t20", w.listed(w.lookBacks(true)[0]))
	})
	t.Run("its beginning moves back, never on", func(t *testing.T) {
		w := NewWorld(t, open)
		w.Take(test(5))
		w.Take(test(15))
		w.Take(control(20, "1", true))
		w.Take(test(25))
		w.Take(control(60, "1", false))
		b := w.lookBacks(true)[0]
		require.NoError(t, w.WidenLookBack(w.Ctx, b.ID, at(10), "k.osei", "The vial was opened at ten past."))
		b = w.lookBacks(true)[0]
		assert.Equal(t, "t15 t25", w.listed(b))
		assert.Equal(t, at(10), b.From)
		for _, from := range []time.Time{at(10), at(11)} {
			assert.ErrorIs(t, w.WidenLookBack(w.Ctx, b.ID, from, "k.osei", "Later after all."), poct.ErrNotAllowed)
		}
		assert.ErrorIs(t, w.WidenLookBack(w.Ctx, b.Items[0].Result, at(1), "k.osei", "No look-back."), poct.ErrNotFound)
		w.Take(test(12))
		assert.Equal(t, "t12 t15 t25", w.listed(w.lookBacks(true)[0]), "what comes late joins the wider span")
		w.Verifies()
	})
	t.Run("judging", func(t *testing.T) { testJudging(t, open) })
	t.Run("withdrawing", func(t *testing.T) { testWithdrawing(t, open) })
	t.Run("recall", func(t *testing.T) { testRecall(t, open) })
}

func testJudging(t *testing.T, open Open) {
	w := NewWorld(t, open)
	ids := []string{w.Take(test(20))[0], w.Take(test(21))[0], w.Take(test(22))[0], w.Take(test(23))[0]}
	w.Drain()
	w.Take(control(60, "1", false))
	b := w.lookBacks(true)[0]
	require.Equal(t, 4, b.Left)

	require.NoError(t, w.judge(b, ids[0], poct.Stands))
	assert.Empty(t, w.Drain(), "it stands: nothing is sent")
	assert.ErrorIs(t, w.judge(b, ids[0], poct.TakenBack), poct.ErrOvertaken)
	assert.Equal(t, "received read released sending delivered looked-back-on look-back-judged", w.Kinds(ids[0]))

	require.NoError(t, w.judge(b, ids[1], poct.RepeatAsked))
	assert.Equal(t, []string{"correct v2 f0"}, w.Drain())
	tr, err := w.Trace(w.Ctx, ids[1])
	require.NoError(t, err)
	v := tr.Versions[1]
	assert.True(t, v.Result.Noted)
	assert.Equal(t, []string{"Looked back on."}, v.Result.Marks)
	assert.Empty(t, tr.Versions[0].Result.Marks, "the version before is as it was")
	assert.Equal(t, []string{"k.osei", "Vial left open."}, []string{v.Actor, v.Reason})
	assert.Equal(t, tr.Versions[0].Result.Reading, v.Result.Reading)
	assert.Equal(t, tr.Versions[0].Checks, v.Checks)
	assert.Equal(t, poct.Delivered, tr.State)

	require.NoError(t, w.judge(b, ids[2], poct.TakenBack))
	assert.Equal(t, []string{"withdraw v2 f0"}, w.Drain())
	assert.ErrorIs(t, w.judge(b, ids[2], poct.TakenBack), poct.ErrOvertaken)
	assert.Empty(t, w.Drain(), "it goes out once")

	// One that has not left yet goes out with its mark, as the first.
	unsent := w.Take(test(24))[0]
	require.NoError(t, w.judge(b, unsent, poct.RepeatAsked))
	assert.Equal(t, []string{"create v2 f0"}, w.Drain())

	// Meanwhile the meter corrects the last one: what the person saw is old.
	i, err := w.LookBackItem(w.Ctx, b.ID, ids[3])
	require.NoError(t, err)
	w.Take(Of(ids[3], As(poct.Correct, test(23))))
	old := poct.Judgement{Result: ids[3], Version: i.Version, Judged: poct.TakenBack, Actor: "k.osei", Reason: "Vial left open."}
	assert.ErrorIs(t, w.JudgeItem(w.Ctx, b.ID, old, nil), poct.ErrOvertaken)
	// A newer version that waits for a person is not gone past.
	w.Take(Of(ids[3], test(23, heldFor("conflicting-resend"))))
	assert.ErrorIs(t, w.judge(b, ids[3], poct.TakenBack), poct.ErrNotAllowed)
	assert.ErrorIs(t, w.judge(b, ids[3], poct.RepeatAsked), poct.ErrNotAllowed)
	w.Act(w.Open(ids[3]), poct.ActDiscard)
	// Withdrawn meanwhile, it can only be judged so, and is not withdrawn twice.
	w.Take(Of(ids[3], As(poct.Withdraw, test(23))))
	w.Drain()
	assert.ErrorIs(t, w.judge(b, ids[3], poct.Stands), poct.ErrNotAllowed)
	assert.ErrorIs(t, w.judge(b, ids[3], poct.RepeatAsked), poct.ErrNotAllowed)
	require.NoError(t, w.judge(b, ids[3], poct.TakenBack))
	assert.Empty(t, w.Drain())

	assert.Empty(t, w.lookBacks(true), "closed by itself")
	closed := w.lookBacks(false)
	require.Len(t, closed, 1)
	assert.Equal(t, w.Clock.Now(), closed[0].Closed)
	reason, err := w.LastReason(w.Ctx, b.ID, "k.osei")
	require.NoError(t, err)
	assert.Equal(t, "Vial left open.", reason)
	reason, err = w.LastReason(w.Ctx, b.ID, "r.ito")
	require.NoError(t, err)
	assert.Empty(t, reason)
	other := w.Take(test(70, onMeter("Q2")))[0]
	assert.ErrorIs(t, w.JudgeItem(w.Ctx, b.ID, poct.Judgement{Result: other, Version: 1, Judged: poct.Stands}, nil), poct.ErrNotFound)
	page, err := w.LookBack(w.Ctx, b.ID, "", 3)
	require.NoError(t, err)
	require.Len(t, page.Items, 3)
	rest, err := w.LookBack(w.Ctx, b.ID, page.Items[2].Result, 3)
	require.NoError(t, err)
	require.Len(t, rest.Items, 2)
	assert.Equal(t, ids[3], rest.Items[0].Result)
	w.Drain()
	w.Verifies()
	a, err := w.Account(w.Ctx)
	require.NoError(t, err)
	assert.Zero(t, a.Lost+a.Waiting+a.Delivering)
}

func testWithdrawing(t *testing.T, open Open) {
	w := NewWorld(t, open)
	withdraw := func(id string, version int) error {
		return w.Withdraw(w.Ctx, poct.Judgement{Result: id, Version: version, Actor: "k.osei", Reason: "Wrong finger."},
			func(r *poct.Result) { r.Replaces = "it was taken back" })
	}
	sent := w.Take(test(20))[0]
	w.Drain()
	unsent := w.Take(test(21))[0]
	assert.ErrorIs(t, withdraw(sent, 2), poct.ErrOvertaken)
	require.NoError(t, withdraw(sent, 1))
	require.NoError(t, withdraw(unsent, 1))
	assert.Equal(t, []string{"withdraw v2 f0"}, w.Drain(), "what never left is only cancelled")
	assert.ErrorIs(t, withdraw(sent, 2), poct.ErrNotAllowed)
	assert.Equal(t, "received read released sending delivered withdrawn-by-person released sending delivered", w.Kinds(sent))
	assert.Equal(t, "received read released withdrawn-by-person filed cancelled-unsent", w.Kinds(unsent))

	// Refused creations are taken out of the queue with their hold; one on the
	// wire is waited for.
	refused := w.Take(test(22))[0]
	h := w.Refuse(w.Sent(w.One()), true)
	require.NoError(t, withdraw(refused, 1))
	got, err := w.Hold(w.Ctx, h.ID)
	require.NoError(t, err)
	assert.False(t, got.Open)
	flying := w.Take(test(23))[0]
	var d poct.Delivery
	for _, c := range w.Deliveries() {
		if c.Result.ID == flying {
			d = w.Sent(c)
			continue
		}
		assert.Equal(t, poct.Withdraw, c.Action)
		assert.True(t, c.Unsure, "looked up first: nobody knows whether it landed")
		w.Answered(w.Sent(c), nil)
	}
	require.NoError(t, withdraw(flying, 1))
	assert.Empty(t, w.Deliveries(), "a withdrawal never overtakes what it withdraws")
	w.Answered(d, nil)
	assert.Equal(t, []string{"withdraw v2 f0"}, w.Drain())
	w.Verifies()
	a, err := w.Account(w.Ctx)
	require.NoError(t, err)
	assert.Zero(t, a.Lost+a.Waiting+a.Delivering+a.Held)
}

func testRecall(t *testing.T, open Open) {
	w := NewWorld(t, open)
	lot := func(recalled bool) {
		w.Helper()
		w.ok2(w.Upsert(w.Ctx, "k.osei", poct.RegistryRows{StripLots: []poct.StripLot{{Lot: "7K40231", Model: "Quill 3", Recalled: recalled}, {Lot: "7K40999", Model: "Quill 3"}}}))
	}
	lot(false)
	w.Take(test(20))
	w.Take(test(21, onMeter("Q2"), atSite("harbour")))
	w.Take(test(22, onLot("7K40999")))
	w.Take(test(23, heldFor("lot-unknown")))
	w.Take(control(24, "1", true))
	w.Asks()
	lot(true)
	lists := w.lookBacks(true)
	require.Len(t, lists, 1)
	b := lists[0]
	assert.Equal(t, poct.LookBackRecalled, b.Kind)
	assert.Equal(t, []string{"", "", "7K40231", ""}, []string{b.Site, b.Meter, b.StripLot, b.Control})
	assert.Equal(t, "t20 t21", w.listed(b))
	assert.Equal(t, []string{"saltmarsh", "harbour"}, []string{b.Items[0].Site, b.Items[1].Site})
	assert.Equal(t, []string{poct.NotifyLotRecall}, w.Asks())
	lot(true)
	assert.Len(t, w.lookBacks(true), 1, "a row that says the same changes nothing")

	// A failed control asks for the same results by itself.
	w.Take(control(60, "1", false))
	assert.Len(t, w.lookBacks(true), 1, "its level passed after them")
	w.Take(control(60, "2", false))
	assert.Len(t, w.lookBacks(true), 2)

	// What is released of it all the same joins.
	w.Take(test(62))
	assert.Equal(t, "t20 t21 t62", w.listed(w.lookBacks(true)[0]))
	assert.ErrorIs(t, w.WidenLookBack(w.Ctx, b.ID, at(0), "k.osei", "Nothing to widen."), poct.ErrNotAllowed)

	// Recalled once more, it takes up only what is new.
	for _, i := range w.lookBacks(true)[0].Items {
		require.NoError(t, w.judge(b, i.Result, poct.Stands))
	}
	lot(false)
	w.Take(test(63))
	lot(true)
	assert.Equal(t, 1, w.lookBacks(true)[0].Left)
	w.Verifies()

	// Recalled before anything of it went out, and then something does.
	late := NewWorld(t, open)
	late.ok2(late.Upsert(late.Ctx, "k.osei", poct.RegistryRows{StripLots: []poct.StripLot{{Lot: "7K40231", Recalled: true}}}))
	late.Take(test(20))
	late.Take(test(21))
	assert.Equal(t, "t20 t21", late.listed(late.lookBacks(true)[0]))
	late.Verifies()

	// Very many, with a crowd of events in one transaction.
	many := NewWorld(t, open)
	many.ok2(many.Upsert(many.Ctx, "k.osei", poct.RegistryRows{StripLots: []poct.StripLot{{Lot: "7K40231"}}}))
	const n = 5000
	for i := 0; i < n; {
		var outcomes []poct.Outcome
		for ; len(outcomes) < 500; i++ {
			o := test(i)
			o.Result.Reading.Index = len(outcomes)
			outcomes = append(outcomes, o)
		}
		many.Take(outcomes...)
	}
	many.ok2(many.Upsert(many.Ctx, "k.osei", poct.RegistryRows{StripLots: []poct.StripLot{{Lot: "7K40231", Recalled: true}}}))
	list, err := many.LookBacks(many.Ctx, true, "", 0)
	require.NoError(t, err)
	require.Len(t, list, 1)
	assert.Equal(t, []int{n, n}, []int{list[0].Total, list[0].Left})
	many.Verifies()
}
