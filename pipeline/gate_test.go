package pipeline_test

import (
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"tidegate/poct"
	"tidegate/store"
)

// mayRelease is who may answer for a holding problem, written down apart from
// the table of checks: controls and lots are a coordinator's, values and history
// a clinician's. What is not named here is released by nobody.
var mayRelease = map[string]string{
	"lot-unknown": "coordinator", "lot-not-accepted": "coordinator", "qc-overdue": "coordinator", "qc-failed": "coordinator",
	"qc-multirule": "coordinator", "operator-unknown": "coordinator", "outside-measuring-range": "clinician", "delta-large": "clinician",
	"repeat-test": "clinician", "critical": "clinician",
}

// Whatever comes in, in whatever order, and whoever does what at the desk: no
// control result becomes a delivery, and no result with a holding problem does
// unless a person released it who may answer for each of these problems and did
// not run the test. What a look-back withdraws or marks is such a result still.
func TestNoControlAndNothingUnreleasedBecomesADelivery(t *testing.T) {
	fewer(t, "15")
	rapid.Check(t, func(r *rapid.T) {
		dir, err := os.MkdirTemp("", "ward-")
		require.NoError(r, err)
		defer os.RemoveAll(dir)
		g := &gate{ward: newWard(r, dir), r: r}
		defer g.store.Close()
		for _, meter := range []string{"M-2041", "M-2052"} {
			for _, c := range []reading{g.control("08:00", "1", "1.1"), g.control("08:00", "2", "3.0")} {
				c.meter = meter
				g.take(c)
			}
		}
		for range rapid.IntRange(20, 50).Draw(r, "steps") {
			g.act()
			g.check()
		}
		g.step()
		g.check()
		g.verifies()
	})
}

type gate struct {
	*ward
	r    *rapid.T
	came []reading
	ids  []string
}

func draw[T any](g *gate, name string, of ...T) T { return rapid.SampledFrom(of).Draw(g.r, name) }

func (g *gate) act() {
	g.now = g.now.Add(time.Duration(rapid.IntRange(1, 25).Draw(g.r, "minutes")) * time.Minute)
	switch draw(g, "act", "test", "test", "test", "test", "test", "control", "control", "control", "again", "settle", "settle", "settle", "judge", "judge", "withdraw", "recall") {
	case "test":
		g.come(g.some("", draw(g, "inr", "2.4", "2.4", "2.4", "2.6", "6.1", "9.9", ">8.0", "ERR")))
	case "control":
		level := draw(g, "level", "1", "2")
		good := map[string]string{"1": "1.1", "2": "3.0"}[level]
		g.come(g.some(level, draw(g, "value", good, good, good, good, good, "2.2", ">8.0")))
	case "again":
		if len(g.came) > 0 {
			r := draw(g, "which", g.came...)
			r.status = draw(g, "status", "C", "W", "F", "P")
			r.inr = draw(g, "now", r.inr, "2.8")
			g.come(r)
		}
	case "settle":
		g.settle()
	case "judge":
		g.judge()
	case "withdraw":
		if len(g.ids) > 0 {
			id := draw(g, "result", g.ids...)
			_ = g.desk.Withdraw(ctx, g.somebody(), id, len(g.trace(id).Versions), "Taken back at random.") // refused or not
		}
	case "recall":
		g.lot("7K40231", draw(g, "recalled", false, false, false, true))
	}
}

func (g *gate) come(r reading) {
	g.came = append(g.came, r)
	id := g.take(r)
	if !slices.Contains(g.ids, id) {
		g.ids = append(g.ids, id)
	}
}

// some is a reading, of now or of hours ago, with something amiss now and then.
func (g *gate) some(level, inr string) reading {
	r := g.on("08:00", inr)
	r.at = g.now.Add(-time.Duration(draw(g, "late", 0, 0, 0, 2, 10, 60, 300)) * time.Minute).Truncate(time.Minute)
	r.meter = draw(g, "meter", "M-2041", "M-2041", "M-2041", "M-2052")
	r.lot = draw(g, "lot", "7K40231", "7K40231", "7K40231", "7K40231", "7K40231", "7K40231", "7K4O231")
	r.operator = draw(g, "operator", "118", "118", "118", "118", "118", "999")
	if r.level = level; level == "" {
		r.patient = draw(g, "patient", "4711", "4712", "4713", "4714", "4715", "4716", "0000", "C-404")
	}
	return r
}

func (g *gate) somebody() poct.Actor {
	return people[draw(g, "who", "k.osei", "d.varga", "r.ito", "n.holt")]
}

func (g *gate) settle() {
	holds, err := g.store.Holds(ctx, store.HoldFilter{Open: true, Limit: -1})
	require.NoError(g, err)
	if len(holds) == 0 {
		return
	}
	h := draw(g, "hold", holds...)
	st := poct.Settlement{Act: draw(g, "how", poct.ActRelease, poct.ActRelease, poct.ActCorrect, poct.ActDiscard, poct.ActRetry),
		Version: h.Version, Reason: "Settled at random."}
	if st.Act == poct.ActCorrect {
		st.Changes = draw(g, "change", map[string]string{poct.FieldStripLot: "7K40231"}, map[string]string{poct.FieldPatient: "4715"},
			map[string]string{poct.FieldOperator: "118"}, nil)
	}
	_, _ = g.desk.Settle(ctx, g.somebody(), h.ID, st) // refused or not
}

func (g *gate) judge() {
	lists, err := g.store.LookBacks(ctx, true, "", 0)
	require.NoError(g, err)
	if len(lists) == 0 {
		return
	}
	b, err := g.store.LookBack(ctx, draw(g, "list", lists...).ID, "", 1000)
	require.NoError(g, err)
	i := draw(g, "item", b.Items...)
	_ = g.desk.JudgeItem(ctx, g.somebody(), b.ID, poct.Judgement{Result: i.Result, Version: i.Version,
		Judged: draw(g, "judged", poct.Stands, poct.RepeatAsked, poct.TakenBack), Reason: "Judged at random."}, false) // refused or not
}

// check delivers what is due and looks at each delivery.
func (g *gate) check() {
	before := len(g.sent)
	g.deliver()
	for _, d := range g.sent[before:] {
		if r := d.Result.Reading; r.Kind != poct.KindPatient || r.ControlLevel != "" || r.ControlLot != "" {
			g.r.Fatalf("a control was sent: %+v", r)
		}
		if d.Action == poct.Withdraw {
			continue
		}
		t := g.trace(d.Result.ID)
		if why := unreleased(t, d.Result.Version); why != "" {
			g.r.Fatalf("%s of version %d was sent: %s; %s", d.Action, d.Result.Version, why, g.kinds(t.ID))
		}
	}
}

// unreleased says what nobody released of what a version is held for, "" if it
// is held for nothing or somebody did who may.
func unreleased(t poct.Trace, version int) string {
	v := t.Versions[version-1]
	var codes []string
	for _, p := range v.Problems {
		if p.Severity == poct.Hold && p.Because == "" {
			codes = append(codes, p.Code)
		}
	}
	if len(codes) == 0 {
		return ""
	}
	why := "nobody released it"
	for _, e := range t.Events {
		if e.Kind != poct.EventOverridden {
			continue
		}
		// The released version is the one after the one that the person saw.
		of := slices.IndexFunc(t.Versions, func(x poct.VersionRecord) bool { return x.Version == e.Version+1 })
		if of < 0 || t.Versions[of].Version > version || fmt.Sprint(t.Versions[of].Problems) != fmt.Sprint(v.Problems) {
			continue
		}
		if why = wrongHand(people[e.Actor], codes, t); why == "" {
			return ""
		}
	}
	return why + " (" + strings.Join(codes, ", ") + ")"
}

func wrongHand(p poct.Actor, codes []string, t poct.Trace) string {
	for _, code := range codes {
		if mayRelease[code] != p.Role {
			return p.Name + " may not release " + code
		}
	}
	for _, v := range t.Versions {
		if p.Operator != "" && v.Result.Reading.Operator == p.Operator {
			return p.Name + " ran it"
		}
	}
	return ""
}
