package storetest

import (
	"errors"
	"flag"
	"fmt"
	"os"
	"testing"
	"time"

	"pgregory.net/rapid"

	"tidegate/poct"
	"tidegate/store"
)

// testDays plays random days: messages of every verdict, corrections,
// withdrawals, re-files, resends, sends that fail in every way, leases that
// run out, controls that fail, and a desk that settles and judges at random. Whatever happens, the account
// adds up and the store verifies; when all is drained, nothing is under way
// and the record system, as the receipts tell it, holds at most one creation
// for each filing.
func testDays(t *testing.T, open Open) {
	fewer(t, "20")
	rapid.Check(t, func(r *rapid.T) {
		w := &day{World: NewWorld(t, open), r: r, alive: map[string]string{}}
		w.World.T = r
		defer w.Close()
		for range rapid.IntRange(5, 40).Draw(r, "steps") {
			w.step()
		}
		w.rest()
	})
}

// fewer takes fewer random days than usual, unless the long form is asked for:
// each opens a store.
func fewer(t *testing.T, checks string) {
	f := flag.Lookup("rapid.checks")
	if os.Getenv("TIDEGATE_LONG") != "" || f == nil || f.Value.String() != f.DefValue {
		return
	}
	if err := f.Value.Set(checks); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = f.Value.Set(f.DefValue) })
}

type day struct {
	*World
	r       *rapid.T
	results []string
	claims  []poct.Delivery   // held on to, perhaps too long
	alive   map[string]string // result and filing -> the patient it was filed under, while it stands there
}

func (d *day) step() {
	d.Clock.Move(time.Duration(rapid.IntRange(-5, 90).Draw(d.r, "seconds")) * time.Second)
	switch rapid.SampledFrom([]string{"new", "new", "again", "version", "send", "send", "late", "settle", "doubt", "judge", "take back"}).Draw(d.r, "act") {
	case "new":
		d.message(d.outcome(fmt.Sprint(len(d.results)), ""))
	case "again":
		d.n--
		if d.n < 1 {
			d.n = 1
		}
		d.Send(fmt.Sprintf("message %d of %s", d.n, d.Name()))
		d.n++
		d.Judge(d.outcome(fmt.Sprint("r", len(d.results)), ""))
	case "version":
		if len(d.results) > 0 {
			d.message(d.outcome("", d.results[rapid.IntRange(0, len(d.results)-1).Draw(d.r, "of")]))
		}
	case "send":
		for _, c := range d.Deliveries() {
			d.send(c)
		}
	case "late":
		for _, c := range d.claims { // a worker that was stopped meanwhile
			d.send(c)
		}
		d.claims = nil
	case "settle":
		d.settle()
	case "doubt":
		c := Control("Q1", fmt.Sprint("c", len(d.results)), Begin)
		c.QCPassed = rapid.Bool().Draw(d.r, "passed")
		c.Result.Reading.ControlLevel = rapid.SampledFrom([]string{"1", "2"}).Draw(d.r, "level")
		d.message(c)
	case "judge":
		d.judgeItem()
	case "take back":
		if len(d.results) > 0 {
			id := d.results[rapid.IntRange(0, len(d.results)-1).Draw(d.r, "result")]
			tr, err := d.Trace(d.Ctx, id)
			d.ok(err)
			d.refused(d.Withdraw(d.Ctx, poct.Judgement{Result: id, Version: len(tr.Versions), Actor: "r.ito", Reason: "At random."}, nil))
		}
	}
}

// judgeItem judges a result of an open look-back.
func (d *day) judgeItem() {
	lists, err := d.LookBacks(d.Ctx, true, "", 0)
	d.ok(err)
	if len(lists) == 0 {
		return
	}
	b, err := d.LookBack(d.Ctx, lists[0].ID, "", 0)
	d.ok(err)
	i := b.Items[rapid.IntRange(0, len(b.Items)-1).Draw(d.r, "item")]
	j := poct.Judgement{Result: i.Result, Version: i.Version, Actor: "k.osei", Reason: "At random.",
		Judged: rapid.SampledFrom([]poct.Judged{poct.Stands, poct.RepeatAsked, poct.TakenBack}).Draw(d.r, "judged")}
	err = d.JudgeItem(d.Ctx, b.ID, j, nil)
	if i.Judged != "" && !errors.Is(err, poct.ErrOvertaken) {
		d.Fatalf("judged twice: %v", err)
	}
	d.refused(err)
}

// refused lets an act be refused for what became of the result.
func (d *day) refused(err error) {
	if !errors.Is(err, poct.ErrOvertaken) && !errors.Is(err, poct.ErrNotAllowed) {
		d.ok(err)
	}
}

func (d *day) message(o poct.Outcome) {
	for _, id := range d.Take(o) {
		if o.Owner == "" {
			d.results = append(d.results, id)
		}
	}
}

func (d *day) outcome(sequence, owner string) poct.Outcome {
	if owner != "" {
		tr, err := d.Trace(d.Ctx, owner)
		d.ok(err)
		sequence = tr.Versions[0].Result.Reading.Sequence
		if tr.Key == "" { // one that claims no key cannot be released
			return Aside(poct.Duplicate, owner, Released("Q1", sequence, "2.5"))
		}
	}
	value := rapid.SampledFrom([]string{"2.5", "2.6", "6.1"}).Draw(d.r, "value")
	var o poct.Outcome
	switch rapid.SampledFrom([]string{"release", "release", "hold", "file", "duplicate", "ignore", "correct", "withdraw", "refile"}).Draw(d.r, "verdict") {
	case "hold":
		o = Held("Q1", sequence, value)
	case "file":
		o = Control("Q1", sequence, Begin)
	case "duplicate":
		o = Aside(poct.Duplicate, "", Released("Q1", sequence, value))
	case "ignore":
		o = Aside(poct.Ignore, "", Released("Q1", sequence, value))
	case "correct":
		o = As(poct.Correct, Released("Q1", sequence, value))
	case "withdraw":
		o = As(poct.Withdraw, Released("Q1", sequence, value))
	case "refile":
		o = As(poct.Correct, Released("Q1", sequence, value))
		o.Refile = rapid.Bool().Draw(d.r, "said")
		o.Result.Patient.ID = rapid.SampledFrom([]string{"40721", "50111"}).Draw(d.r, "patient")
	default:
		o = Released("Q1", sequence, value)
	}
	o.Critical = value == "6.1"
	o.Owner = owner
	return o
}

func (d *day) send(c poct.Delivery) {
	if rapid.Bool().Draw(d.r, "hold on") {
		d.claims = append(d.claims, c)
		return
	}
	body := c.Body
	if body == nil {
		body = fmt.Appendf(nil, "%s of %s v%d filing %d", c.Action, c.Result.ID, c.Result.Version, c.Result.Filing)
	}
	if err := d.Intent(d.Ctx, c, body, nil); err != nil {
		return // overtaken: nothing leaves
	}
	answer := rapid.SampledFrom([]string{"yes", "yes", "yes", "no answer", "later", "refused", "perhaps"}).Draw(d.r, "answer")
	o := poct.SendOutcome{Receipt: poct.Receipt{Class: answer}}
	switch answer {
	case "yes":
		o.Done = true
	case "no answer":
		o.RetryAt, o.KeepSent = d.Clock.Now().Add(30*time.Second), true
	case "later":
		o.RetryAt = d.Clock.Now().Add(30 * time.Second)
	case "refused", "perhaps":
		o.Hold, o.KeepSent = &poct.Problem{Code: "record-refused"}, answer == "perhaps"
	}
	if err := d.Finish(d.Ctx, c, o); err != nil {
		d.Fatalf("an intent was committed, so the claim holds: %v", err)
	}
	if o.Done {
		d.accepted(c)
	}
}

// accepted keeps book of what stands at the record system.
func (d *day) accepted(c poct.Delivery) {
	filing := fmt.Sprintf("%s/%d", c.Result.ID, c.Result.Filing)
	patient, there := d.alive[filing]
	switch c.Action {
	case poct.Create:
		if there && !c.Unsure { // looked up first, it would have been found
			d.Fatalf("filing %s was created twice", filing)
		}
		d.alive[filing] = c.Result.Patient.ID
	case poct.Correct:
		if !there {
			d.Fatalf("filing %s was corrected and is not there", filing)
		}
		if patient != c.Result.Patient.ID {
			d.Fatalf("filing %s went from patient %s to %s", filing, patient, c.Result.Patient.ID)
		}
	case poct.Withdraw:
		delete(d.alive, filing)
	}
	for other := range d.alive {
		if other[:36] == c.Result.ID && other != filing && d.alive[filing] != "" {
			d.Fatalf("%s and %s stand there at once", other, filing)
		}
	}
}

func (d *day) settle() {
	holds, err := d.Holds(d.Ctx, store.HoldFilter{Open: true})
	d.ok(err)
	if len(holds) == 0 {
		return
	}
	h := holds[rapid.IntRange(0, len(holds)-1).Draw(d.r, "hold")]
	act := rapid.SampledFrom([]poct.Act{poct.ActDiscard, poct.ActCorrect, poct.ActRelease, poct.ActRetry}).Draw(d.r, "settles")
	o := d.outcome("", h.Result)
	_, err = d.Settle(d.Ctx, h.ID, poct.Settlement{Act: act, Version: h.Version, Actor: "r.ito", Reason: "At random."},
		func(poct.Book, poct.HoldRecord, poct.Arrival) (poct.Decision, error) {
			return poct.Decision{Outcomes: []poct.Outcome{o}}, nil
		})
	if !errors.Is(err, poct.ErrNotAllowed) { // a refused withdrawal that a newer version waits for
		d.ok(err)
	}
}

// rest lets everything come to its end.
func (d *day) rest() {
	for range 1000 {
		d.Clock.Move(2 * time.Minute)
		ds := d.Deliveries()
		if len(ds) == 0 {
			break
		}
		for _, c := range ds {
			body := c.Body
			if body == nil {
				body = []byte("last")
			}
			d.ok(d.Intent(d.Ctx, c, body, nil))
			d.Answered(c, nil)
			d.accepted(c)
		}
	}
	holds, err := d.Holds(d.Ctx, store.HoldFilter{Open: true, Limit: -1})
	d.ok(err)
	refused := 0
	for _, h := range holds {
		if h.Delivery != 0 {
			refused++
		}
	}
	a, err := d.Account(d.Ctx)
	d.ok(err)
	if refused == 0 && (a.Waiting != 0 || a.Delivering != 0 || a.Readings.Delivering != 0) || a.Lost != 0 {
		d.Errorf("at rest: %+v", a)
	}
	d.Verifies()
}
