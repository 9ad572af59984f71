package app_test

import (
	"encoding/json"
	"fmt"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidegate/quality"
	"tidegate/review"
)

// control is a control run of meter Q3-0118.
func (h *house) control(lot, level, inr string, ago time.Duration) {
	h.t.Helper()
	h.seq++
	at := stamp(time.Now().Add(-ago))
	require.Contains(h.t, h.send(fmt.Appendf(nil, "MSH|^~\\&|QUILL3|millrace|TIDEGATE|MILLRACE|{sent}||ORU^R01^ORU_R01|life-%d|P|2.5.1\r"+
		"OBR|1||%d^Q3-0118|INR^PT^99QUILL|||%s\r"+
		"OBX|1|NM|34714-6^INR^LN||%s|{INR}^^UCUM|||||F|||%s||118|QUILL3|Q3-0118^QUILL3|%s\r"+
		"OBX|2|ST|STRIPLOT^Strip lot^99QUILL||%s||||||F\r"+
		"SPM|1|CQ-10||BLD|||||||Q|||%s\r", h.seq, h.seq, at, inr, at, at, lot, level)), "MSA|AA|")
}

// get asks the API and reads the answer.
func get[T any](h *house, who, path string) (v T) {
	h.t.Helper()
	status, b := h.ask(who, "GET", path, nil)
	require.Equal(h.t, 200, status, string(b))
	require.NoError(h.t, json.Unmarshal(b, &v))
	return v
}

// A new strip lot is accepted step by step: what is still needed says so, the
// constants are typed by somebody else, and the record says what it rests on.
func TestNewLotIsAcceptedOnEvidence(t *testing.T) {
	const lot, path = "Q2502", "quality/lots/Q2502"
	h := newHouse(t)
	decide := func(who string) (int, string) {
		status, b := h.ask(who, "POST", path+"/decide", map[string]string{"site": "millrace", "decision": "accepted", "reason": "all evidence seen and sound"})
		return status, string(b)
	}
	status, b := h.ask("c.hale", "POST", "registry/shipments", []map[string]string{{"shipment": "S-1", "strip_lot": lot, "site": "millrace",
		"arrived": time.Now().Add(-3 * time.Hour).Format(time.RFC3339), "use_by": ""}})
	require.Equal(t, 200, status, string(b))
	require.Contains(t, string(b), `"added":1`)

	n := get[review.NewLot](h, "c.hale", path+"?site=millrace")
	require.Len(t, n.Needs, 3, "%v", n.Needs) // controls, constants, pairs
	status, text := decide("c.hale")
	require.Equal(t, http.StatusUnprocessableEntity, status)
	require.Contains(t, text, "Run both control levels")

	h.control(lot, "1", "1.1", 100*time.Minute)
	h.control(lot, "2", "3.1", 99*time.Minute)
	h.rest()
	for i, inr := range []string{"1.9", "2.3", "2.6", "3.0", "3.4"} {
		old := h.test(i, inr, pt(inr))
		old.at = time.Now().Add(-time.Hour)
		h.send(old.bytes())
		h.rest()
		fresh := h.test(i, inr, pt(inr))
		fresh.lot, fresh.at = lot, time.Now().Add(-20*time.Minute)
		h.send(fresh.bytes())
		h.rest()
	}
	n = get[review.NewLot](h, "c.hale", path+"?site=millrace")
	require.Equal(t, []string{"A second person types ISI and MNPT from the box."}, n.Needs)
	require.Len(t, n.Pairs, 5)

	status, b = h.ask("c.hale", "POST", path+"/read-back", map[string]string{"site": "millrace", "isi": "1.01", "mnpt": "12.0"})
	require.Equal(t, 200, status, string(b))
	_, text = decide("c.hale")
	require.Contains(t, text, "are not those in the registry")
	status, b = h.ask("c.hale", "POST", path+"/read-back", map[string]string{"site": "millrace", "isi": "1.00", "mnpt": "12.0"})
	require.Equal(t, 200, status, string(b))
	status, text = decide("c.hale")
	require.Equal(t, http.StatusUnprocessableEntity, status)
	require.Contains(t, text, "You typed the constants yourself")
	status, b = h.ask("r.ito", "POST", path+"/read-back", map[string]string{"site": "millrace", "isi": "1.00", "mnpt": "12.0"})
	require.Equal(t, 200, status, string(b))
	status, _ = decide("r.ito")
	require.Equal(t, http.StatusForbidden, status, "a reviewer does not accept lots")
	status, text = decide("c.hale")
	require.Equal(t, 200, status, text)

	n = get[review.NewLot](h, "c.hale", path+"?site=millrace")
	require.NotNil(t, n.Decided)
	require.Equal(t, "r.ito", n.Decided.ReadBackBy)
	require.Equal(t, "S-1", n.Decided.Shipment)
	require.Equal(t, 5, n.Decided.Pairs)
	require.Contains(t, n.Decided.Evidence, "5 pairs from INR 1.9 to 3.4")
	require.Len(t, n.Decided.Controls, 2)
}

// pt is the seconds that agree with an INR at MNPT 12.0 s and ISI 1.00.
func pt(inr string) string {
	var x float64
	_, _ = fmt.Sscan(inr, &x)
	return fmt.Sprintf("%.1f", quality.PT(x, 12.0, 1.00))
}

func TestChartShowsControlsAndWhatWasDone(t *testing.T) {
	h := newHouse(t)
	h.control("Q2411", "2", "3.9", 30*time.Minute) // above 3.6
	h.rest()
	ch := get[review.Chart](h, "c.hale", "quality/controls/Q3-0118")
	require.Equal(t, "Q2411", ch.StripLot)
	last := ch.Points[len(ch.Points)-1]
	require.False(t, last.Passed)
	require.Equal(t, "3.9", last.Value.Text)
	require.False(t, last.Judged, "neither mean and SD nor the SDs that the range spans are in the registry, so nothing is guessed")

	status, b := h.ask("c.hale", "POST", "quality/controls/Q3-0118/actions", map[string]string{"what": "optics cleaned with a dry swab", "control": last.Result})
	require.Equal(t, 200, status, string(b))
	ch = get[review.Chart](h, "c.hale", "quality/controls/Q3-0118")
	require.Len(t, ch.Actions, 1)
	require.Equal(t, "c.hale", ch.Actions[0].By)

	status, _ = h.ask("r.ito", "POST", "quality/controls/Q3-0118/actions", map[string]string{"what": "nothing at all was done"})
	require.Equal(t, http.StatusForbidden, status)
	status, b = h.ask("c.hale", "POST", "quality/controls/Q3-0118/actions", map[string]string{"what": "wiped"})
	require.Equal(t, http.StatusUnprocessableEntity, status, string(b))
}

func TestReports(t *testing.T) {
	h := newHouse(t)
	who := h.people[6]
	for i, inr := range []string{"1.8", "2.6", "2.4"} {
		m := h.test(6, inr, pt(inr))
		m.at = time.Now().Add(-time.Duration(50-20*i) * time.Minute)
		h.send(m.bytes())
		h.rest()
	}
	status, b := h.ask("c.hale", "POST", "quality/time-in-range", map[string]string{"authority": "MILLRACE", "patient": who.Value, "low": "2.0", "high": "3.0"})
	require.Equal(t, 200, status, string(b))
	var ttr review.TimeInRange
	require.NoError(t, json.Unmarshal(b, &ttr))
	require.NotEmpty(t, ttr.Series)
	require.False(t, strings.Contains(string(b), who.Family), "a report of values names nobody")

	status, b = h.ask("c.hale", "POST", "quality/time-in-range", map[string]string{"patient": who.Value, "low": "3.0", "high": "2.0"})
	require.Equal(t, http.StatusUnprocessableEntity, status, string(b))

	cmp := get[review.Comparison](h, "a.quist", "quality/comparison?site=millrace")
	require.NotEmpty(t, cmp.Why, "there are no laboratory results yet, and it says so")
	status, _ = h.ask("n.osei", "GET", "quality/comparison", nil)
	require.Equal(t, http.StatusForbidden, status)

	e := get[review.DeviceErrors](h, "a.quist", "quality/device-errors?by=operator")
	require.NotEmpty(t, e.Groups)
	require.Contains(t, e.Advice, "never add blood")
}
