package standin

import (
	"bytes"
	"fmt"
	"math/rand/v2"
	"time"
)

// Way is how a meter reaches an inlet.
type Way string

// Ways, one for each kind of inlet.
const (
	MLLP   Way = "mllp"
	HTTP   Way = "http"
	Queue  Way = "jetstream"
	Folder Way = "folder"
	LIS    Way = "lis" // LIS02 records over the LIS01 link
	POCT1A Way = "poct1a"
)

// Ends of an arrival or a reading.
const (
	delivered = "delivered"
	filed     = "filed"
	held      = "held"
	duplicate = "duplicate"
	ignored   = "ignored"
	discarded = "discarded"
)

// Want is what must become of an item.
type Want struct {
	End      string         // of the arrival, before anybody acts
	Settled  string         // of the arrival, after a person did; "" if nobody does
	Readings map[string]int // end -> readings; nil for one with End
	Codes    []string       // problems that must be among those found
	Critical bool           // a person must be told
	LookBack bool           // results that went out must be looked back at
	// Observations that the record system holds because of it.
	Observations int
	Answer       string // what the meter must be told: AA, CA, AR, 202, stored
}

// Item is one message of the day.
type Item struct {
	Phase int    // items of a phase go before those of the next
	Meter string // who sends; the items of one meter go one after another
	Test  string // meter:number of the test, "" if it is none or several
	Way   Way
	Name  string // of the file, for Folder
	Bytes []byte // {sent}, {local} and {zoned} stand for the time of sending, see stamped
	Clock time.Duration
	Times int // how often these bytes are sent
	// Messages is how many arrivals it makes: more than one for a batch.
	Messages int
	Want     Want
	Story    string // what it shows, "" for an ordinary test
}

// Day is the invented day of the clinic group: a script that a seed and a
// start time fix in every byte but the times of sending. Device times lie
// before Start.
type Day struct {
	Start time.Time
	Items []Item
	Acts  []Act // what people do between the phases
	// Outage is the phase in which the record system is away.
	Outage int

	rnd        *rand.Rand
	local      *time.Location
	people     []person
	twice      person // also an identifier of another authority
	notThere   person // unknown to the record system
	otherBirth person
	merged     person
	onHeparin  person
	anaemic    person
	corrected  test
	withdrawn  test
	compared   []test // tests whose patients the laboratory measures too
	free       int    // next patient without a result
	seq        map[string]int
	at         map[string]time.Time // newest device time by meter
	files      int
}

// NewDay writes the script of a day that ends at start.
func NewDay(seed uint64, start time.Time) (*Day, error) {
	local, err := time.LoadLocation(zone)
	if err != nil {
		return nil, fmt.Errorf("standin: time zone %s: %w", zone, err)
	}
	d := &Day{
		Start: start.In(local).Truncate(time.Second), Outage: 2, local: local,
		rnd: rand.New(rand.NewPCG(seed, 1)), seq: map[string]int{}, at: map[string]time.Time{},
	}
	d.people = people(d.rnd, 520)
	d.twice, d.notThere, d.otherBirth, d.merged = d.next(), d.next(), d.next(), d.next()
	d.onHeparin, d.anaemic = d.next(), d.next()
	d.morning()
	d.outage()
	d.afternoon()
	d.evening()
	return d, nil
}

// next is a patient without a result so far.
func (d *Day) next() person {
	d.free++
	return d.people[d.free-1]
}

// Device times. A local time of a Reed 2 in an hour that occurs twice would be
// held; so on the one night a year in which the clocks go back, the day moves
// out of its way.
func (d *Day) ago(hours float64) time.Time {
	t := d.Start.Add(-time.Duration(hours * float64(time.Hour)))
	_, then := d.Start.Add(-14 * time.Hour).Zone()
	if _, now := d.Start.Zone(); now != then {
		t = t.Add(-16 * time.Hour)
	}
	return t
}

// test prepares the next test of a meter, some minutes after its last one.
func (d *Day) test(meter string, inr string) test {
	d.seq[meter]++
	d.at[meter] = d.at[meter].Add(time.Duration(100+d.rnd.IntN(100)) * time.Second)
	p := d.next()
	return test{meter: meter, seq: 1000 + d.seq[meter], at: d.at[meter], who: &p, inr: inr}
}

// add puts a test into the script.
func (d *Day) add(phase int, story string, t test, w Want) *Item {
	it := d.put(phase, story, t.meter, t.by(), t.say(), w)
	it.Test = t.id()
	return it
}

func (d *Day) put(phase int, story, meter string, way Way, b []byte, w Want) *Item {
	it := Item{Phase: phase, Meter: meter, Way: way, Bytes: b, Times: 1, Messages: 1, Want: w, Story: story}
	for _, dev := range devices {
		if dev.serial == meter {
			it.Clock = dev.clock
		}
	}
	if way == Folder {
		d.files++
		it.Name = fmt.Sprintf("%s-%04d.%s", meter, d.files, ending(b))
	}
	if it.Want.Answer == "" {
		it.Want.Answer = answerOf(way, b)
	}
	d.Items = append(d.Items, it)
	return &d.Items[len(d.Items)-1]
}

// ending is that of a file with these bytes.
func ending(b []byte) string {
	switch {
	case bytes.HasPrefix(b, []byte("{")):
		return "json"
	case bytes.HasPrefix(b, []byte("<")):
		return "xml"
	case bytes.HasPrefix(b, []byte("H|")):
		return "lis"
	}
	return "csv"
}

// answerOf is the good answer: enhanced mode asks for CA, original for AA.
func answerOf(way Way, b []byte) string {
	switch way {
	case MLLP:
		for i := 0; i+6 < len(b) && b[i] != '\r'; i++ {
			if string(b[i:i+6]) == "|AL|NE" {
				return "CA"
			}
		}
		return "AA"
	case HTTP:
		return "202"
	case LIS:
		return "ACK"
	case POCT1A:
		return "AA"
	}
	return "stored"
}

// observations is how many a delivered test makes.
func observations(t test) int {
	if _, pt := t.value(deviceOf(t.meter)); pt == "" || deviceOf(t.meter).model == reed || deviceOf(t.meter).model == tern {
		return 1
	}
	return 2
}

// ordinary is a test that passes.
func (d *Day) ordinary(phase int, meter string) test {
	t := d.test(meter, fmt.Sprintf("%.1f", 1.8+float64(d.rnd.IntN(20))/10))
	return d.passing(phase, "", t)
}

func (d *Day) passing(phase int, story string, t test) test {
	if d.at[t.meter].After(d.Start) {
		panic("standin: " + t.meter + " runs ahead of the day")
	}
	d.add(phase, story, t, Want{End: delivered, Observations: observations(t)})
	return t
}

// control prepares one level of a meter's control.
func (d *Day) control(meter, level, inr string) test {
	t := d.test(meter, inr)
	d.free-- // takes no patient
	t.who, t.level = nil, level
	return t
}

// controls runs both levels, with another strip lot than the meter's if one is named.
func (d *Day) controls(phase int, meter, lot, low, high string) {
	for i, inr := range []string{low, high} {
		t := d.control(meter, fmt.Sprint(i+1), inr)
		t.lot = lot
		d.add(phase, "control", t, Want{End: filed})
	}
}

// passes are values inside the ranges of a model's controls.
func passes(model string) (low, high string) {
	switch model {
	case reed:
		return "1.2", "3.6"
	case sedge:
		return "1.0", "2.8"
	}
	return "1.1", "3.1" // also inside what is drawn on a chart
}

func (d *Day) goodControls(phase int, meter string) {
	low, high := passes(deviceOf(meter).model)
	d.controls(phase, meter, "", low, high)
}
