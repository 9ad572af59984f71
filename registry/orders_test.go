package registry_test

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidegate/poct"
	"tidegate/registry"
)

func TestOrdersFromATable(t *testing.T) {
	rows, refused, err := registry.ReadCSV(poct.Orders, strings.NewReader(`order,authority,patient,code,placed,site,status,target_low,target_high
P-1,MILLRACE,7,46418-0,2024-03-05T08:00:00+01:00,millrace,,2.0,3.0
P-2,MILLRACE,7,46418-0,2024-03-05T08:00:00+01:00,,completed,,
P-3,MILLRACE,7,46418-0,2024-03-05T08:00:00+01:00,,done,,
P-4,MILLRACE,7,46418-0,2024-03-05T08:00:00+01:00,,,2.0,
P-5,MILLRACE,7,46418-0,2024-03-05T08:00:00+01:00,,,3.0,2.0
P-1,MILLRACE,7,46418-0,2024-03-05T08:00:00+01:00,,,,
`))
	require.NoError(t, err)
	require.Len(t, rows.Orders, 2)
	assert.Equal(t, []string{"P-1", "open", "2.0", "3.0"}, []string{rows.Orders[0].Placer, rows.Orders[0].Status, rows.Orders[0].TargetLow.Text, rows.Orders[0].TargetHigh.Text})
	var columns []string
	for _, r := range refused {
		columns = append(columns, r.Column)
	}
	assert.Equal(t, []string{"status", "target_high", "target_high", "order"}, columns)
}

func TestFactsFindTheOrder(t *testing.T) {
	order := func(id string, change func(*poct.Order)) poct.Order {
		o := poct.Order{ID: id, Placer: id, Authority: "MILLRACE", Patient: "MRN0007", Code: "46418-0", Placed: tested.Add(-time.Hour), Status: poct.OrderOpen}
		if change != nil {
			change(&o)
		}
		return o
	}
	for _, tt := range []struct {
		name   string
		orders []poct.Order
		sent   string // number that the meter sent
		want   string
		fit    int // several
	}{
		{"the one", []poct.Order{order("P-1", nil)}, "", "P-1", 0},
		{"several", []poct.Order{order("P-1", nil), order("P-2", nil)}, "", "", 2},
		{"several, and the meter names one", []poct.Order{order("P-1", nil), order("P-2", nil)}, "P-2", "P-2", 0},
		{"the meter names the filler's number", []poct.Order{order("P-1", func(o *poct.Order) { o.Filler = "F-1" })}, "F-1", "P-1", 0},
		{"the meter names none that is there", []poct.Order{order("P-1", nil)}, "P-9", "", 0},
		{"a named one may be long ago, and completed", []poct.Order{order("P-1", func(o *poct.Order) { o.Placed, o.Status = tested.AddDate(0, -1, 0), poct.OrderCompleted })}, "P-1", "P-1", 0},
		{"a named one is not cancelled", []poct.Order{order("P-1", func(o *poct.Order) { o.Status = poct.OrderCancelled })}, "P-1", "", 0},
		{"under a merged identifier", []poct.Order{order("P-1", func(o *poct.Order) { o.Patient = "MRN0003" })}, "", "P-1", 0},
		{"another patient's", []poct.Order{order("P-1", func(o *poct.Order) { o.Patient = "MRN0008" })}, "", "", 0},
		{"another site's", []poct.Order{order("P-1", func(o *poct.Order) { o.Site = "saltmarsh" })}, "", "", 0},
		{"another test", []poct.Order{order("P-1", func(o *poct.Order) { o.Code = "2345-7" })}, "", "", 0},
		{"at the window's edge", []poct.Order{order("P-1", func(o *poct.Order) { o.Placed = tested.Add(-24 * time.Hour) })}, "", "P-1", 0},
		{"before the window", []poct.Order{order("P-1", func(o *poct.Order) { o.Placed = tested.Add(-24*time.Hour - time.Second) })}, "", "", 0},
		{"entered just after the test", []poct.Order{order("P-1", func(o *poct.Order) { o.Placed = tested.Add(10 * time.Minute) })}, "", "P-1", 0},
		{"completed", []poct.Order{order("P-1", func(o *poct.Order) { o.Status = poct.OrderCompleted })}, "", "", 0},
	} {
		t.Run(tt.name, func(t *testing.T) {
			book := full()
			book.rows.Orders = tt.orders
			r := reading()
			r.Patient.ID, r.Order = "MRN0003", tt.sent // merged into MRN0007
			r.Measurements = []poct.Measurement{{Analyte: "inr", LOINC: "46418-0"}}
			f, err := registry.Look{Orders: registry.Orders{Window: 24 * time.Hour}}.Facts(book, r, tested, tested)
			require.NoError(t, err)
			got := ""
			if f.Order != nil {
				got = f.Order.ID
			}
			assert.Equal(t, tt.want, got)
			assert.Len(t, f.Orders, tt.fit)
		})
	}
}
