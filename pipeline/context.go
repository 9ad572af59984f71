package pipeline

import (
	"tidegate/poct"
)

// ruleNotUsed ends a message about patients that says nothing used here.
const ruleNotUsed = "context-not-used"

// tell adds to the outcome of a message about patients, visits and orders what
// it changes in the registry. A message that is refused changes nothing of it.
func (j *Judge) tell(book poct.Book, c *poct.Context, o *poct.Outcome) error {
	if c == nil || o.Verdict != poct.File || j.Context == nil {
		return nil
	}
	if c.Empty() {
		o.Verdict, o.Rule = poct.Ignore, ruleNotUsed
		return nil
	}
	changes, err := j.Context(book, *c)
	if err != nil {
		return err
	}
	for _, p := range changes.Problems {
		hold(o, p)
	}
	o.Registry, o.Touched = changes.Rows, changes.Touched
	return nil
}
