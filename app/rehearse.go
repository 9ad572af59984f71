package app

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"tidegate/config"
	"tidegate/pipeline"
	"tidegate/poct"
	"tidegate/store"
)

// Rehearsal is what another configuration would have made of stored arrivals.
type Rehearsal struct {
	Since    time.Time `json:"since"`
	Arrivals int       `json:"arrivals"`
	Readings int       `json:"readings"`
	// Same readings got the verdict again that they got at first; of these,
	// Marked would carry other flags or notes.
	Same    int `json:"same"`
	Marked  int `json:"marked"`
	Changed int `json:"changed"`
	// LeftOut counts arrivals of inlets that the new configuration lacks.
	LeftOut map[string]int `json:"left_out"`
	Groups  []Rehearsed    `json:"groups"`
}

// Rehearsed is a group of readings that would change for the same reason.
type Rehearsed struct {
	Was     poct.Verdict   `json:"was"`
	Would   poct.Verdict   `json:"would"`
	Now     []string       `json:"now"`       // codes that hold, or rules that end it, only under the new configuration
	NoMore  []string       `json:"no_longer"` // and those only at the time
	Count   int            `json:"count"`
	Sites   map[string]int `json:"sites"`
	Because string         `json:"because"` // the new problem in words, of the first example
	IDs     []string       `json:"ids"`     // results, or arrivals that made none; at most as many as asked for
}

// Rehearse judges the arrivals received since a time again, each with what was
// known when it was first judged, under cfg. It only reads the data folder of
// cfg, also beside its daemon. History is taken as it was: what would
// have followed from a changed verdict is not played on. examples bounds the
// ids listed for each group; progress may be nil.
func Rehearse(ctx context.Context, cfg *config.Config, since time.Time, examples int, progress func(done, of int)) (r Rehearsal, err error) {
	s, err := store.OpenReadOnly(cfg.DataDir, store.Options{})
	if err != nil {
		return r, err
	}
	defer func() { err = errors.Join(err, s.Close()) }()
	now := time.Now()
	again := &rehearsing{judge: newJudge(cfg, func() time.Time { return now }), now: &now, groups: map[string]*Rehearsed{}, examples: examples}
	again.out = Rehearsal{Since: since, LeftOut: map[string]int{}}
	of, err := s.ReceivedSince(ctx, since)
	if err != nil {
		return r, err
	}
	done := 0
	err = s.Rehearse(ctx, since, func(then store.Then) error {
		done++
		if progress != nil {
			progress(done, of)
		}
		return again.arrival(then)
	})
	return again.result(), err
}

type rehearsing struct {
	judge    *pipeline.Judge
	now      *time.Time // what the judge takes for the present
	out      Rehearsal
	groups   map[string]*Rehearsed
	examples int
}

func (x *rehearsing) arrival(then store.Then) error {
	if _, ok := x.judge.Inlets[then.Arrival.Inlet]; !ok {
		x.out.LeftOut[then.Arrival.Inlet]++
		return nil
	}
	*x.now = then.At
	d, err := x.judge.Decide(then.Book, then.Arrival)
	if err != nil {
		return fmt.Errorf("judge arrival %s again: %w", then.Arrival.ID, err)
	}
	x.out.Arrivals++
	was := map[int]store.FirstVerdict{}
	for _, v := range then.Readings {
		was[v.Index] = v
	}
	for _, o := range d.Outcomes {
		index := o.Result.Reading.Index
		x.reading(then, was[index], &o)
		delete(was, index)
	}
	for _, index := range slices.Sorted(maps.Keys(was)) { // not read any more under the new configuration
		x.reading(then, was[index], nil)
	}
	return nil
}

// reading compares what one reading got at first with what it would get. o is
// nil where the new configuration does not find the reading.
func (x *rehearsing) reading(then store.Then, was store.FirstVerdict, o *poct.Outcome) {
	x.out.Readings++
	var would poct.Verdict
	var codes []string
	var site, because string
	if o != nil {
		would, codes, site = o.Verdict, stoppers(o.Verdict, o.Rule, o.Problems), o.Result.Site
		because = words(o.Problems)
	}
	before := stoppers(was.Verdict, was.Rule, was.Problems)
	if was.Verdict == would {
		x.out.Same++
		ends := would == poct.Duplicate || would == poct.Ignore // of these no problems are kept
		if o != nil && !ends && !slices.Equal(allCodes(was.Problems), allCodes(o.Problems)) {
			x.out.Marked++
		}
		return
	}
	x.out.Changed++
	now, noMore := without(codes, before), without(before, codes)
	key := fmt.Sprint(was.Verdict, would, now, noMore)
	g := x.groups[key]
	if g == nil {
		g = &Rehearsed{Was: was.Verdict, Would: would, Now: now, NoMore: noMore, Sites: map[string]int{}, Because: because, IDs: []string{}}
		x.groups[key] = g
	}
	g.Count++
	g.Sites[cmp.Or(site, "no site")]++
	if len(g.IDs) < x.examples {
		g.IDs = append(g.IDs, cmp.Or(was.Result, then.Arrival.ID))
	}
}

// result puts the largest groups first.
func (x *rehearsing) result() Rehearsal {
	x.out.Groups = []Rehearsed{}
	for _, key := range slices.Sorted(maps.Keys(x.groups)) {
		x.out.Groups = append(x.out.Groups, *x.groups[key])
	}
	slices.SortStableFunc(x.out.Groups, func(a, b Rehearsed) int { return b.Count - a.Count })
	return x.out
}

// stoppers are the codes for which a verdict is not a release: the problems
// that hold it by themselves, or the rule that ends it.
func stoppers(v poct.Verdict, rule string, problems []poct.Problem) []string {
	out := []string{}
	if rule != "" {
		out = append(out, rule)
	}
	if v == poct.HoldIt {
		for _, p := range problems {
			if p.Severity == poct.Hold && p.Because == "" && !slices.Contains(out, p.Code) {
				out = append(out, p.Code)
			}
		}
	}
	slices.Sort(out)
	return out
}

func allCodes(problems []poct.Problem) []string {
	var out []string
	for _, p := range problems {
		out = append(out, p.Code+" "+string(p.Severity))
	}
	slices.Sort(out)
	return slices.Compact(out)
}

// words is the first holding problem as a person reads it; it names no patient.
func words(problems []poct.Problem) string {
	for _, p := range problems {
		if p.Severity == poct.Hold && p.Because == "" {
			return strings.TrimSpace(p.Text + " " + p.Limit)
		}
	}
	return ""
}

func without(a, b []string) []string {
	return slices.DeleteFunc(slices.Clone(a), func(s string) bool { return slices.Contains(b, s) })
}
