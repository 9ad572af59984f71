package storetest

import (
	"fmt"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidegate/poct"
)

// news is a message about patients that changes rows and touches identifiers.
func news(minute int, rows poct.RegistryRows, touched ...string) poct.Outcome {
	o := Released("", "", "2.4")
	o.Result.Reading = poct.Reading{Kind: poct.KindContext, Event: "ADT^A08", Where: map[string]poct.Span{poct.FieldMessage: {To: minute}}}
	o.Result.Patient, o.Result.Key, o.Result.Site, o.Result.SiteName = poct.Patient{}, "", "", ""
	o.Verdict, o.Action, o.Outlets, o.Registry = poct.File, "", nil, rows
	for _, id := range touched {
		o.Touched = append(o.Touched, poct.PatientRef{Authority: "MILLRACE", ID: id})
	}
	return o
}

func asOf(minute int) poct.AsOf { return poct.AsOf{At: at(minute), Sent: at(minute)} }

// testContext is what messages about patients change, with their decision.
func testContext(t *testing.T, open Open) {
	person := func(minute int, family string) poct.RegistryRows {
		return poct.RegistryRows{Patients: []poct.Patient{{Authority: "MILLRACE", ID: "9001", Family: family, AsOf: asOf(minute)}}}
	}
	t.Run("rows come with the decision", func(t *testing.T) {
		w := NewWorld(t, open)
		rows := person(10, "Quarry")
		rows.Visits = []poct.Visit{{ID: "V-1", Authority: "MILLRACE", Patient: "9001", Start: at(1), AsOf: asOf(10)}}
		rows.Orders = []poct.Order{
			{ID: "P-2", Placer: "P-2", Authority: "MILLRACE", Patient: "9001", Code: "46418-0", Placed: at(2), Status: poct.OrderOpen, TargetLow: poct.MustNumber("2.0"), TargetHigh: poct.MustNumber("3.0"), AsOf: asOf(10)},
			{ID: "P-1", Authority: "MILLRACE", Patient: "9001", Status: poct.OrderCancelled, AsOf: asOf(10)},
			{ID: "P-3", Authority: "HARBOUR", Patient: "9001", Status: poct.OrderOpen, AsOf: asOf(10)},
		}
		id := w.Take(news(10, rows, "9001"))[0]
		assert.Equal(t, poct.Filed, w.State(id))
		assert.Equal(t, "received read filed registry-changed", w.Kinds(id))
		b := w.Book()
		patients, err := b.Patients("MILLRACE", "9001")
		require.NoError(t, err)
		assert.Equal(t, rows.Patients, patients)
		visits, err := b.Visits("MILLRACE", "9001")
		require.NoError(t, err)
		assert.Equal(t, rows.Visits, visits)
		orders, err := b.Orders("MILLRACE", "9001")
		require.NoError(t, err)
		assert.Equal(t, []poct.Order{rows.Orders[1], rows.Orders[0]}, orders, "by their number, of this authority alone")
		listed, _, err := w.Registry(w.Ctx, poct.Orders, "", 0)
		require.NoError(t, err)
		assert.Len(t, listed.Orders, 3)
		w.Verifies()
	})
	t.Run("a message that changes nothing is filed all the same", func(t *testing.T) {
		w := NewWorld(t, open)
		w.Take(news(10, person(10, "Quarry"), "9001"))
		id := w.Take(news(11, person(10, "Quarry"), "9001"))[0]
		assert.Equal(t, "received read filed", w.Kinds(id))
		w.Verifies()
	})
	t.Run("tables and messages", func(t *testing.T) {
		w := NewWorld(t, open)
		w.Take(news(10, person(10, "Quarry"), "9001"))
		table := poct.RegistryRows{Patients: []poct.Patient{{Authority: "MILLRACE", ID: "9001", Family: "Table"}}}
		for _, c := range []struct {
			actor   string
			changed int
			family  string
		}{{poct.System, 0, "Quarry"}, {"k.osei", 1, "Table"}, {"k.osei", 0, "Table"}} {
			_, changed, err := w.Upsert(w.Ctx, c.actor, table)
			require.NoError(t, err)
			assert.Equal(t, c.changed, changed, c.actor)
			patients, err := w.Book().Patients("MILLRACE", "9001")
			require.NoError(t, err)
			assert.Equal(t, c.family, patients[0].Family)
			assert.False(t, patients[0].AsOf.At.IsZero(), "what a person told counts from then on")
		}
		w.Verifies()
	})
	t.Run("which holds are judged again", func(t *testing.T) {
		for _, c := range []struct {
			name    string
			held    poct.Outcome
			touched string
			want    int
		}{
			{"unknown", test(30, heldFor("patient-unknown"), ofPatient("", "", "9001")), "9001", 1},
			{"ambiguous", test(30, heldFor("patient-ambiguous"), ofPatient("", "", "9001")), "9001", 1},
			{"second identifier", test(30, heldFor("second-identifier-conflict"), ofPatient("MILLRACE", "9001", "9001")), "9001", 1},
			{"order", test(30, heldFor("order-missing", "lot-unknown"), ofPatient("MILLRACE", "9001", "9001")), "9001", 1},
			{"another patient", test(30, heldFor("patient-unknown"), ofPatient("", "", "9002")), "9001", 0},
			{"another authority", test(30, heldFor("patient-unknown"), ofPatient("HARBOUR", "9001", "9001")), "9001", 0},
			{"something else", test(30, heldFor("lot-unknown"), ofPatient("MILLRACE", "9001", "9001")), "9001", 0},
		} {
			w := NewWorld(t, open)
			w.Take(c.held)
			cause := w.Take(news(31, person(31, "Quarry"), c.touched))[0]
			n, err := w.Rejudge(w.Ctx, 10, func(_ poct.Book, h poct.HoldRecord, _ poct.Arrival, st poct.Settlement) (poct.Decision, error) {
				assert.Equal(t, fmt.Sprintf("Message %s told of the patient.", cause), st.Reason)
				return poct.Decision{Outcomes: []poct.Outcome{Of(h.Result, test(30))}}, nil
			})
			require.NoError(t, err, c.name)
			assert.Equal(t, c.want, n, c.name)
			w.Verifies()
		}
	})
}
