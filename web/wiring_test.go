package web_test

import (
	"bytes"
	"mime/multipart"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidegate/testkit/clinic"
	"tidegate/web"
)

// patientOf is what the first waiting message says of its patient.
var patientOf = []string{"T-100482", "SAMPLE", "IRIS", "19480314", "1948-03-14"}

func TestWiringPages(t *testing.T) {
	h := serve(t, clinic.New())
	v := h.signIn("engineer")
	for _, tc := range []struct {
		path, heading string
		has           []string
	}{
		{"/wiring", "Does the water run? 2 of 5 are not well.", []string{"127.0.0.1:2575", "silent", "does not answer", "The record system answers 503.", "3 results wait to be sent", "ward-phone", "Try a message"}},
		{"/wiring/inlets/millrace-tcp", "Inlet millrace-tcp listens since 06:00.", []string{"/wiring/profiles/quill-hl7", "/api/v1/arrivals/" + clinic.ID("a", 1) + "/raw", "held"}},
		{"/wiring/inlets/none", "Nothing here has this id.", nil},
		{"/wiring/outlets/record-fhir", "Outlet record-fhir does not answer since 09:50.", []string{"in order, the oldest for 9 min", "next try is at 09:59:00", "Pause record-fhir"}},
		{"/wiring/profiles/quill-hl7", "Profile quill-hl7 reads hl7v2 of Quill 3.", []string{"<mark>M-2041</mark>", "strip lot", "7K4O231", "tidegate rehearse --config NEW --since 30d"}},
		{"/wiring/profiles/none", "Nothing here has this id.", nil},
		{"/wiring/try?inlet=harbour-serial", "What would become of a message?", []string{`<option value="harbour-serial" selected>`, "Nothing is kept or sent"}},
	} {
		got := v.get(tc.path)
		assert.Equal(t, tc.heading, got.heading(), tc.path)
		for _, want := range tc.has {
			assert.Contains(t, got.body, want, tc.path)
		}
		for _, private := range patientOf {
			assert.NotContains(t, got.body, private, tc.path)
		}
	}
	assert.NotContains(t, h.signIn("reviewer").get("/wiring/inlets/millrace-tcp").body, "/wiring/profiles", "a reviewer mends no profile")
	assert.Empty(t, h.Looks(), "nothing about a patient is shown")
}

// TestWhoMayOpen writes down a second time who opens the rooms of the house.
func TestWhoMayOpen(t *testing.T) {
	counts, mend := "auditor clinician coordinator engineer reviewer", "coordinator engineer"
	want := map[string]string{
		"GET /wiring": counts, "GET /wiring/inlets/{id}": counts, "GET /wiring/outlets/{id}": counts,
		"POST /wiring/outlets/{id}/pause": mend, "POST /wiring/outlets/{id}/resume": mend,
		"GET /wiring/profiles/{id}": mend, "GET /wiring/try": mend, "POST /wiring/try": mend,
		"GET /registry": "auditor coordinator engineer", "GET /registry/{kind}": "auditor coordinator engineer",
		"POST /registry/imports": mend, "GET /registry/imports/{id}": mend, "POST /registry/imports/{id}/apply": mend,
		"GET /ledger": counts, "POST /ledger/verify": "auditor coordinator engineer", "GET /ledger/looks": "auditor",
	}
	got := map[string]string{}
	for _, r := range web.Routes() {
		for _, room := range []string{"/wiring", "/registry", "/ledger"} {
			if strings.HasPrefix(r.Path, room) {
				may := slices.Clone(r.May)
				slices.Sort(may)
				got[r.Method+" "+r.Path] = strings.Join(may, " ")
			}
		}
	}
	assert.Equal(t, want, got)
}

// An outlet is paused and resumed for a reason, once.
func TestOutletIsPausedAndResumed(t *testing.T) {
	h := serve(t, clinic.New())
	v := h.signIn("engineer")
	at := "/wiring/outlets/record-fhir"
	short := v.post(at+"/pause", url.Values{"reason": {"moving"}})
	assert.Equal(t, http.StatusUnprocessableEntity, short.StatusCode)
	assert.Contains(t, short.body, `href="#f-reason"`)
	assert.Contains(t, short.body, ">moving</textarea>", "what was typed survives")
	done := v.post(at+"/pause", url.Values{"reason": {"The record moves house"}})
	require.Equal(t, http.StatusSeeOther, done.StatusCode, done.body)
	page := v.get(done.Header.Get("Location"))
	assert.Equal(t, "Outlet record-fhir is paused since 09:58.", page.heading())
	assert.Contains(t, page.body, "Results wait here, in order.")
	assert.Contains(t, page.body, "Resume record-fhir")
	late := v.post(at+"/pause", url.Values{"reason": {"I wanted this as well"}})
	assert.Equal(t, http.StatusConflict, late.StatusCode)
	assert.Contains(t, late.body, "I wanted this as well")
	assert.Contains(t, v.get("/wiring").heading(), "1 is paused")
	assert.Equal(t, http.StatusSeeOther, v.post(at+"/resume", url.Values{"reason": {"It has moved house"}}).StatusCode)
	assert.Equal(t, http.StatusNotFound, v.post("/wiring/outlets/none/pause", url.Values{"reason": {"It has moved house"}}).StatusCode)
	assert.NotContains(t, h.signIn("reviewer").get(at).body, "<textarea")
}

// A message is tried by pasting or by file; nothing of its patient is shown.
func TestTryAMessage(t *testing.T) {
	h := serve(t, clinic.New())
	v := h.signIn("engineer")
	a, _, err := h.Arrival(t.Context(), clinic.ID("a", 1))
	require.NoError(t, err)
	pasted := v.post("/wiring/try", url.Values{"inlet": {"millrace-tcp"}, "message": {strings.ReplaceAll(string(a.Raw), "\r", "\r\n")}})
	assert.Equal(t, "It would be held.", pasted.heading())
	for _, want := range []string{"23 Strip lot unknown.", "7K4O231", "INR 2.6", "What would be sent", "To outlet record-fhir", "quill-hl7", "Nothing is kept or sent", "<mark>x-999999</mark>"} {
		assert.Contains(t, pasted.body, want)
	}
	for _, private := range patientOf {
		assert.NotContains(t, pasted.body, private)
	}

	var form bytes.Buffer
	m := multipart.NewWriter(&form)
	require.NoError(t, m.WriteField("inlet", "millrace-tcp"))
	f, err := m.CreateFormFile("file", "sample.hl7")
	require.NoError(t, err)
	_, err = f.Write(a.Raw)
	require.NoError(t, err)
	require.NoError(t, m.Close())
	req, err := http.NewRequest(http.MethodPost, h.srv.URL+"/wiring/try", &form)
	require.NoError(t, err)
	req.Header.Set("Content-Type", m.FormDataContentType())
	assert.Equal(t, "It would be held.", h.do(v.c, req).heading())

	for _, tc := range []struct{ name, inlet, message, has string }{
		{"no inlet", "none", "x", "Choose the inlet"},
		{"nothing", "millrace-tcp", "  ", "Paste a message"},
		{"too long", "millrace-tcp", strings.Repeat("x", 1<<20+1), "at most 1 MiB"},
	} {
		got := v.post("/wiring/try", url.Values{"inlet": {tc.inlet}, "message": {tc.message}})
		assert.Equal(t, http.StatusUnprocessableEntity, got.StatusCode, tc.name)
		assert.Contains(t, got.body, tc.has, tc.name)
	}
	assert.Equal(t, "It would be held.", v.post("/wiring/try", url.Values{"inlet": {"millrace-tcp"}, "message": {"hello"}}).heading())
	assert.Empty(t, h.Looks())
	assert.NotContains(t, h.log.String(), "T-100482")
}
