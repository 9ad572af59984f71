package pipeline_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidegate/mapping"
	"tidegate/poct"
	"tidegate/registry"
	"tidegate/store"
	"tidegate/validate"
)

// newHouse is a ward whose inlet "wired" takes results, and "house" messages
// about patients and orders.
func newHouse(t *testing.T, checks validate.Config) *ward {
	w := newWard(t, t.TempDir())
	t.Cleanup(func() { _ = w.store.Close() })
	rules, faults := validate.Compile(checks)
	require.Empty(t, faults)
	look := registry.Look{}
	look.Orders.Window, look.Orders.Codes = rules.Orders()
	w.judge.Rules, w.judge.Facts, w.judge.Context = rules, look.Facts, registry.Apply
	house := w.judge.Inlets["wired"]
	house.Context = mapping.ContextRule{Accepts: []string{"adt", "orders"}, Authority: "MILLRACE", Zone: time.UTC, Target: "TARGET"}
	w.judge.Inlets["house"] = house
	w.take(w.control("08:00", "1", "1.1"))
	w.take(w.control("08:05", "2", "3.0"))
	return w
}

// says sends a message about patients or orders that happened at a time of
// today, and gives its result's id.
func (w *ward) says(event, clock string, segments ...string) string {
	at := w.today(clock).Format("20060102150405")
	w.seq++
	raw := fmt.Sprintf("MSH|^~\\&|HOUSE|millrace|T|X|%s||%s|C%d|P|2.5.1\r", at, event, w.seq)
	if strings.HasPrefix(event, "ADT") {
		raw += "EVN|" + event[4:7] + "|" + at + "\r"
	}
	got, err := w.store.Accept(ctx, poct.Arrival{Inlet: "house", Format: "hl7v2", Raw: []byte(raw + strings.Join(segments, "\r") + "\r")})
	require.NoError(w, err)
	w.step()
	ids, err := w.store.Find(ctx, store.Query{Text: got.Arrival})
	require.NoError(w, err)
	require.Len(w, ids, 1)
	return ids[0]
}

func (w *ward) person(id string) poct.Patient {
	rows, err := w.store.Book().Patients("MILLRACE", id)
	require.NoError(w, err)
	require.Len(w, rows, 1)
	rows[0].AsOf, rows[0].Merged = poct.AsOf{}, poct.AsOf{}
	return rows[0]
}

func (w *ward) state(id string) poct.State {
	return w.trace(id).State
}

func (w *ward) testOf(patient, clock string) reading {
	r := w.test(clock, "2.4")
	r.patient = patient
	return r
}

func TestUnknownPatientIsReleasedOnceRegistered(t *testing.T) {
	w := newHouse(t, nil)
	held := w.take(w.testOf("9001", "09:00"))
	require.Equal(t, "patient-unknown", w.held(held))

	told := w.says("ADT^A04^ADT_A01", "09:05", "PID|1||9001^^^MILLRACE^MR||Quarry^Ines||19611231|F", "PV1|1|O|ROOM1^^^millrace||||||||||||||||V-1")
	assert.Equal(t, poct.Filed, w.state(told))
	assert.Empty(t, w.held(held))
	assert.Equal(t, poct.Delivering, w.state(held))
	assert.Equal(t, "Message "+told+" told of the patient.", w.trace(held).Versions[1].Reason)
	assert.Equal(t, poct.Patient{Authority: "MILLRACE", ID: "9001", Family: "Quarry", Given: "Ines", BirthDate: "1961-12-31", Sex: "F"}, w.person("9001"))
	assert.Equal(t, "V-1", w.trace(held).Versions[1].Result.Visit, "the test was run five minutes before it")
	w.verifies()
}

func TestMergeForwardsBothBeforeAndAfter(t *testing.T) {
	w := newHouse(t, nil)
	w.says("ADT^A28^ADT_A05", "08:10", "PID|1||9001||Quarry^Ines||19611231|F")
	before := w.take(w.testOf("9001", "09:00"))
	require.Equal(t, poct.Delivering, w.state(before))
	held := w.take(w.testOf("9002", "09:10"))
	require.Equal(t, "patient-unknown", w.held(held))

	w.says("ADT^A40^ADT_A39", "09:20", "PID|1||9003||Quarry^Ines||19611231|F", "MRG|9001", "PID|2||9003", "MRG|9002")
	assert.Empty(t, w.held(held), "its identifier leads to a patient now")
	assert.Equal(t, "9003", w.trace(held).Versions[1].Result.Patient.ID)
	assert.Len(t, w.trace(before).Versions, 1, "what stands in the record is the record system's to merge")
	after := w.take(w.testOf("9001", "09:30"))
	assert.Equal(t, "9003", w.trace(after).Versions[0].Result.Patient.ID)

	w.says("ADT^A47^ADT_A30", "09:40", "PID|1||9004", "MRG|9003")
	chain := w.take(w.testOf("9002", "09:50"))
	assert.Equal(t, "9004", w.trace(chain).Versions[0].Result.Patient.ID, "chains are followed")
	w.verifies()
}

func TestMergeInACircleIsRefused(t *testing.T) {
	for _, tt := range []struct {
		name     string
		segments []string
		want     string
	}{
		{"back again", []string{"PID|1||9001", "MRG|9002"}, "merge-refused"},
		{"round a chain", []string{"PID|1||9001", "MRG|9003"}, "merge-refused"},
		{"within one message", []string{"PID|1||9005", "MRG|9006", "PID|2||9006", "MRG|9005"}, "merge-refused"},
		{"itself", []string{"PID|1||9001", "MRG|9001"}, "unreadable-record"},
		{"no survivor of that authority", []string{"PID|1||9001", "MRG|1^^^HARBOUR"}, "unreadable-record"},
		{"nobody retires", []string{"PID|1||9001"}, "unreadable-record"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			w := newHouse(t, nil)
			w.says("ADT^A40^ADT_A39", "08:10", "PID|1||9002", "MRG|9001", "PID|2||9003", "MRG|9002")
			refused := w.says("ADT^A40^ADT_A39", "09:00", tt.segments...)
			assert.Equal(t, tt.want, w.held(refused))
			assert.Empty(t, w.person("9003").MergedTo, "nothing of a refused message counts")
			h := w.openHold(refused)
			_, err := w.desk.Settle(ctx, people["k.osei"], h.ID, poct.Settlement{Act: poct.ActRelease, Version: h.Version, Reason: "Let it through."})
			require.Error(t, err)
			_, err = w.desk.Settle(ctx, people["k.osei"], h.ID, poct.Settlement{Act: poct.ActRetry, Version: h.Version, Reason: "Once more."})
			require.NoError(t, err)
			assert.Equal(t, tt.want, w.held(refused))
			w.verifies()
		})
	}
}

// EVN-2 tells the order of events, whatever order the messages come in.
func TestOlderMessagesNeverOverwrite(t *testing.T) {
	w := newHouse(t, nil)
	w.says("ADT^A08^ADT_A01", "09:00", "PID|1||9001||Quarry-Vale^Ines||19611231|F")
	w.says("ADT^A04^ADT_A01", "08:00", "PID|1||9001||Quarry^Inés||19611230|M", "PV1|1|O|millrace||||||||||||||||V-1")
	assert.Equal(t, poct.Patient{Authority: "MILLRACE", ID: "9001", Family: "Quarry-Vale", Given: "Ines", BirthDate: "1961-12-31", Sex: "F"}, w.person("9001"))
	w.says("ADT^A31^ADT_A05", "09:10", `PID|1||9001||""^|||`)
	assert.Equal(t, "", w.person("9001").Family, `"" deletes`)
	assert.Equal(t, "1961-12-31", w.person("9001").BirthDate, "empty keeps")

	w.says("ADT^A40^ADT_A39", "10:00", "PID|1||9003", "MRG|9001")
	w.says("ADT^A40^ADT_A39", "09:30", "PID|1||9002", "MRG|9001")
	assert.Equal(t, "9003", w.person("9001").MergedTo)

	// A table read at the start does not take it back; a person's does.
	row := poct.RegistryRows{Patients: []poct.Patient{{Authority: "MILLRACE", ID: "9001", Family: "Old"}}}
	_, changed, err := w.store.Upsert(ctx, poct.System, row)
	require.NoError(t, err)
	assert.Zero(t, changed)
	_, changed, err = w.store.Upsert(ctx, "k.osei", row)
	require.NoError(t, err)
	assert.Equal(t, 1, changed)
	w.says("ADT^A08^ADT_A01", "07:00", "PID|1||9001||Older")
	assert.Equal(t, "Old", w.person("9001").Family)
	w.verifies()
}

func TestVisitsBeginEndAndReopen(t *testing.T) {
	w := newHouse(t, nil)
	visit := func() poct.Visit {
		rows, err := w.store.Book().Visits("MILLRACE", "9001")
		require.NoError(t, err)
		require.Len(t, rows, 1)
		rows[0].AsOf = poct.AsOf{}
		return rows[0]
	}
	pid, pv1 := "PID|1||9001||Quarry^Ines", "PV1|1|O|ROOM1^^^MILLRACE||||||||||||||||V-1"
	w.says("ADT^A03^ADT_A03", "10:00", pid, pv1)
	assert.Equal(t, poct.Visit{ID: "V-1", Authority: "MILLRACE", Patient: "9001", Site: "millrace", End: w.today("10:00")}, visit())
	w.says("ADT^A01^ADT_A01", "08:00", pid, pv1)
	assert.Equal(t, w.today("08:00"), visit().Start, "the admission came late")
	assert.Equal(t, w.today("10:00"), visit().End)
	w.says("ADT^A13^ADT_A01", "10:30", pid, pv1)
	assert.Zero(t, visit().End)
	w.says("ADT^A11^ADT_A09", "11:00", pid, pv1)
	assert.True(t, visit().Cancelled)
	assert.Equal(t, "Quarry", w.person("9001").Family, "the visit ends, not the person")
	id := w.take(w.testOf("9001", "11:10"))
	assert.Empty(t, w.trace(id).Versions[0].Result.Visit)
	w.says("ADT^A05^ADT_A05", "11:20", "PID|1||9007||Reed^Ola", "PV1|1|O|||||||||||||||||V-2")
	assert.Equal(t, "Reed", w.person("9007").Family)
	other, err := w.store.Book().Visits("MILLRACE", "9007")
	require.NoError(t, err)
	assert.Empty(t, other, "announced is not begun")
	ignored := w.says("ADT^A02^ADT_A02", "11:30", pid, pv1)
	assert.Equal(t, poct.Ignored, w.state(ignored))
}

func TestInletTakesWhatItAccepts(t *testing.T) {
	w := newHouse(t, nil)
	raw := "MSH|^~\\&|H|M|T|X|20260305090000||ADT^A04|1|P|2.5.1\rEVN|A04|20260305090000\rPID|1||9001^^^MILLRACE\r"
	got, err := w.store.Accept(ctx, poct.Arrival{Inlet: "wired", Format: "hl7v2", Raw: []byte(raw)})
	require.NoError(t, err)
	w.step()
	ids, err := w.store.Find(ctx, store.Query{Text: got.Arrival})
	require.NoError(t, err)
	h := w.openHold(ids[0])
	assert.Equal(t, "This inlet does not take messages about patients (ADT).", h.Problems[0].Text)
	rows, err := w.store.Book().Patients("MILLRACE", "9001")
	require.NoError(t, err)
	assert.Empty(t, rows)
}

func TestOrdersAskForTests(t *testing.T) {
	order := func(number, at string) []string {
		return []string{"PID|1||4711^^^MILLRACE", "ORC|NW|" + number + "^HOUSE|||||||20260305" + at, "OBR|1|" + number + "||46418-0^INR^LN"}
	}
	choose := func(choice string) validate.Config {
		return validate.Config{"order-missing": map[string]any{"choice": choice}}
	}
	t.Run("one", func(t *testing.T) {
		w := newHouse(t, choose("hold"))
		w.says("OML^O21^OML_O21", "08:30", append(order("P-1", "0830"), "OBX|1|ST|TARGET||2.0-3.0||||||F")...)
		id := w.take(w.testOf("4711", "09:00"))
		got := w.trace(id).Versions[0].Result.Ordered
		assert.Equal(t, []string{"P-1", "2.0", "3.0", "open"}, []string{got.Placer, got.TargetLow.Text, got.TargetHigh.Text, got.Status})
		assert.Empty(t, w.held(id))
	})
	t.Run("the order comes late", func(t *testing.T) {
		w := newHouse(t, choose("hold"))
		id := w.take(w.testOf("4711", "09:00"))
		require.Equal(t, "order-missing", w.held(id))
		w.says("ORM^O01^ORM_O01", "09:10", order("P-1", "0910")...)
		assert.Empty(t, w.held(id))
		w.verifies()
	})
	t.Run("several", func(t *testing.T) {
		w := newHouse(t, choose("hold"))
		w.says("ORM^O01^ORM_O01", "08:20", order("P-1", "0820")...)
		w.says("ORM^O01^ORM_O01", "08:30", order("P-2", "0830")...)
		id := w.take(w.testOf("4711", "09:00"))
		assert.Equal(t, "order-missing", w.held(id))
		assert.Zero(t, w.trace(id).Versions[0].Result.Ordered, "never one of several")
		w.says("ORM^O01^ORM_O01", "09:10", "PID|1||4711^^^MILLRACE", "ORC|CA|P-1", "OBR|1|P-1||46418-0^INR^LN")
		assert.Empty(t, w.held(id))
		assert.Equal(t, "P-2", w.trace(id).Versions[1].Result.Ordered.Placer)
	})
	t.Run("announced", func(t *testing.T) {
		w := newHouse(t, choose("announce"))
		id := w.take(w.testOf("4711", "09:00"))
		assert.True(t, w.trace(id).Versions[0].Result.Announce)
		assert.Equal(t, poct.Delivering, w.state(id))
	})
	t.Run("posted, and several are only told", func(t *testing.T) {
		w := newHouse(t, choose("post"))
		id := w.take(w.testOf("4711", "09:00"))
		assert.Empty(t, w.trace(id).Versions[0].Problems)
		w.says("ORM^O01^ORM_O01", "08:20", order("P-1", "0820")...)
		w.says("ORM^O01^ORM_O01", "08:30", order("P-2", "0830")...)
		id = w.take(w.testOf("4711", "09:05"))
		assert.Contains(t, strings.Join(w.trace(id).Versions[0].Result.Marks, " "), "2 open orders")
	})
}
