package web_test

import (
	"context"
	"errors"
	"io"
	"net/http"
	"net/url"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidegate/ledger"
	"tidegate/poct"
	"tidegate/testkit/clinic"
	"tidegate/web"
)

func TestRegistryPages(t *testing.T) {
	h := serve(t, clinic.New())
	v := h.signIn("coordinator")
	list := v.get("/registry")
	assert.Regexp(t, `^What is believed: \d+ rows\.$`, list.heading())
	assert.Contains(t, list.body, "about patients: not listed")
	assert.NotContains(t, list.body, `href="/registry/patients"`)
	rows := v.get("/registry/meters")
	assert.Regexp(t, `^Meters: \d+ rows\.$`, rows.heading())
	for _, want := range []string{"<th scope=\"col\">serial</th>", "M-2041", "Believed since", "07:12", "k.osei"} {
		assert.Contains(t, rows.body, want)
	}
	was := v.get("/registry/meters?row=M-2019")
	assert.Contains(t, was.body, "What was believed of M-2019")
	assert.Contains(t, was.body, "site: quay became saltmarsh")
	assert.Contains(t, was.body, "r.ito")
	assert.Equal(t, "Rows about patients are not listed.", v.get("/registry/patients").heading())
	assert.Equal(t, http.StatusNotFound, v.get("/registry/none").StatusCode)
	assert.Equal(t, http.StatusNotFound, v.get("/registry/meters?row=M-0").StatusCode)
	assert.NotContains(t, h.signIn("auditor").get("/registry").body, "Look at it", "an auditor brings nothing")
	assert.NotContains(t, h.signIn("engineer").get("/registry").body, `<option value="operators"`, "operators are the coordinator's")
	assert.Empty(t, h.Looks())
}

// registryThat answers imports as a test asks.
type registryThat struct {
	dry, real []web.ImportReport // one for each call, the last again and again
	did       int
}

func (r *registryThat) do(_ context.Context, _ string, _ poct.RegistryKind, rows io.Reader, _ string, dry bool) (web.ImportReport, error) {
	if _, err := io.ReadAll(rows); err != nil {
		return web.ImportReport{}, err
	}
	list := &r.real
	if dry {
		list = &r.dry
	} else {
		r.did++
	}
	out := (*list)[0]
	if len(*list) > 1 {
		*list = (*list)[1:]
	}
	return out, nil
}

// A table is looked at first; bringing it is a second act, and where much
// changes the count is typed.
func TestATableIsLookedAtFirst(t *testing.T) {
	much := web.ImportReport{Added: 1, Changed: 4, Refused: []web.Refusal{{Line: 3, Column: "state", Reason: `"lost" is no state`}}}
	form := url.Values{"kind": {"meters"}, "table": {"serial,model,site,state\nM-1,Quill 3,millrace,\n"}}
	t.Run("looked at, then brought", func(t *testing.T) {
		reg := &registryThat{dry: []web.ImportReport{much}, real: []web.ImportReport{much}}
		v := serve(t, clinic.New(), func(s *web.Settings) { s.Import = reg.do }).signIn("engineer")
		sent := v.post("/registry/imports", form)
		require.Equal(t, http.StatusSeeOther, sent.StatusCode, sent.body)
		at := sent.Header.Get("Location")
		page := v.get(at)
		assert.Regexp(t, `^It would add 1 and change 4 of \d+ rows of meters\.$`, page.heading())
		for _, want := range []string{"Nothing was changed yet.", "1 line would be refused", `<td class="num">3</td><td>state</td>`, "How many rows change?"} {
			assert.Contains(t, page.body, want)
		}
		assert.Zero(t, reg.did)
		wrong := v.post(at+"/apply", url.Values{"count": {"5"}})
		assert.Equal(t, http.StatusUnprocessableEntity, wrong.StatusCode)
		assert.Contains(t, wrong.body, `href="#f-count"`)
		assert.Zero(t, reg.did)
		assert.Equal(t, http.StatusSeeOther, v.post(at+"/apply", url.Values{"count": {"4"}}).StatusCode)
		assert.Equal(t, 1, reg.did)
		assert.Contains(t, v.get("/registry").body, "Meters: 1 added, 4 changed, 1 line refused.")
		assert.Equal(t, http.StatusNotFound, v.post(at+"/apply", url.Values{"count": {"4"}}).StatusCode, "a second press changes nothing")
		assert.Equal(t, 1, reg.did)
	})
	t.Run("overtaken", func(t *testing.T) {
		reg := &registryThat{dry: []web.ImportReport{much, {Added: 1, Changed: 5}}, real: []web.ImportReport{much}}
		v := serve(t, clinic.New(), func(s *web.Settings) { s.Import = reg.do }).signIn("coordinator")
		at := v.post("/registry/imports", form).Header.Get("Location")
		late := v.post(at+"/apply", url.Values{"count": {"4"}})
		assert.Equal(t, http.StatusConflict, late.StatusCode)
		assert.Contains(t, late.body, "The registry changed since you looked.")
		assert.Zero(t, reg.did)
		assert.Equal(t, http.StatusSeeOther, v.post(at+"/apply", url.Values{"count": {"5"}}).StatusCode)
	})
	t.Run("somebody else's", func(t *testing.T) {
		h := serve(t, clinic.New())
		at := h.signIn("coordinator").post("/registry/imports", form).Header.Get("Location")
		assert.Equal(t, http.StatusNotFound, h.signIn("engineer").get(at).StatusCode)
	})
	v := serve(t, clinic.New()).signIn("engineer")
	for name, tc := range map[string]struct {
		form url.Values
		has  string
	}{
		"not theirs": {url.Values{"kind": {"operators"}, "table": {"operator\n1\n"}}, "Choose what the rows are"},
		"nothing":    {url.Values{"kind": {"meters"}}, "Paste a table"},
		"too much":   {url.Values{"kind": {"meters"}, "table": {strings.Repeat("x", 8<<20+1)}}, "at most 8 MiB"},
	} {
		got := v.post("/registry/imports", tc.form)
		assert.Equal(t, http.StatusUnprocessableEntity, got.StatusCode, name)
		assert.Contains(t, got.body, tc.has, name)
	}
}

func TestLedgerPages(t *testing.T) {
	h := serve(t, clinic.New())
	v := h.signIn("auditor")
	page := v.get("/ledger")
	assert.Regexp(t, `^The ledger holds .* events\.$`, page.heading())
	for _, want := range []string{"and 2 younger than it", "9a41 c07e", "millrace.example/1", "Whether it is whole was not verified", "Verify it now", `href="/ledger?before=105"`} {
		assert.Contains(t, page.body, want)
	}
	assert.Contains(t, v.get("/ledger?before=105").body, "/results/"+clinic.DeliveredID)
	assert.NotContains(t, h.signIn("harbour").get("/ledger").body, "Events, newest first", "events are of all sites")

	v.get("/results/" + clinic.DeliveredID + "?patient=show")
	looks := v.get("/ledger/looks")
	assert.Contains(t, looks.body, "auditor.one")
	assert.Contains(t, looks.body, "timeline, inr, patient")
	assert.Contains(t, v.get("/ledger/looks?by=nobody").body, "None among these events.")
	assert.Contains(t, v.get("/ledger/looks?of="+clinic.DeliveredID).body, "timeline, inr, patient")
	assert.Equal(t, http.StatusForbidden, h.signIn("coordinator").get("/ledger/looks").StatusCode)
}

// slowLog verifies when it is told to.
type slowLog struct {
	clinic.Log
	began, end chan struct{}
	result     ledger.Verification
	err        error
}

func (l slowLog) Verify(ctx context.Context, progress func(done, of int64)) (ledger.Verification, error) {
	progress(12000, 48000)
	close(l.began)
	<-l.end
	return l.result, l.err
}

// A verification goes on beside the pages, once, and says how it ended.
func TestTheLedgerIsVerified(t *testing.T) {
	for _, tc := range []struct {
		name   string
		result ledger.Verification
		err    error
		has    string
	}{
		{"whole", ledger.Verification{Verified: true, Size: 48000}, nil, "fit the signed heads"},
		{"not whole", ledger.Verification{Size: 48000, Faults: []ledger.Fault{{Index: 48, What: "its leaf is another"}}}, nil, "event 48: its leaf is another"},
		{"not carried out", ledger.Verification{}, errors.New("disk"), "It could not be verified"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			c := clinic.New()
			log := slowLog{clinic.Log{Clinic: c}, make(chan struct{}), make(chan struct{}), tc.result, tc.err}
			h := serve(t, c, func(s *web.Settings) { s.Ledger = log })
			v := h.signIn("auditor")
			assert.Equal(t, http.StatusSeeOther, v.post("/ledger/verify", nil).StatusCode)
			<-log.began
			assert.Equal(t, http.StatusSeeOther, v.post("/ledger/verify", nil).StatusCode, "a second press changes nothing")
			assert.Contains(t, v.get("/ledger").body, "Being verified: 12\u202f000 of 48\u202f000.")
			close(log.end)
			web.Settle(h.web)
			got := v.get("/ledger")
			assert.Contains(t, got.body, tc.has)
			assert.Contains(t, got.body, "for auditor.one")
		})
	}
}

// What is reckoned of a patient comes from the results of one's own sites.
func TestTimeInRangeOfOnesOwnSites(t *testing.T) {
	c := clinic.New()
	p, to := poct.PatientRef{Authority: "MILLRACE", ID: "T-100482"}, c.Now()
	for _, tc := range []struct {
		role  string
		sites []string
		want  int
	}{{"coordinator", []string{"*"}, 7}, {"auditor", []string{"harbour"}, 7}, {"coordinator", []string{"millrace"}, 4}, {"coordinator", []string{"harbour"}, 3}, {"coordinator", []string{"quay"}, 0}} {
		got, err := c.Coordinator().TimeInRange(t.Context(), poct.Actor{Name: "x", Role: tc.role, Sites: tc.sites}, p, "", "", to.AddDate(-1, 0, 0), to)
		require.NoError(t, err)
		assert.Len(t, got.Series, tc.want, "%s of %v", tc.role, tc.sites)
	}
}
