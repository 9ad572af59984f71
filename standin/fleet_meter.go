package standin

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"time"

	"github.com/nats-io/nats.go/jetstream"
)

// Dialect is a way of writing: model and format as meter profiles name them.
type Dialect struct{ Model, Format string }

// FleetInlet is where meters of a fleet send to.
type FleetInlet struct {
	ID      string
	Way     Way
	Addr    string    // host:port; the folder of Folder, the URL of HTTP and Queue
	Subject string    // of Queue
	Token   string    // of HTTP
	Reads   []Dialect // what is read there
}

// formatOf is what a model writes on a way; "" if it does not speak there.
func formatOf(model string, w Way) string {
	hl7 := w == MLLP || w == HTTP || w == Queue
	switch {
	case (model == quill || model == sedge) && hl7:
		return "hl7v2"
	case model == sedge && w == LIS:
		return "lis02"
	case model == sedge && w == POCT1A:
		return "poct1a"
	case model == reed && w == Folder:
		return "csv"
	case model == rush && w == Folder:
		return "json"
	case model == tern && w == Folder:
		return "xml"
	}
	return ""
}

// extension of a file by its format.
var extension = map[string]string{"csv": "csv", "json": "json", "xml": "xml"}

// FleetDialects are all that a fleet's meters write.
func FleetDialects() []Dialect {
	var out []Dialect
	for _, model := range []string{quill, reed, rush, sedge, tern} {
		for _, w := range []Way{MLLP, LIS, POCT1A, HTTP, Folder, Queue} {
			if f := formatOf(model, w); f != "" && !slices.Contains(out, Dialect{model, f}) {
				out = append(out, Dialect{model, f})
			}
		}
	}
	return out
}

// fleetMeter is one meter of a fleet with what it runs on. Its own goroutine
// alone uses it.
type fleetMeter struct {
	device    device
	inlet     FleetInlet
	zone      *time.Location
	isi, mnpt float64
	levels    []control
	seq       int
	speaker   speaker
	since     time.Time // of its latest controls
	tally     *fleetTally
	// Of the plan: where it begins among the patients, and how many it had.
	first, planned int
}

// Controls run again after this time; sites ask for them every few hours.
const controlsEvery = time.Hour

// errand is one message that a meter is to send: what is fixed by the seed.
type errand struct {
	flaw  Flaw
	kind  errandKind
	who   person
	other person // of a swap
	inr   string
	n     int // counts messages; tells garbage apart
	times int // of resends
}

type errandKind int

const (
	patientTest errandKind = iota
	controlTest
	deviceError
	hostQuery
	selfCheck // garbage that comes as a message
	lineNoise // garbage that is not even one
)

// fast is how far a wrong clock is ahead.
const fast = 45 * time.Minute

// meterErrors are the error codes of the models that send one in a value's place.
var meterErrors = map[string]string{quill: "E-03", sedge: "ERR21", reed: "E3", rush: "E1"}

// test is the errand as a measurement, a minute ago.
func (m *fleetMeter) test(e errand, now time.Time) test {
	m.seq++
	t := test{meter: m.device.serial, way: m.inlet.Way, seq: m.seq, at: now.Add(-time.Minute).In(m.zone), who: &e.who, inr: e.inr, run: run{}}
	switch e.flaw {
	case Clock:
		t.at = t.at.Add(fast)
	case Swap:
		t.as = e.other.id
	case Lot:
		t.lot = "X" + m.device.lot
	}
	if e.kind == deviceError {
		t.inr, t.noPT = meterErrors[m.device.model], true
		return t
	}
	if inr, err := strconv.ParseFloat(e.inr, 64); err == nil {
		t.pt = strconv.FormatFloat(m.mnpt*math.Pow(inr, 1/m.isi), 'f', 1, 64)
	}
	return t
}

// seconds tells whether the model sends PT beside the INR.
func (m *fleetMeter) seconds() bool { return m.device.model != reed && m.device.model != tern }

// tellsBirth tells whether the message names a second identifier of the
// patient, which a swap does not fit.
func (m *fleetMeter) tellsBirth() bool {
	return m.device.model != reed && m.device.model != tern
}

// write is the message of a test, stamped by the meter's clock.
func (m *fleetMeter) write(t test, clock time.Time) []byte {
	b := t.sayAs(m.device)
	if at := bytes.Index(b, []byte("</HEL.R01>")); at >= 0 {
		b = b[at+len("</HEL.R01>"):] // the speaker says its own
	}
	return stamped(b, clock.In(m.zone))
}

// open makes the meter's speaker.
func (m *fleetMeter) open(js jetstream.JetStream) error {
	in := m.inlet
	switch in.Way {
	case MLLP:
		m.speaker = newMLLPSpeaker(in.Addr)
	case LIS:
		m.speaker = newLISSpeaker(in.Addr)
	case POCT1A:
		m.speaker = newPOCTSpeaker(in.Addr, m.device.serial, "SEDGE5")
	case HTTP:
		s, err := newHTTPSpeaker(in.Addr, in.Token)
		if err != nil {
			return fmt.Errorf("standin: %w", err)
		}
		m.speaker = s
	case Folder:
		m.speaker = &folderSpeaker{dir: in.Addr, name: m.device.serial, ext: extension[formatOf(m.device.model, Folder)]}
	case Queue:
		m.speaker = queueSpeaker{js, in.Subject}
	}
	return nil
}

// garbage is what a broken meter sends as a message. With its time no two are
// alike, in whatever run.
func (m *fleetMeter) garbage(n int, now time.Time) []byte {
	text := fmt.Sprintf("%s self check %06d OK %s", m.device.model, n, now.Format("20060102150405.000000"))
	switch m.inlet.Way {
	case POCT1A:
		return fmt.Appendf(nil, `<SLF.R01><HDR><HDR.control_id V="g%d"/></HDR><SLF V="%s"/></SLF.R01>`, n, text)
	case Folder:
		return []byte("Self;Check\r\n" + text + ";0\r\n")
	}
	return []byte(text + "\r")
}

// line of the speakers that keep one; nil for files and queues.
func (m *fleetMeter) line() *line {
	switch s := m.speaker.(type) {
	case *framedSpeaker:
		return &s.line
	case *lisSpeaker:
		return &s.line
	case *poctSpeaker:
		return &s.line
	}
	return nil
}

// Pauses between tries, and how long a meter goes on trying.
const (
	firstPause = 50 * time.Millisecond
	lastPause  = 2 * time.Second
)

// ends of one sending.
type sending struct {
	answer  string
	sent    int  // how often it was sent after a first time
	unclear int  // of the sendings before the answer, how many may have been taken too
	more    int  // positive answers after the first, to resends on purpose
	over    bool // given up
}

// again tells whether an answer means that the message is to be sent again.
func sendAgain(answer string) bool {
	switch answer {
	case "AE", "CE", "503", lisRefused, lisBusy:
		return true
	}
	return false
}

// deliver sends until the meter is told something that ends it, or until ctx
// ends. A lost line tells nothing: the message may have been taken.
func (m *fleetMeter) deliver(ctx context.Context, b []byte, how trick) (s sending) {
	for pause := firstPause; ; pause = min(2*pause, lastPause) {
		answer, err := m.speaker.say(ctx, b, how)
		switch {
		case err == nil && !sendAgain(answer):
			s.answer = answer
			return s
		case err != nil:
			if how != half {
				s.unclear++
			}
			m.tally.lost()
		default:
			m.tally.refused(m.inlet.Way, answer)
		}
		tricked := errors.Is(err, errLineLost)
		how = plain
		if tricked {
			s.sent++
			continue
		}
		t := time.NewTimer(pause)
		select {
		case <-t.C:
		case <-ctx.Done():
			t.Stop()
			s.over = true
			return s
		}
		s.sent++
	}
}
