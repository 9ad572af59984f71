package config

import (
	"cmp"
	"fmt"
	"maps"
	"reflect"
	"slices"
	"strings"
	"time"
)

// Calls says when an unacknowledged critical result is told of again.
type Calls struct {
	CallTimes `yaml:",inline"`
	Sites     map[string]CallTimes `yaml:"sites,omitempty"` // where they differ
}

// CallTimes are counted from the moment the result was found critical.
type CallTimes struct {
	RemindAfter   time.Duration `yaml:"remind_after,omitempty"`   // 10m if left out
	Every         time.Duration `yaml:"every,omitempty"`          // each further reminder, and escalation; 10m
	EscalateAfter time.Duration `yaml:"escalate_after,omitempty"` // whom else to tell; 30m
}

// At gives the times of a site.
func (c Calls) At(site string) CallTimes {
	if t, ok := c.Sites[site]; ok {
		return t
	}
	return c.CallTimes
}

// Ageing says how long a hold may wait for a person before others are told;
// and once more each time that it has waited as long again.
type Ageing struct {
	After time.Duration            `yaml:"after,omitempty"` // 4h if left out
	Sites map[string]time.Duration `yaml:"sites,omitempty"` // where it differs
}

// At gives the time of a site.
func (a Ageing) At(site string) time.Duration {
	return cmp.Or(a.Sites[site], a.After)
}

// Least is the shortest time of any site.
func (a Ageing) Least() time.Duration {
	least := a.After
	for site := range a.Sites {
		least = min(least, a.At(site))
	}
	return least
}

// Watch says after what time without a message an inlet is silent. Only open
// hours count where there are some.
type Watch struct {
	Usual time.Duration `yaml:"usual,omitempty"` // not watched if left out
	Hours string        `yaml:"hours,omitempty"` // 07:00-19:00
	Days  []string      `yaml:"days,omitempty"`  // mon tue wed thu fri sat sun; every day if left out
	Zone  string        `yaml:"zone,omitempty"`  // IANA name, needed with hours or days

	open *opening // nil: at all hours
}

// Silent tells whether an inlet that was last heard at one time is silent at
// another.
func (w Watch) Silent(heard, now time.Time) bool {
	switch {
	case w.Usual == 0:
		return false
	case w.open == nil:
		return now.Sub(heard) > w.Usual
	}
	return w.open.longer(heard, now, w.Usual)
}

// opening is when messages are expected.
type opening struct {
	from, to int // minutes since midnight; to is of the next day if it is not later
	days     [7]bool
	zone     *time.Location
}

// longer tells whether more than so much open time lies between two moments.
func (o *opening) longer(from, to time.Time, than time.Duration) bool {
	year, month, day := from.In(o.zone).Date()
	end := o.to
	if end <= o.from {
		end += 24 * 60
	}
	var sum time.Duration
	for day--; ; day++ { // from the day before: its hours may reach past midnight
		opens := time.Date(year, month, day, 0, o.from, 0, 0, o.zone)
		if opens.After(to) {
			return false
		}
		closes := time.Date(year, month, day, 0, end, 0, 0, o.zone)
		if o.days[time.Date(year, month, day, 12, 0, 0, 0, time.UTC).Weekday()] {
			sum += max(earlier(closes, to).Sub(later(opens, from)), 0)
		}
		if sum > than {
			return true
		}
	}
}

func earlier(a, b time.Time) time.Time {
	if a.Before(b) {
		return a
	}
	return b
}

func later(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}

var weekdays = []string{"sun", "mon", "tue", "wed", "thu", "fri", "sat"} // as time.Weekday counts

// watchDefaults fills in what may be left out of the times to watch by.
func (c *Config) watchDefaults() {
	for _, d := range []struct {
		v *time.Duration
		d time.Duration
	}{
		{&c.Calls.RemindAfter, 10 * time.Minute},
		{&c.Calls.Every, 10 * time.Minute},
		{&c.Calls.EscalateAfter, 30 * time.Minute},
		{&c.Ageing.After, 4 * time.Hour},
		{&c.OutletDownAfter, 5 * time.Minute},
	} {
		if *d.v == 0 {
			*d.v = d.d
		}
	}
}

// watch checks the times to watch by; a site's are completed by the general ones.
func (l *loader) watch() {
	c := l.cfg
	l.calls("calls", c.Calls.CallTimes)
	for _, site := range slices.Sorted(maps.Keys(c.Calls.Sites)) {
		key, t := "calls.sites."+site, c.Calls.Sites[site]
		l.knownSite(key, site)
		l.calls(key, t)
		c.Calls.Sites[site] = CallTimes{
			RemindAfter:   cmp.Or(t.RemindAfter, c.Calls.RemindAfter),
			Every:         cmp.Or(t.Every, c.Calls.Every),
			EscalateAfter: cmp.Or(t.EscalateAfter, c.Calls.EscalateAfter),
		}
	}
	l.span("ageing.after", c.Ageing.After, 10*time.Minute, month)
	for _, site := range slices.Sorted(maps.Keys(c.Ageing.Sites)) {
		l.knownSite("ageing.sites."+site, site)
		l.span("ageing.sites."+site, c.Ageing.Sites[site], 10*time.Minute, month)
	}
	l.span("outlet_down_after", c.OutletDownAfter, time.Minute, 24*time.Hour)
	l.span("meters_usual", c.MetersUsual, time.Hour, month)
	l.notices()
}

const month = 31 * 24 * time.Hour

func (l *loader) calls(key string, t CallTimes) {
	l.span(key+".remind_after", t.RemindAfter, time.Minute, 24*time.Hour)
	l.span(key+".every", t.Every, time.Minute, 24*time.Hour)
	l.span(key+".escalate_after", t.EscalateAfter, time.Minute, 24*time.Hour)
}

// span checks a duration; 0 was left out.
func (l *loader) span(key string, d, low, top time.Duration) {
	if d != 0 && (d < low || d > top) {
		l.fault(key, fmt.Sprintf("%s is outside %s to %s", short(d), short(low), short(top)), "write a duration between the two")
	}
}

// short writes whole hours and minutes as a person would.
func short(d time.Duration) string {
	text := d.String()
	for _, unit := range []string{"m0s", "h0m"} {
		if strings.HasSuffix(text, unit) {
			text = text[:len(text)-2]
		}
	}
	return text
}

// watched checks and reads the open hours of an inlet.
func (l *loader) watched(key string, w *Watch) {
	if w.Usual == 0 {
		if w.Hours+w.Zone != "" || len(w.Days) > 0 {
			l.fault(key+".usual", "is missing, and hours, days and zone say nothing without it", "write after what time without a message the inlet is silent, such as 2h")
		}
		return
	}
	l.span(key+".usual", w.Usual, time.Minute, month)
	if w.Hours == "" && len(w.Days) == 0 {
		return
	}
	o := &opening{to: 24 * 60}
	if w.Hours != "" {
		from, to, _ := strings.Cut(w.Hours, "-")
		var good, wellEnded bool
		o.from, good = minutes(from)
		o.to, wellEnded = minutes(to)
		if !good || !wellEnded || o.from == 24*60 || o.from == o.to {
			l.fault(key+".hours", "are not hours", `write them as "07:00-19:00"`)
		}
	}
	for i, day := range w.Days {
		n := slices.Index(weekdays, day)
		if n < 0 {
			l.fault(fmt.Sprintf("%s.days[%d]", key, i), "is no day", "write mon, tue, wed, thu, fri, sat or sun")
			continue
		}
		o.days[n] = true
	}
	if len(w.Days) == 0 {
		o.days = [7]bool{true, true, true, true, true, true, true}
	}
	zone, err := time.LoadLocation(w.Zone)
	if err != nil || w.Zone == "" || w.Zone == "Local" {
		l.fault(key+".zone", "is no time zone, and open hours need one", "write an IANA name such as Europe/London")
		return
	}
	o.zone, w.open = zone, o
}

// minutes reads hh:mm, up to 24:00.
func minutes(text string) (int, bool) {
	text = strings.TrimSpace(text)
	if text == "24:00" {
		return 24 * 60, true
	}
	t, err := time.Parse("15:04", text)
	return t.Hour()*60 + t.Minute(), err == nil && len(text) == len("15:04")
}

// notices checks the channels that other systems are told through.
func (l *loader) notices() {
	ids := l.unique("channel")
	for i := range l.cfg.Notify {
		n := &l.cfg.Notify[i]
		key := fmt.Sprintf("notify[%d]", i)
		for _, k := range n.Validate() {
			l.at(l.doc, key, k)
		}
		*n = n.WithDefaults()
		ids(key+".id", n.ID)
		for j, site := range n.Sites {
			l.knownSite(fmt.Sprintf("%s.sites[%d]", key, j), site)
		}
		l.files(key, reflect.ValueOf(n).Elem())
	}
}
