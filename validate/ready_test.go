package validate_test

import (
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"tidegate/poct"
	"tidegate/validate"
)

// gate is the checks that a meter's readiness goes by.
var gate = []string{
	"clock-offset", "dst-hour", "meter-unknown", "meter-withdrawn", "lot-unknown", "lot-expired", "lot-not-accepted",
	"lot-recalled", "old-lot-in-use", "qc-overdue", "qc-failed", "qc-multirule",
}

// used is what is known of a meter that ran both controls at eight and a test
// of a patient at nine.
func used() (*situation, string) {
	s := good()
	s.f.Now, s.f.Received = tested, time.Time{}
	last := inrOf(poct.KindPatient, "2.4", tested.Add(-12*time.Minute))
	last.Reading.StripLot, last.Reading.Meter = "7K40231", "Q3-1007"
	s.f.MeterHistory = []poct.Past{last}
	return s, "7K40231"
}

func TestReady(t *testing.T) {
	eight := time.Date(2024, 3, 5, 8, 0, 0, 0, cet)
	for _, tt := range []struct {
		name   string
		change func(*situation)
		lot    string // another than the one used
		silent time.Duration
		cfg    validate.Config
		ready  bool
		code   string // of the first thing that stands against it or beside it
		text   string
		remedy string
		until  time.Time
	}{
		{name: "both controls passed at eight", ready: true, until: eight.Add(8 * time.Hour)},
		{name: "controls every day", change: func(s *situation) { s.f.Site.QCInterval = day }, ready: true, until: eight.Add(day)},
		{name: "last day of the strips", change: func(s *situation) {
			s.f.Site.QCInterval, s.f.StripLot.Expires = day, "2024-03-05"
		}, ready: true, until: time.Date(2024, 3, 6, 0, 0, 0, 0, cet)},
		{name: "opened strips", change: func(s *situation) { s.f.Site.QCInterval = day; came("2024-03-01", "2024-03-05")(s) }, ready: true, until: time.Date(2024, 3, 6, 0, 0, 0, 0, cet)},
		{name: "silence ends it first", silent: 2 * time.Hour, ready: true, until: tested.Add(-12 * time.Minute).Add(2 * time.Hour)},
		{name: "a contact counts as a sign", change: func(s *situation) { s.f.Contact = &poct.Contact{At: tested, Device: tested} }, silent: 2 * time.Hour, ready: true, until: tested.Add(2 * time.Hour)},
		{name: "so does one that told no time", change: func(s *situation) { s.f.Contact = &poct.Contact{At: tested} }, silent: 2 * time.Hour, ready: true, until: tested.Add(2 * time.Hour)},
		{name: "so does an old test that came just now", change: func(s *situation) { s.f.Heard = tested.Add(-time.Minute) }, silent: time.Hour, ready: true, until: tested.Add(59 * time.Minute)},
		{name: "controls never overdue", cfg: validate.Config{"qc-overdue": set{"off": true}}, ready: true, until: time.Date(2025, 4, 1, 0, 0, 0, 0, cet)},
		{name: "an older lot", change: func(s *situation) { s.f.NewerLot = &poct.Shipment{StripLot: "7K40299", Arrived: "2024-03-01"} },
			ready: true, code: "old-lot-in-use", text: "7K40299", remedy: "set it: another lot", until: eight.Add(8 * time.Hour)},

		{name: "overdue", change: passedAgo(9*time.Hour, time.Hour), code: "qc-overdue", text: "9 h ago.", remedy: "Use the meter once they pass."},
		{name: "failed", change: controls("1+ 2+ 2-"), code: "qc-failed", text: "Control level 2 failed", remedy: "Use the meter once"},
		{name: "no controls", change: func(s *situation) { s.f.Controls = nil }, code: "lot-not-accepted", text: "in the last days.", remedy: "Run both controls with this lot."},
		{name: "beyond 3 SD", change: chain("2.5 2.9", "2.5 2.5"), code: "qc-multirule", text: "1-3s", remedy: "run both controls again"},
		{name: "expired", change: func(s *situation) { s.f.StripLot.Expires = "2024-03-04" }, code: "lot-expired", text: "expired on 2024-03-04.", remedy: "Use a strip that is in date"},
		{name: "recalled", change: func(s *situation) { s.f.StripLot.Recalled = true }, code: "lot-recalled", remedy: "Use another lot"},
		{name: "came anew", change: came("2024-03-05T09:00:00+01:00", ""), code: "lot-not-accepted", text: "0 of 2", remedy: "Run both controls"},
		{name: "refused", change: decided("refused", ""), code: "lot-not-accepted", text: "was refused", remedy: "Use another lot"},
		{name: "no record", cfg: validate.Config{"lot-not-accepted": set{"acceptance": "required"}}, code: "lot-not-accepted", text: "accepted at this site.", remedy: "Have the lot accepted"},
		{name: "withdrawn", change: func(s *situation) { s.f.Meter.State = "withdrawn" }, code: "meter-withdrawn", remedy: "Use another meter"},
		{name: "clock", change: func(s *situation) { s.f.Contact = &poct.Contact{At: tested, Device: tested, Offset: time.Hour} }, code: "clock-offset", text: "1 h ahead", remedy: "Set the meter's clock."},
		{name: "unknown lot", lot: "7K4O231", change: func(s *situation) { s.f.StripLot = nil }, code: "lot-unknown", text: "7K4O231", remedy: "or register the lot."},
		{name: "no lot known", lot: "none", code: "lot-unknown", text: "not known which one", remedy: "Run both controls"},
		{name: "unknown meter", change: func(s *situation) { s.f.Meter, s.f.Site = nil, nil }, code: "meter-unknown"},
		{name: "26 hours of silence", change: func(s *situation) {
			s.f.MeterHistory[0].Tested = tested.Add(-26 * time.Hour)
			s.f.Controls = nil
		}, silent: day, code: "meter-silent", text: "Not heard from for 26 h. Whether its controls passed is not known.", remedy: "Connect the meter"},
		{name: "never heard from", lot: "none", change: func(s *situation) { s.f.MeterHistory, s.f.Controls = nil, nil }, silent: day, code: "meter-silent", text: "Never heard from."},
	} {
		t.Run(tt.name, func(t *testing.T) {
			s, lot := used()
			if tt.change != nil {
				tt.change(s)
			}
			switch tt.lot {
			case "none":
				lot = ""
			case "":
			default:
				lot = tt.lot
			}
			got := rules(t, tt.cfg).Ready(s.f, lot, tt.silent)
			assert.Equal(t, tt.ready, got.Ready, "%+v", got.Why)
			assert.True(t, tt.until.Equal(got.Until), "until: got %v, want %v", got.Until, tt.until)
			assert.Equal(t, tested, got.AsOf)
			if tt.code == "" {
				assert.Empty(t, got.Why)
				return
			}
			require.NotEmpty(t, got.Why)
			p := got.Why[0]
			assert.Equal(t, tt.code, p.Code)
			assert.Contains(t, p.Text, tt.text)
			assert.Contains(t, p.Remedy, tt.remedy)
			for _, p := range got.Why {
				assert.Empty(t, p.Because)
				assert.NotContains(t, p.Text+p.Remedy, "the test", "it is asked of a meter before any test")
			}
		})
	}
}

func TestReadyTellsWhatIsKnown(t *testing.T) {
	s, lot := used()
	got := rules(t, nil).Ready(s.f, lot, 0)
	assert.Equal(t, "Q3-1007", got.Meter)
	assert.Equal(t, "Quill 3", got.Model)
	assert.Equal(t, "millrace", got.Site)
	assert.Equal(t, lot, got.StripLot)
	assert.True(t, got.LastHear.Equal(tested.Add(-12*time.Minute)))
	assert.Len(t, got.LastPass, 2)
	assert.NotNil(t, got.Why, "an empty list, not none")

	noLot(s)
	s.f.MeterHistory[0].Reading.StripLot, s.f.MeterHistory[0].Reading.NotSent = "", []string{"strip_lot"}
	assert.True(t, rules(t, nil).Ready(s.f, "", 0).Ready, "a meter whose profile has no lots")
}

// Ready says yes exactly where a clean patient result of that instant is held
// by none of the gate's checks; and a yes lasts until the moment told.
func TestReadyIsTheGate(t *testing.T) {
	configs := []*validate.Rules{
		rules(t, nil),
		rules(t, validate.Config{"qc-overdue": set{"off": true}, "lot-not-accepted": set{"acceptance": "required"}}),
		rules(t, validate.Config{"qc-overdue": set{"severity": "flag"}, "qc-failed": set{"severity": "flag"}, "sites": set{"millrace": set{"lot-unknown": set{"off": true}}}}),
	}
	rapid.Check(t, func(t *rapid.T) {
		s, lot := used()
		ru := rapid.SampledFrom(configs).Draw(t, "rules")
		maybe := func(name string, changes ...func(*situation)) {
			if rapid.IntRange(0, 3).Draw(t, name) == 0 {
				rapid.SampledFrom(changes).Draw(t, "which "+name)(s)
			}
		}
		s.f.Now = tested.Add(time.Duration(rapid.IntRange(-90, 40*60).Draw(t, "minutes")) * time.Minute)
		maybe("controls", controls("1+ 2-"), controls("1+ 2+ 2- 2+"), controls("1+"), passedAgo(9*time.Hour, time.Hour), func(s *situation) { s.f.Controls = nil })
		maybe("chain", chain("2.5 2.9", "2.5 2.5"), chain("2.75 2.75", "2.5 2.5"), chain("2.5", "2.5"))
		maybe("shipment", came("2024-03-01", "2024-03-05"), came("2024-03-05T08:02:00+01:00", ""), came("some day", ""))
		maybe("decision", decided("accepted", "S-1"), decided("accepted", ""), decided("refused", ""))
		maybe("lot", func(s *situation) { s.f.StripLot = nil }, func(s *situation) { s.f.StripLot.Recalled = true }, func(s *situation) { s.f.StripLot.Expires = "2024-03-05" }, func(s *situation) { s.f.StripLot.Expires = "" })
		maybe("meter", func(s *situation) { s.f.Meter.State = "withdrawn" }, func(s *situation) { s.f.Meter.State = "" }, func(s *situation) { s.f.Site = nil })
		maybe("newer lot", func(s *situation) { s.f.NewerLot = &poct.Shipment{StripLot: "7K40299", Arrived: "2024-03-01"} })
		maybe("contact", func(s *situation) {
			off := time.Duration(rapid.IntRange(-70, 70).Draw(t, "offset")) * time.Minute
			s.f.Contact = &poct.Contact{At: s.f.Now.Add(-time.Minute), Device: s.f.Now, Offset: off}
			s.f.ClocksChange = s.f.Now.Add(-time.Hour)
		})
		s.f.Controls = slices.DeleteFunc(s.f.Controls, func(p poct.Past) bool { return p.Tested.After(s.f.Now) }) // none is known of what is to come
		answer := ru.Ready(s.f, lot, 0)

		judged := func(at time.Time) bool {
			c := *s
			c.res.Reading.TestedAt.At, c.res.Reading.SentAt = at, poct.Stamp{}
			c.f.Received, c.f.Now = at, at
			found := ru.Check(c.res, c.f, nil)
			return !slices.ContainsFunc(found.Problems, func(p poct.Problem) bool {
				return p.Severity == poct.Hold && slices.Contains(gate, p.Code)
			})
		}
		if free := judged(s.f.Now); answer.Ready != free {
			t.Fatalf("ready %v, the gate lets through %v: %+v", answer.Ready, free, answer.Why)
		}
		if !answer.Ready {
			if len(answer.Why) == 0 || !answer.Until.IsZero() {
				t.Fatalf("a no without a reason, or with an end: %+v", answer)
			}
			return
		}
		if answer.Until.IsZero() {
			return
		}
		if judged(answer.Until.Add(time.Nanosecond)) {
			t.Fatalf("a yes until %v that does not end then", answer.Until)
		}
		between := answer.Until.Sub(s.f.Now)
		if at := s.f.Now.Add(time.Duration(rapid.Float64Range(0, 0.999).Draw(t, "part") * float64(between))); !judged(at) {
			t.Fatalf("a yes until %v that ended by %v", answer.Until, at)
		}
	})
}
