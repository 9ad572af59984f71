package config

import (
	"testing"
	"time"

	"pgregory.net/rapid"
)

// Open time is what one gets by looking at a clock on the wall every minute,
// over nights, closed days and changes of the clocks alike. Hours that begin
// or end while clocks change (01:00 to 02:00 in London) are left out: the wall
// shows some of them twice.
func TestOpenTimeIsWhatTheWallShows(t *testing.T) {
	london, err := time.LoadLocation("Europe/London")
	if err != nil {
		t.Fatal(err)
	}
	changes := []time.Time{time.Date(2026, 3, 29, 1, 0, 0, 0, time.UTC), time.Date(2026, 10, 25, 1, 0, 0, 0, time.UTC)}
	rapid.Check(t, func(t *rapid.T) {
		o := &opening{zone: london, from: rapid.IntRange(180, 1439).Draw(t, "from"), to: rapid.IntRange(180, 1440).Draw(t, "to")}
		for i := range o.days {
			o.days[i] = rapid.Bool().Draw(t, "day")
		}
		from := rapid.SampledFrom(changes).Draw(t, "change").Add(time.Duration(rapid.IntRange(-5000, 2000).Draw(t, "start")) * time.Minute)
		minutes := rapid.IntRange(0, 8000).Draw(t, "minutes")
		var open time.Duration
		for m := range minutes {
			if o.wall(from.Add(time.Duration(m) * time.Minute).In(london)) {
				open += time.Minute
			}
		}
		to := from.Add(time.Duration(minutes) * time.Minute)
		if o.longer(from, to, open) || open > 0 && !o.longer(from, to, open-1) {
			t.Fatalf("%v to %v, open %d to %d on %v: want %v", from, to, o.from, o.to, o.days, open)
		}
	})
}

// wall tells whether a clock on the wall shows an open minute.
func (o *opening) wall(at time.Time) bool {
	minute, today := at.Hour()*60+at.Minute(), int(at.Weekday())
	yesterday := (today + 6) % 7
	if o.to > o.from {
		return o.days[today] && minute >= o.from && minute < o.to
	}
	return o.days[today] && minute >= o.from || o.days[yesterday] && minute < o.to
}
