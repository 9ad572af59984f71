package web_test

import (
	"context"
	"net/http"
	"net/url"
	"regexp"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidegate/poct"
	"tidegate/testkit/clinic"
	"tidegate/web"
)

// causeNamed is the page of the cause whose holds' first problem has this heading.
func causeNamed(t *testing.T, v *visitor, heading string) string {
	t.Helper()
	for _, path := range regexp.MustCompile(`/holds/causes/[0-9a-f]+`).FindAllString(v.get("/holds").body, -1) {
		if regexp.MustCompile(heading).MatchString(v.get(path).heading()) {
			return path
		}
	}
	t.Fatalf("no cause is headed %q", heading)
	return ""
}

// Before a cause is checked again its page says what that would do, and does nothing.
func TestACauseIsPreviewed(t *testing.T) {
	c := clinic.New()
	h := serve(t, c)
	v := h.signIn("coordinator")
	path := causeNamed(t, v, "Strip lot 7K4O231")
	assert.Contains(t, v.get(path).body, "6 results will be checked again. As things stand 0 would pass, 6 stay held (strip lot unknown 6).")
	_, _, err := c.Upsert(t.Context(), "k.osei", poct.RegistryRows{StripLots: []poct.StripLot{{Lot: "7K4O231", Model: "Quill 3", Expires: "2027-06-30"}}})
	require.NoError(t, err)
	before, err := h.Size(t.Context())
	require.NoError(t, err)
	assert.Contains(t, v.get(path).body, "6 results will be checked again. As things stand 6 would pass, 0 stay held.")
	after, err := h.Size(t.Context())
	require.NoError(t, err)
	events, err := h.Events(t.Context(), before, int(after-before))
	require.NoError(t, err)
	for _, e := range events {
		assert.Equal(t, poct.EventLooked, e.Kind, "a preview changes nothing")
	}
}

// testPatients shows the holds of overdue controls as such of test patients.
type testPatients struct{ *clinic.Clinic }

func (r testPatients) Holds(ctx context.Context, f web.HoldFilter) ([]poct.HoldRecord, error) {
	all, err := r.Clinic.Holds(ctx, f)
	all = slices.Clone(all)
	for i := range all {
		if all[i].Problems[0].Code == "qc-overdue" {
			all[i].Problems = []poct.Problem{{Check: "11", Code: "test-patient", Severity: poct.Hold, Field: poct.FieldPatient, Text: "The patient is a test patient."}}
		}
	}
	return all, err
}

// Holds are discarded together only where the check allows it, with their
// count typed, each logged by itself.
func TestDiscardTogether(t *testing.T) {
	c := clinic.New()
	h := serve(t, c, func(s *web.Settings) { s.Reader = testPatients{c} })
	v := h.signIn("coordinator")
	lot := causeNamed(t, v, "Strip lot 7K4O231")
	assert.NotContains(t, v.get(lot).body, "Or discard", "a patient's results are never discarded together")
	id := clinic.ID("c", 1) + " 1"
	assert.Equal(t, http.StatusUnprocessableEntity, v.post(lot+"/discard", url.Values{"hold": {id}, "count": {"1"}, "reason": {"Long enough a reason"}}).StatusCode)

	path := causeNamed(t, v, "test patient")
	page := v.get(path)
	assert.Contains(t, page.body, "Or discard them")
	form := url.Values{"reason": {"All of the training session"}, "count": {"7"}}
	for _, m := range regexp.MustCompile(`name="hold" value="([^"]+)"`).FindAllStringSubmatch(page.body, -1) {
		form.Add("hold", m[1])
	}
	require.Len(t, form["hold"], 7)
	for _, tc := range []struct{ field, value, has string }{{"count", "6", "Type how many"}, {"reason", "short", "10 characters or more"}} {
		wrong := url.Values{"reason": form["reason"], "count": form["count"], "hold": form["hold"]}
		wrong.Set(tc.field, tc.value)
		got := v.post(path+"/discard", wrong)
		assert.Equal(t, http.StatusUnprocessableEntity, got.StatusCode, tc.field)
		assert.Contains(t, got.body, tc.has, tc.field)
	}
	before, err := h.Size(t.Context())
	require.NoError(t, err)
	assert.Equal(t, http.StatusSeeOther, v.post(path+"/discard", form).StatusCode)
	assert.Contains(t, v.get("/holds").body, "7 results discarded; each stays readable here.")
	events, err := h.Events(t.Context(), before, 1000)
	require.NoError(t, err)
	n := 0
	for _, e := range events {
		if e.Kind == poct.EventDiscarded {
			n++
			assert.Equal(t, "k.osei", e.Actor)
		}
	}
	assert.Equal(t, 7, n, "each is logged by itself")
}

// From Today one finds in at most three steps why a result is not in the
// record: the search in the band, the row, the answer in the heading.
func TestWhyIsItNotInTheRecord(t *testing.T) {
	v := serve(t, clinic.New()).signIn("reviewer")
	require.Contains(t, v.get("/").body, `action="/find"`)
	found := v.post("/find", url.Values{"text": {clinic.ID("b", 1)}}) // one: search
	require.Equal(t, http.StatusSeeOther, found.StatusCode)
	link := regexp.MustCompile(`href="(/results/[^"]+)" data-row`).FindStringSubmatch(v.get(found.Header.Get("Location")).body)
	require.NotNil(t, link)
	got := v.get(link[1]) // two: the row
	assert.Equal(t, "Held since 08:06:26: strip lot 7K4O231 is not in the registry.", got.heading())
	assert.Contains(t, got.body, "Settle it")
}
