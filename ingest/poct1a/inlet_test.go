package poct1a

import (
	"errors"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidegate/poct"
)

// ours is a registry that knows one meter.
func ours(set Settings) Settings {
	set.Site = func(serial string) (string, bool) { return "saltmarsh", serial == "SD-0042" }
	return set
}

func TestConversation(t *testing.T) {
	b := &box{}
	now := time.Date(2026, 3, 5, 8, 14, 0, 0, time.UTC)
	set := ours(Settings{Inbox: b, Now: func() time.Time { return now }})
	set.Operators = func(site string) ([]poct.Operator, error) {
		assert.Equal(t, "saltmarsh", site)
		return []poct.Operator{{ID: "118", Name: "R. Ito"}}, nil
	}
	set.Patients = func(string) ([]poct.Patient, error) {
		return []poct.Patient{{ID: "MRN7", Family: "Lamp", Given: "Ada", Sex: "f"}}, nil
	}
	r := run(t, Config{SendOperators: true, SendPatients: true, SetTime: true}, set, nil)
	m := r.dial()
	m.say(hel("SD-0042", "SET_TIME", "OP_LST", "PT_LST"))
	m.expect("ACK.R01 AA 1")
	m.say(dst("1"))
	m.expect("ACK.R01 AA 2", "REQ.R01 ROBS")
	m.say(obs("41"))
	m.expect("ACK.R01 AA 41")
	m.say(eot)
	m.expect("ACK.R01 AA e", "DTV.R02 SET_TIME 2026-03-05T08:14:00+00:00")
	m.ack(6)
	m.expect("OPL.R01 118 R. Ito")
	m.ack(7)
	m.expect("EOT.R01 OPL", "PTL.R01 MRN7 Ada Lamp Lamp Ada F")
	m.ack(9)
	m.expect("EOT.R01 PTL", "END.R01 NRM")
	m.ack(11)
	m.expect("(EOF)")
	r.end()

	require.Len(t, b.arrivals, 1)
	a := b.arrivals[0]
	assert.Equal(t, obs("41"), string(a.Raw))
	assert.Equal(t, hel("SD-0042", "SET_TIME", "OP_LST", "PT_LST"), string(a.Batch))
	assert.Equal(t, "ward|SD-0042", a.Source)
	assert.Equal(t, "poct1a", a.Format)
	assert.Equal(t, "41", a.ControlID)
	require.Len(t, b.contacts, 1)
	assert.Equal(t, "SD-0042", b.contacts[0].Meter)
	assert.Equal(t, "ward", b.contacts[0].Inlet)
	assert.Equal(t, -time.Minute, b.contacts[0].Offset, "the meter's clock says 08:13:00Z")
	assert.Empty(t, b.notices)
}

// Equal bytes from two meters are two arrivals; from one meter, in whatever
// conversation, one.
func TestWhose(t *testing.T) {
	b := &box{}
	r := run(t, Config{}, Settings{Inbox: b}, nil)
	for _, serial := range []string{"A", "B", "A", ""} {
		m := r.dial()
		m.say(hel(serial), dst("1"), obs("41"))
		m.expect("ACK.R01 AA 1", "ACK.R01 AA 2", "REQ.R01 ROBS", "ACK.R01 AA 41")
	}
	m := r.dial()
	m.say(obs("41"))
	m.expect("ACK.R01 AA 41")
	r.end()
	require.Len(t, b.arrivals, 3)
	assert.Equal(t, "ward|A", b.arrivals[0].Source)
	assert.Equal(t, "ward|B", b.arrivals[1].Source)
	assert.Equal(t, "ward|127.0.0.1", b.arrivals[2].Source, "no serial number: whoever is there")
	assert.Equal(t, 2, b.resends)
}

func TestStoreDown(t *testing.T) {
	b := &box{down: true}
	r := run(t, Config{}, Settings{Inbox: b}, nil)
	m := r.dial()
	m.say(hel("A"), obs("41"))
	m.expect("ACK.R01 AA 1", "ACK.R01 AE 41")
	b.mu.Lock()
	b.down = false
	b.mu.Unlock()
	m.say(obs("41"))
	m.expect("ACK.R01 AA 41")
	r.end()
}

// An unregistered meter is told nothing, and its results are taken.
func TestUnknownMeter(t *testing.T) {
	b := &box{}
	set := ours(Settings{Inbox: b})
	set.Operators = func(string) ([]poct.Operator, error) { t.Error("asked for a list"); return nil, nil }
	r := run(t, Config{SendOperators: true, SetTime: true, SendUnsaid: true}, set, nil)
	m := r.dial()
	m.say(hel("SD-9999"), dst("0"))
	m.expect("ACK.R01 AA 1", "ACK.R01 AA 2", "END.R01 NRM")
	r.end()
}

// A registry that cannot be read must not empty a meter's list.
func TestNoLists(t *testing.T) {
	set := ours(Settings{Inbox: &box{}})
	set.Operators = func(string) ([]poct.Operator, error) { return nil, errors.New("no registry") }
	r := run(t, Config{SendOperators: true}, set, nil)
	m := r.dial()
	m.say(hel("SD-0042", "OP_LST"), dst("0"))
	m.expect("ACK.R01 AA 1", "ACK.R01 AA 2", "END.R01 NRM")
	r.end()
}

func TestFramed(t *testing.T) {
	b := &box{}
	r := run(t, Config{}, Settings{Inbox: b}, nil)
	m := r.dial()
	m.say("\x0b", hel("A"), "\x1c\r\x0b", obs("41"), "\x1c\r")
	buf := make([]byte, 1)
	_, err := m.conn.Read(buf)
	require.NoError(t, err)
	require.Equal(t, byte(0x0b), buf[0], "answered as it speaks")
	m.got = append(m.got, buf...)
	m.expect("ACK.R01 AA 1", "ACK.R01 AA 41")
	r.end()
	require.Equal(t, obs("41"), string(b.arrivals[0].Raw), "without its frame")
}

func TestSuperseded(t *testing.T) {
	b := &box{}
	r := run(t, Config{}, Settings{Inbox: b}, nil)
	old, other := r.dial(), r.dial()
	old.say(hel("A"))
	old.expect("ACK.R01 AA 1")
	other.say(hel("B"))
	other.expect("ACK.R01 AA 1")
	anew := r.dial()
	anew.say(hel("A"))
	anew.expect("ACK.R01 AA 1")
	old.expect("END.R01 NRM")
	old.ack(2)
	old.expect("(EOF)")
	for _, m := range []*meter{other, anew} {
		m.say(obs("41"))
		m.expect("ACK.R01 AA 41")
	}
	r.end()
}

func TestLock(t *testing.T) {
	var withdrawn atomic.Bool
	withdrawn.Store(true)
	set := ours(Settings{Inbox: &box{}})
	set.Locked = func(string) bool { return withdrawn.Load() }
	r := run(t, Config{Lock: "withdrawn"}, set, nil)
	visit := func(want ...string) {
		m := r.dial()
		m.say(hel("SD-0042", "LOCK"), dst("0"))
		m.expect("ACK.R01 AA 1", "ACK.R01 AA 2")
		m.expect(want...)
		if want[0] != "END.R01 NRM" {
			m.ack(3)
			m.expect("END.R01 NRM")
			m.ack(4)
		} else {
			m.ack(3)
		}
		m.expect("(EOF)")
	}
	visit("DTV.R01 LOCK")
	visit("END.R01 NRM") // locked already
	withdrawn.Store(false)
	visit("DTV.R01 UNLOCK")
	visit("END.R01 NRM") // a lock of somebody else's is not ours to end
	r.end()
}

// In continuous mode lists are looked at again, and changes alone are sent.
func TestRefresh(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := &box{}
		var people atomic.Pointer[[]poct.Operator]
		people.Store(&[]poct.Operator{{ID: "118"}})
		set := ours(Settings{Inbox: b})
		set.Operators = func(string) ([]poct.Operator, error) { return *people.Load(), nil }
		r := run(t, Config{SendOperators: true, Continuous: true, Refresh: 10 * time.Minute}, set, newPipes())
		m := r.dial()
		m.say(hel("SD-0042", "OP_LST", "OP_LST_I", "START_CONTINUOUS"))
		m.expect("ACK.R01 AA 1")
		m.say(dst("0"))
		m.expect("ACK.R01 AA 2", "OPL.R01 118")
		m.ack(3)
		m.expect("EOT.R01 OPL", "DTV.R01 START_CONTINUOUS")
		m.ack(5)
		synctest.Wait()
		time.Sleep(25 * time.Minute) // of the bubble's clock; nothing changed
		m.say(kpa)
		m.expect("ACK.R01 AA k")
		people.Store(&[]poct.Operator{{ID: "118"}, {ID: "204"}})
		start := time.Now()
		m.expect("OPL.R02 I 204")
		assert.LessOrEqual(t, time.Since(start), 10*time.Minute)
		m.ack(7)
		m.expect("EOT.R01 OPL")
		synctest.Wait()
		r.stop()
		m.expect("END.R01 NRM", "(EOF)")
		r.end()
	})
}

// A list that the meter says it has from us is not sent once more; one that it
// has lost is.
func TestListRemembered(t *testing.T) {
	now := time.Date(2026, 3, 5, 8, 14, 0, 0, time.UTC)
	set := ours(Settings{Inbox: &box{}, Now: func() time.Time { return now }})
	set.Operators = func(string) ([]poct.Operator, error) { return []poct.Operator{{ID: "118"}}, nil }
	r := run(t, Config{SendOperators: true}, set, nil)
	visit := func(updated string, want ...string) {
		m := r.dial()
		m.say(hel("SD-0042", "OP_LST"), strings.Replace(dst("0"), "<DST>", "<DST>"+updated, 1))
		m.expect("ACK.R01 AA 1", "ACK.R01 AA 2")
		m.expect(want...)
		m.ack(3)
		m.next()
	}
	visit("", "OPL.R01 118")
	visit(`<DST.operators_update_dttm V="2026-03-05T09:14:30+01:00"/>`, "END.R01 NRM")
	visit(`<DST.operators_update_dttm V="2026-03-04T09:14:30+01:00"/>`, "OPL.R01 118")
	visit("", "OPL.R01 118")
	r.end()
}

func TestCutOff(t *testing.T) {
	for _, tt := range []struct {
		name   string
		hello  bool
		say    string
		after  time.Duration
		notice string
	}{
		{"no hello", false, " ", time.Minute, "no hello came"},
		{"half a document", true, "<OBS.R01>", 30 * time.Second, "a document was not complete after 30s"},
		{"no XML", true, "MSH|^~", 0, "text that stands in no XML document"},
		{"a document type", true, "<!DOCTYPE a>", 0, "a document type"},
		{"too large", true, "<OBS.R01>" + strings.Repeat("x", 5000), 0, "larger than is taken"},
		{"nested too deep", true, strings.Repeat("<a>", 40), 0, "nested deeper"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				b := &box{}
				r := run(t, Config{FrameTimeout: 30 * time.Second, MaxFrame: 4096}, Settings{Inbox: b}, newPipes())
				m, other := r.dial(), r.dial()
				if tt.hello {
					m.say(hel("A"))
					m.expect("ACK.R01 AA 1")
				}
				other.say(strings.Replace(hel("B"), "</DEV>", `</DEV><DCP><DCP.application_timeout V="300"/></DCP>`, 1))
				other.expect("ACK.R01 AA 1")
				start := time.Now()
				go func() { _, _ = m.conn.Write([]byte(tt.say)) }()
				m.expect("(EOF)")
				assert.Equal(t, tt.after, time.Since(start))
				other.say(obs("41"))
				other.expect("ACK.R01 AA 41")
				_ = other.conn.Close()
				r.end()
				require.NotEmpty(t, b.noticed())
				assert.Contains(t, b.noticed()[0], tt.notice)
			})
		})
	}
}

// A byte now and then does not buy a document more time.
func TestSlow(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := run(t, Config{}, Settings{Inbox: &box{}}, newPipes())
		m := r.dial()
		m.say(hel("A"))
		m.expect("ACK.R01 AA 1")
		start := time.Now()
		m.say("<OBS.R01>")
		for {
			time.Sleep(7 * time.Second)
			if _, err := m.conn.Write([]byte("x")); err != nil {
				break
			}
		}
		assert.Equal(t, 63*time.Second, time.Since(start), "the ninth byte comes too late")
		r.end()
	})
}

// A stop ends every conversation politely, and does not wait for those who do
// not answer.
func TestStop(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := &box{}
		r := run(t, Config{}, Settings{Inbox: b}, newPipes())
		polite, silent := r.dial(), r.dial()
		for i, m := range []*meter{polite, silent} {
			m.say(hel(string(rune('A' + i))))
			m.expect("ACK.R01 AA 1")
		}
		synctest.Wait()
		start := time.Now()
		r.stop()
		polite.expect("END.R01 NRM")
		polite.say(obs("41")) // sent before it read our END
		polite.expect("ACK.R01 AA 41")
		polite.ack(2)
		polite.expect("(EOF)")
		silent.expect("END.R01 NRM", "(EOF)")
		r.end()
		assert.Equal(t, endTime, time.Since(start))
		require.Len(t, b.arrivals, 1)
	})
}

func TestConfigFaults(t *testing.T) {
	for _, tt := range []struct {
		cfg Config
		key string
	}{
		{Config{}, "listen"},
		{Config{Listen: "nowhere"}, "listen"},
		{Config{Listen: ":1", MaxFrame: -1}, "max_frame"},
		{Config{Listen: ":1", MaxConnections: -1}, "max_connections"},
		{Config{Listen: ":1", Idle: -1}, "idle"},
		{Config{Listen: ":1", Lock: "always"}, "lock"},
		{Config{Listen: ":1", ClockTolerance: time.Second}, "clock_tolerance"},
		{Config{Listen: ":1", Refresh: time.Second}, "refresh"},
	} {
		faults := tt.cfg.Validate()
		require.Len(t, faults, 1, tt.key)
		assert.Equal(t, tt.key, faults[0].Key)
	}
	words := Config{Codes: Codes{AskResults: "ALL", Patients: []string{"P1"}}}.rules().Words
	assert.Equal(t, "ALL", words.AskObservations)
	assert.Equal(t, []string{"P1"}, words.Patients)
	assert.Equal(t, "RDEV", words.AskEvents)
}
