package pipeline

import (
	"fmt"
	"strings"

	"tidegate/poct"
	"tidegate/validate"
)

// Again judges a held record after a reviewer's act. The arrival stays as it
// came; what comes back are new versions.
//
//	correct   the changed reading runs through every check again
//	          (without changes: the arrival is read again, with the profile
//	          and registry of now)
//	release   checked again, then released in spite of the problems that this
//	          person may answer for; what no one may release stays held
//	retry     the arrival is read again
//	rejudged  nobody's act: a control came late. The reading is checked again
//	          as it stands, with what a person has corrected in it
//
// Discarding needs no judgement; the store does it.
func (j *Judge) Again(book poct.Book, h poct.HoldRecord, a poct.Arrival, st poct.Settlement) (poct.Decision, error) {
	rereads := st.Act == poct.ActRetry || (st.Act == poct.ActCorrect && len(st.Changes) == 0)
	if rereads || h.Reading.Kind == poct.KindUnread || h.Reading.Kind == poct.KindContext {
		return j.reread(book, h, a)
	}
	reading := h.Reading
	if st.Act == poct.ActCorrect {
		changed, err := validate.CorrectReading(reading, st.Changes)
		if err != nil {
			return poct.Decision{}, err
		}
		changed.AsSent = poct.Content(reading)
		reading = changed
	}
	facts, err := j.Facts(book, reading, a.Received, j.Now())
	if err != nil {
		return poct.Decision{}, fmt.Errorf("look up facts of hold %s: %w", h.ID, err)
	}
	facts.Owner = j.ownerOf(facts.Owner, h)
	o, found := j.outcome(a.Inlet, reading, facts, j.decodeProblems(book, a, reading.Index))
	if st.Act == poct.ActRelease {
		j.override(&o, found, h, facts.Owner)
	}
	j.version(&o, h)
	return poct.Decision{Arrival: a.ID, Outcomes: []poct.Outcome{o}}, nil
}

// decodeProblems are those that only the bytes can tell. They are found again,
// since a correction of one field must not make another one's doubt vanish.
func (j *Judge) decodeProblems(book poct.Book, a poct.Arrival, index int) []poct.Problem {
	for _, dec := range j.decode(book, a) {
		if dec.Reading.Index == index {
			return dec.Problems
		}
	}
	return nil
}

// reread decodes the bytes once more. The reading that this hold stands for
// becomes its result's next version; readings that came to light only now are
// judged as new ones.
func (j *Judge) reread(book poct.Book, h poct.HoldRecord, a poct.Arrival) (poct.Decision, error) {
	d := poct.Decision{Arrival: a.ID}
	for _, dec := range j.decode(book, a) {
		mine := dec.Reading.Index == h.Reading.Index
		if !mine && h.Reading.Kind != poct.KindUnread {
			continue // another reading of this arrival has its own life
		}
		facts, err := j.Facts(book, dec.Reading, a.Received, j.Now())
		if err != nil {
			return poct.Decision{}, fmt.Errorf("look up facts of hold %s: %w", h.ID, err)
		}
		if mine {
			facts.Owner = j.ownerOf(facts.Owner, h)
		}
		o, _ := j.outcome(a.Inlet, dec.Reading, facts, dec.Problems)
		if err := j.tell(book, dec.Context, &o); err != nil {
			return poct.Decision{}, err
		}
		if mine {
			j.version(&o, h)
		}
		d.Outcomes = append(d.Outcomes, o)
	}
	return d, nil
}

// ownerOf leaves out the held result itself: it is not a resend of itself.
func (j *Judge) ownerOf(owner *poct.Past, h poct.HoldRecord) *poct.Past {
	if owner != nil && owner.Result == h.Result {
		return nil
	}
	return owner
}

// version makes an outcome the next version of the held result, unless it
// turned out to repeat or continue another one.
func (j *Judge) version(o *poct.Outcome, h poct.HoldRecord) {
	if o.Owner == "" {
		o.Owner = h.Result
	}
}

// override lets a held record go when each problem that holds it was shown to
// the person; whether they may was asked before. What never leaves (a control)
// is filed instead of released. A mark travels with a released result.
func (j *Judge) override(o *poct.Outcome, found validate.Findings, h poct.HoldRecord, owner *poct.Past) {
	if o.Verdict != poct.HoldIt {
		return // passes by now without anyone's word
	}
	shown := map[string]bool{}
	for _, p := range h.Problems {
		shown[p.Code] = true
	}
	var codes []string
	for _, p := range o.Problems {
		if p.Severity != poct.Hold {
			continue
		}
		if !shown[p.Code] {
			return // found only now: nobody has judged it yet
		}
		if p.Because == "" {
			codes = append(codes, p.Code)
		}
	}
	o.Verdict, o.Cause, o.QCPassed = found.Else, "", found.ElsePassed
	if found.Else == poct.Release {
		o.Result.Marks = append(o.Result.Marks, "Released by a person in spite of: "+strings.Join(codes, ", ")+".")
		j.bind(o, owner)
	}
}
