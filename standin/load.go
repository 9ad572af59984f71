package standin

import (
	"bytes"
	"fmt"
	"time"
)

// Load is what one Quill 3 of the day sends under load: first its two controls
// of the day, then any number of ordinary patients' results, each under a
// sequence number and control id of its own.
type Load struct {
	Controls [][]byte
	meter    string
	day      *Day
	people   []person
}

// Load prepares the load of a meter that speaks MLLP.
func (d *Day) Load(meter string) *Load {
	l := &Load{meter: meter, day: d, people: d.people[20:220]} // neither the training patient nor the odd ones
	for _, it := range d.Items {
		if it.Meter == meter && it.Way == MLLP && it.Want.End == filed && bytes.Contains(it.Bytes, []byte("\rSPM|")) {
			l.Controls = append(l.Controls, sentNow(it.Bytes))
		}
	}
	return l
}

// Result is the nth result. All say the same INR, so that no jump stops one.
func (l *Load) Result(n int) []byte {
	t := test{
		meter: l.meter, seq: 1_000_000 + n, at: time.Now().Add(-3 * time.Minute), who: &l.people[n%len(l.people)], inr: "2.4",
		control: fmt.Sprintf("load-%d", n),
	}
	return sentNow(t.say())
}

func sentNow(b []byte) []byte { return stamped(b, time.Now()) }
