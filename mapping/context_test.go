package mapping

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidegate/poct"
)

// house takes messages about patients and orders.
var house = ContextRule{Accepts: []string{AcceptADT, AcceptOrders}, Authority: "MILLRACE", Zone: time.UTC, Target: "TARGET"}

func contextOf(t *testing.T, rule ContextRule, segments ...string) (Decoded, bool) {
	t.Helper()
	return DecodeContext(poct.Arrival{ID: "a", Format: "hl7v2", Raw: []byte(message(segments...))}, rule)
}

const (
	adtHead = `MSH|^~\&|HOUSE|millrace|T|X|20260305090500+0100||ADT^%^ADT_A01|C1|P|2.5.1`
	evn     = `EVN||20260305090000+0100`
)

func adt(event string) string { return strings.Replace(adtHead, "%", event, 1) }

func ref(id string) poct.PatientRef { return poct.PatientRef{Authority: "MILLRACE", ID: id} }

func says(s string) *string { return &s }

// The events are those of HL7 table 0003, the structures those of HL7 2.5.1
// chapter 3: ADT_A01 (A01 A04 A08 A13), ADT_A05 (A05 A28 A31), ADT_A09 (A11),
// ADT_A39 (A40), ADT_A30 (A47). That PID-3 survives and MRG-1 retires is HL7
// 2.5.1 3.6.2, from memory.
func TestContextOfPatients(t *testing.T) {
	at := poct.AsOf{At: time.Date(2026, 3, 5, 8, 0, 0, 0, time.UTC), Sent: time.Date(2026, 3, 5, 8, 5, 0, 0, time.UTC)}
	pid := `PID|1||7^^^MILLRACE^MR||Quarry^Ines||19611231|F`
	person := poct.PatientNews{Ref: ref("7"), Family: says("Quarry"), Given: says("Ines"), BirthDate: says("1961-12-31"), Sex: says("F")}
	pv1 := `PV1|1|O|ROOM1^^^millrace||||||||||||||||V-1|||||||||||||||||||||||||20260305084500+0100`
	visit := func(act poct.VisitAct, start, end time.Time) []poct.VisitNews {
		return []poct.VisitNews{{Patient: ref("7"), ID: "V-1", Act: act, Places: []string{"ROOM1", "millrace"}, Start: start, End: end}}
	}
	began := time.Date(2026, 3, 5, 7, 45, 0, 0, time.UTC)
	for _, tt := range []struct {
		name, event string
		segments    []string
		want        poct.Context
	}{
		{"A01", "A01", []string{evn, pid, pv1}, poct.Context{Patients: []poct.PatientNews{person}, Visits: visit(poct.VisitBegins, began, time.Time{})}},
		{"A03", "A03", []string{evn, pid, pv1}, poct.Context{Patients: []poct.PatientNews{person}, Visits: visit(poct.VisitEnds, began, at.At)}},
		{"A05", "A05", []string{evn, pid, pv1}, poct.Context{Patients: []poct.PatientNews{person}}},
		{"A08 without a visit", "A08", []string{evn, pid}, poct.Context{Patients: []poct.PatientNews{person}}},
		{"A11", "A11", []string{evn, pid, pv1}, poct.Context{Visits: visit(poct.VisitCancels, began, time.Time{})}},
		{"A13", "A13", []string{evn, pid, pv1}, poct.Context{Patients: []poct.PatientNews{person}, Visits: visit(poct.VisitReopens, began, time.Time{})}},
		{"A28", "A28", []string{evn, pid}, poct.Context{Patients: []poct.PatientNews{person}}},
		{"every identifier", "A31", []string{evn, `PID|1||7^^^MILLRACE^MR~N9^^^&1.2.3&ISO^NI~8||`}, poct.Context{Patients: []poct.PatientNews{
			{Ref: ref("7")}, {Ref: poct.PatientRef{Authority: "1.2.3", ID: "N9"}}, {Ref: ref("8")}}}},
		{"deleted and kept", "A31", []string{evn, `PID|1||7||""||""|`}, poct.Context{Patients: []poct.PatientNews{
			{Ref: ref("7"), Family: says(""), Given: says(""), BirthDate: says("")}}}},
		{"a month is no birth date", "A31", []string{evn, `PID|1||7||Q||196112`}, poct.Context{Patients: []poct.PatientNews{{Ref: ref("7"), Family: says("Q")}}}},
		{"A40 of two pairs", "A40", []string{evn, `PID|1||7`, `MRG|3`, `PID|2||9^^^HARBOUR~8`, `MRG|4~5^^^HARBOUR`}, poct.Context{
			Patients: []poct.PatientNews{{Ref: ref("7")}, {Ref: poct.PatientRef{Authority: "HARBOUR", ID: "9"}}, {Ref: ref("8")}},
			Merges: []poct.MergeNews{{Retires: ref("3"), Survives: ref("7")}, {Retires: ref("4"), Survives: ref("8")},
				{Retires: poct.PatientRef{Authority: "HARBOUR", ID: "5"}, Survives: poct.PatientRef{Authority: "HARBOUR", ID: "9"}}}}},
		{"A47, one identifier unchanged", "A47", []string{evn, `PID|1||7~N9^^^NHS`, `MRG|3~N9^^^NHS`}, poct.Context{
			Patients: []poct.PatientNews{{Ref: ref("7")}, {Ref: poct.PatientRef{Authority: "NHS", ID: "N9"}}},
			Merges:   []poct.MergeNews{{Retires: ref("3"), Survives: ref("7")}}}},
		{"not used here", "A02", []string{evn, pid, pv1}, poct.Context{}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			d, ok := contextOf(t, house, append([]string{adt(tt.event)}, tt.segments...)...)
			require.True(t, ok)
			require.Empty(t, d.Problems)
			assert.Equal(t, poct.KindContext, d.Reading.Kind)
			assert.Equal(t, "ADT^"+tt.event, d.Reading.Event)
			tt.want.Event, tt.want.AsOf = "ADT^"+tt.event, at
			assert.Equal(t, tt.want, *d.Context)
		})
	}
}

// What cannot be read as a whole counts for nothing.
func TestContextThatCannotBeUsed(t *testing.T) {
	bare := house
	bare.Authority, bare.Zone = "", nil
	for _, tt := range []struct {
		name     string
		rule     ContextRule
		segments []string
		want     string
	}{
		{"no patient", house, []string{adt("A04"), evn}, "no PID segment"},
		{"no identifier", house, []string{adt("A04"), evn, "PID|1||"}, "names no patient identifier"},
		{"no authority", bare, []string{adt("A04"), evn, "PID|1||7"}, "names no assigning authority"},
		{"no zone", bare, []string{strings.Replace(adt("A04"), "+0100", "", 1), "EVN||20260305090000", "PID|1||7^^^M"}, "write time_zone"},
		{"no time", house, []string{strings.Replace(adt("A04"), "20260305090500+0100", "", 1), "PID|1||7"}, "when it happened"},
		{"a time that is none", house, []string{adt("A04"), "EVN||yesterday", "PID|1||7"}, "cannot be read"},
		{"an identifier in bytes that cannot be read", house, []string{adt("A04"), evn, "PID|1||7\xff8"}, "cannot be read in its character set"},
		{"itself", house, []string{adt("A40"), evn, "PID|1||7", "MRG|7"}, "with itself"},
		{"two survivors", house, []string{adt("A40"), evn, "PID|1||7~8", "MRG|3"}, "several of the same"},
		{"adt where orders come in", ContextRule{Accepts: []string{AcceptOrders}}, []string{adt("A04"), evn, "PID|1||7"}, "does not take messages about patients"},
		{"orders where results come in", ContextRule{}, []string{orm, "PID|1||7", "ORC|NW|P-1"}, "does not take orders"},
		{"results where none come in", house, []string{msh, pid}, "does not take results"},
		{"an order without a number", house, []string{orm, "PID|1||7", "ORC|NW", "OBR|1"}, "has no number"},
		{"an order without a patient", house, []string{orm, "ORC|NW|P-1"}, "names no patient"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			d, ok := contextOf(t, tt.rule, tt.segments...)
			require.True(t, ok)
			require.Len(t, d.Problems, 1)
			assert.Contains(t, d.Problems[0].Text, tt.want)
			assert.Equal(t, poct.KindUnread, d.Reading.Kind)
			assert.Nil(t, d.Context)
		})
	}
	_, ok := contextOf(t, ContextRule{}, msh, pid)
	assert.False(t, ok, "a result is read by its profile")
}

const orm = `MSH|^~\&|HOUSE|millrace|T|X|20260305090500+0100||ORM^O01^ORM_O01|C1|P|2.5.1`

// Order control codes are those of HL7 table 0119, statuses those of table 0038.
func TestContextOfOrders(t *testing.T) {
	at := time.Date(2026, 3, 5, 8, 5, 0, 0, time.UTC)
	order := poct.Order{ID: "P-1", Placer: "P-1", Authority: "MILLRACE", Patient: "7", Code: "46418-0", Placed: at, Status: poct.OrderOpen}
	with := func(change func(*poct.Order)) poct.Order {
		o := order
		change(&o)
		return o
	}
	for _, tt := range []struct {
		name     string
		segments []string
		want     []poct.Order
	}{
		{"new", []string{orm, "PID|1||7", "ORC|NW|P-1^HOUSE", "OBR|1|||46418-0^INR^LN"}, []poct.Order{order}},
		{"code in the alternate", []string{orm, "PID|1||7", "ORC|NW|P-1", "OBR|1|||^^^46418-0^INR^LN"}, []poct.Order{order}},
		{"cancelled", []string{orm, "PID|1||7", "ORC|CA|P-1", "OBR|1|||46418-0"}, []poct.Order{with(func(o *poct.Order) { o.Status = poct.OrderCancelled })}},
		{"completed", []string{orm, "PID|1||7", "ORC|SC|P-1|F-1||CM", "OBR|1|||46418-0"}, []poct.Order{with(func(o *poct.Order) { o.Filler, o.Status = "F-1", poct.OrderCompleted })}},
		{"changed", []string{orm, "PID|1||7", "ORC|XO|P-1", "OBR|1|||46418-0"}, []poct.Order{with(func(o *poct.Order) { o.Status = "" })}},
		{"with a range", []string{orm, "PID|1||7", "ORC|NW|P-1", "OBR|1|||46418-0", "OBX|1|ST|TARGET||2.0 - 3.0"},
			[]poct.Order{with(func(o *poct.Order) { o.TargetLow, o.TargetHigh = poct.MustNumber("2.0"), poct.MustNumber("3.0") })}},
		{"with a structured range", []string{orm, "PID|1||7", "ORC|NW|P-1", "OBR|1|||46418-0", "OBX|1|SN|TARGET||^2.0^-^3.0"},
			[]poct.Order{with(func(o *poct.Order) { o.TargetLow, o.TargetHigh = poct.MustNumber("2.0"), poct.MustNumber("3.0") })}},
		{"with a range that is none", []string{orm, "PID|1||7", "ORC|NW|P-1", "OBR|1|||46418-0", "OBX|1|ST|TARGET||3.0-2.0", "OBX|2|ST|TARGET||normal"}, []poct.Order{order}},
		{"prior results are no orders", []string{strings.Replace(orm, "ORM^O01^ORM_O01", "OML^O21^OML_O21", 1), "PID|1||7", "ORC|NW|P-1", "OBR|1|||46418-0",
			"PID|1||7", "ORC|PR|P-0", "OBR|1|||46418-0", "OBX|1|NM|INR||2.0", "OBR|2|||46418-0", "OBX|1|NM|INR||2.1"}, []poct.Order{order}},
		{"when it is for", []string{strings.Replace(orm, "ORM^O01^ORM_O01", "OML^O21^OML_O21", 1), "PID|1||7", "ORC|NW|P-1", "TQ1|1||||||20260306080000+0000", "OBR|1|||46418-0"},
			[]poct.Order{with(func(o *poct.Order) { o.Placed = at.Add(24*time.Hour - 5*time.Minute) })}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			d, ok := contextOf(t, house, tt.segments...)
			require.True(t, ok)
			require.Empty(t, d.Problems)
			var got []poct.Order
			for _, n := range d.Context.Orders {
				got = append(got, n.Order)
			}
			assert.Equal(t, tt.want, got)
		})
	}
}

// FuzzDecodeContext: whatever comes, either nothing of it counts, with a
// reason, or every identifier has an authority and every row a key.
func FuzzDecodeContext(f *testing.F) {
	for _, s := range [][]string{
		{adt("A04"), evn, `PID|1||7^^^MILLRACE^MR||Quarry^Ines||19611231|F`, `PV1|1|O|ROOM1^^^millrace||||||||||||||||V-1`},
		{adt("A40"), evn, `PID|1||7~8^^^H`, `MRG|3~4^^^H`, `PID|2||""`, `MRG`},
		{adt("A31"), `EVN|A31|2026`, `PID|1||7~~^^^&x&ISO||""^\X41\||1961`},
		{orm, `PID|1||7`, `PV1|1|O|^^^M`, `ORC|NW|P-1^H|F^F||CM`, `TQ1|1||||||2026`, `OBR|1|||^^^X`, `OBX|1|SN|TARGET||^2^-^3`, `ORC|CA`, `OBR`},
		{strings.Replace(orm, "ORM^O01^ORM_O01", "OML^O21^OML_O21", 1), `ORC|NW|P-1`, `PID|1||7`, `OBR|1`},
	} {
		f.Add([]byte(message(s...)))
	}
	f.Fuzz(func(t *testing.T, raw []byte) {
		d, ok := DecodeContext(poct.Arrival{ID: "a", Format: "hl7v2", Raw: raw}, house)
		if !ok {
			return
		}
		sane(t, raw, []Decoded{d})
		if d.Context == nil {
			return
		}
		c := d.Context
		if !c.Empty() && c.AsOf.At.IsZero() {
			t.Fatal("nobody knows when it happened")
		}
		refs := []poct.PatientRef{}
		for _, p := range c.Patients {
			refs = append(refs, p.Ref)
		}
		for _, m := range c.Merges {
			refs = append(refs, m.Retires, m.Survives)
			if m.Retires == m.Survives || m.Retires.Authority != m.Survives.Authority {
				t.Fatalf("merge of %v", m)
			}
		}
		for _, v := range c.Visits {
			refs = append(refs, v.Patient)
		}
		for _, o := range c.Orders {
			refs = append(refs, poct.PatientRef{Authority: o.Order.Authority, ID: o.Order.Patient})
			if o.Order.ID == "" {
				t.Fatal("an order without a number")
			}
		}
		for _, r := range refs {
			if r.ID == "" || r.Authority == "" {
				t.Fatalf("identifier %v", r)
			}
		}
	})
}
