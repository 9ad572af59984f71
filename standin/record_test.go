package standin

import (
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"

	"github.com/google/fhir/go/fhirversion"
	"github.com/google/fhir/go/jsonformat"
	"github.com/stretchr/testify/require"
)

var ada = Patient{ID: "p-104", System: "https://millrace.example/mrn", Value: "1002", Family: "Testperson", Given: "Ada", BirthDate: "1950-01-01", Gender: "female"}

// client speaks to a record as any FHIR client would.
type client struct {
	t    *testing.T
	base string
}

func serve(t *testing.T, opt Options) (*Record, client) {
	t.Helper()
	opt.Patients = append(opt.Patients, ada)
	r := NewRecord(opt)
	s := httptest.NewServer(r)
	t.Cleanup(s.Close)
	return r, client{t, s.URL}
}

type answer struct {
	status int
	header http.Header
	body   string
}

func (c client) do(method, path, body string, headers ...string) answer {
	c.t.Helper()
	req, err := http.NewRequest(method, c.base+path, strings.NewReader(body))
	require.NoError(c.t, err)
	if body != "" {
		req.Header.Set("Content-Type", fhirJSON)
	}
	for i := 0; i+1 < len(headers); i += 2 {
		req.Header.Set(headers[i], headers[i+1])
	}
	res, err := http.DefaultClient.Do(req)
	require.NoError(c.t, err)
	defer res.Body.Close()
	b, err := io.ReadAll(res.Body)
	require.NoError(c.t, err)
	return answer{res.StatusCode, res.Header, string(b)}
}

// inr is a correct Observation with one identifier.
func inr(id string, changes ...string) string {
	s := `{"resourceType":"Observation","identifier":[{"system":"urn:ietf:rfc:3986","value":"urn:uuid:` + id + `"}],"status":"final",` +
		`"category":[{"coding":[{"system":"http://terminology.hl7.org/CodeSystem/observation-category","code":"laboratory"}]}],` +
		`"code":{"coding":[{"system":"http://loinc.org","code":"46418-0"}],"text":"INR"},"subject":{"reference":"Patient/p-104"},` +
		`"effectiveDateTime":"2026-03-04T09:12:` + fmt.Sprintf("%02d", len(id)%60) + `-05:00","issued":"2026-03-04T14:12:41.250Z",` +
		`"valueQuantity":{"value":2.50,"unit":"INR","system":"http://unitsofmeasure.org","code":"{INR}"}}`
	for i := 0; i+1 < len(changes); i += 2 {
		if !strings.Contains(s, changes[i]) {
			panic("nothing to change: " + changes[i])
		}
		s = strings.Replace(s, changes[i], changes[i+1], 1)
	}
	return s
}

const identifier = "identifier=urn:ietf:rfc:3986%7Curn:uuid:"

// The tables of hl7.org/fhir/R4/http.html, "create" (conditional create) and
// "update" (conditional update): no match, one match, many matches.
func TestConditionalTables(t *testing.T) {
	tests := []struct {
		name    string
		stored  int
		method  string
		path    string
		header  []string
		want    int
		written int // Observations afterwards
	}{
		{"create, no match", 0, "POST", "/Observation", []string{"If-None-Exist", identifier + "a"}, 201, 1},
		{"create, one match", 1, "POST", "/Observation", []string{"If-None-Exist", identifier + "a"}, 200, 1},
		{"create, many matches", 2, "POST", "/Observation", []string{"If-None-Exist", identifier + "a"}, 412, 2},
		{"update, no match", 0, "PUT", "/Observation?" + identifier + "a", nil, 201, 1},
		{"update, one match", 1, "PUT", "/Observation?" + identifier + "a", nil, 200, 1},
		{"update, many matches", 2, "PUT", "/Observation?" + identifier + "a", nil, 412, 2},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			r, c := serve(t, Options{})
			for range tt.stored {
				require.Equal(t, 201, c.do("POST", "/Observation", inr("a")).status)
			}
			got := c.do(tt.method, tt.path, inr("a"), tt.header...)
			require.Equal(t, tt.want, got.status, got.body)
			require.Equal(t, tt.written, r.Scan().Observations)
			if got.status == 201 {
				require.Regexp(t, `^Observation/[^/]+/_history/1$`, got.header.Get("Location"))
				require.Equal(t, `W/"1"`, got.header.Get("ETag"))
			}
		})
	}
}

func TestOneMatchWritesNothing(t *testing.T) {
	r, c := serve(t, Options{})
	c.do("POST", "/Observation", inr("a"))
	got := c.do("POST", "/Observation", inr("a", `2.50`, `9.9`), "If-None-Exist", identifier+"a")
	require.Equal(t, 200, got.status)
	require.Contains(t, string(r.All("Observation")[0].Body), `"value":2.50`)
	require.Equal(t, 1, r.All("Observation")[0].Version)
}

// hl7.org/fhir/R4/http.html "Managing Resource Contention": a stale If-Match
// is 412 (409 in STU3, which some servers keep); If-None-Match: * is RFC 9110 13.1.2.
func TestVersionAwareUpdates(t *testing.T) {
	put := func(v string, h ...string) func(c client) int {
		return func(c client) int {
			return c.do("PUT", "/Observation/o-1", inr("a", `{"resourceType":"Observation",`, `{"resourceType":"Observation","id":"o-1",`, `2.50`, v), h...).status
		}
	}
	tests := []struct {
		name     string
		switches Switches
		steps    []func(client) int
		want     []int
	}{
		{"own id, update, stale", Switches{}, []func(client) int{put("1.1"), put("1.2", "If-Match", `W/"1"`), put("1.3", "If-Match", `W/"1"`)}, []int{201, 200, 412}},
		{"stale as STU3 had it", Switches{StaleIs409: true}, []func(client) int{put("1.1"), put("1.2"), put("1.3", "If-Match", `W/"1"`)}, []int{201, 200, 409}},
		{"create once", Switches{}, []func(client) int{put("1.1", "If-None-Match", "*"), put("1.2", "If-None-Match", "*")}, []int{201, 412}},
		{"create once, not honoured", Switches{IgnoreIfNoneMatch: true}, []func(client) int{put("1.1", "If-None-Match", "*"), put("1.2", "If-None-Match", "*")}, []int{201, 200}},
		{"no ids of the client's", Switches{NoClientIDs: true}, []func(client) int{put("1.1")}, []int{405}},
		{"If-Match on nothing", Switches{}, []func(client) int{put("1.1", "If-Match", `W/"1"`)}, []int{412}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			_, c := serve(t, Options{Switches: tt.switches})
			for i, step := range tt.steps {
				require.Equal(t, tt.want[i], step(c), "step %d", i+1)
			}
		})
	}
}

func TestReadVersionsAndHistory(t *testing.T) {
	r, c := serve(t, Options{})
	with := func(v string) string {
		return inr("a", `{"resourceType":"Observation",`, `{"resourceType":"Observation","id":"o-1",`, `2.50`, v)
	}
	c.do("PUT", "/Observation/o-1", with("1.10"))
	c.do("PUT", "/Observation/o-1", with("1.20"))
	now := c.do("GET", "/Observation/o-1", "")
	require.Equal(t, `W/"2"`, now.header.Get("ETag"))
	require.Contains(t, now.body, `"value":1.20`)
	require.Contains(t, c.do("GET", "/Observation/o-1/_history/1", "").body, `"value":1.10`)
	require.Equal(t, 404, c.do("GET", "/Observation/o-1/_history/3", "").status)
	require.Equal(t, 404, c.do("GET", "/Observation/o-2", "").status)
	require.Equal(t, 2, strings.Count(c.do("GET", "/Observation/o-1/_history", "").body, `"fullUrl"`))
	require.True(t, r.Delete("Observation", "o-1"))
	require.Equal(t, 410, c.do("GET", "/Observation/o-1", "").status)
}

func TestSearch(t *testing.T) {
	_, c := serve(t, Options{})
	c.do("POST", "/Observation", inr("a"))
	c.do("POST", "/Observation", inr("bb"))
	tests := []struct {
		query  string
		status int
		total  string
	}{
		{"identifier=urn:ietf:rfc:3986%7Curn:uuid:a", 200, `"total":1`},
		{"identifier=urn:uuid:a", 200, `"total":1`},
		{"identifier=urn:uuid:a,urn:uuid:bb", 200, `"total":2`},
		{"identifier=other%7Curn:uuid:a", 200, `"total":0`},
		{"subject=Patient/p-104&code=46418-0", 200, `"total":2`},
		{"patient=p-104&status=amended", 200, `"total":0`},
		{"colour=blue", 400, "colour"},
	}
	for _, tt := range tests {
		t.Run(tt.query, func(t *testing.T) {
			got := c.do("GET", "/Observation?"+tt.query, "")
			require.Equal(t, tt.status, got.status)
			require.Contains(t, got.body, tt.total)
		})
	}
	posted := c.do("POST", "/Observation/_search", "identifier=urn:ietf:rfc:3986%7Curn:uuid:a", "Content-Type", "application/x-www-form-urlencoded")
	require.Contains(t, posted.body, `"total":1`)
	got := c.do("GET", "/Patient?identifier=https://millrace.example/mrn%7C1002", "")
	require.Contains(t, got.body, `"p-104"`)
}

// transactionOf wraps entries the way hl7.org/fhir/R4/bundle-transaction.json is built.
func transactionOf(entries ...string) string {
	return `{"resourceType":"Bundle","type":"transaction","entry":[` + strings.Join(entries, ",") + `]}`
}

func post(url, resource, extra string) string {
	typ := resource[len(`{"resourceType":"`):]
	typ = typ[:strings.Index(typ, `"`)]
	return `{"fullUrl":"` + url + `","resource":` + resource + `,"request":{"method":"POST","url":"` + typ + `"` + extra + `}}`
}

const (
	urlA = "urn:uuid:6b0c2c3e-0000-4000-8000-00000000000a"
	urlB = "urn:uuid:6b0c2c3e-0000-4000-8000-00000000000b"
)

func TestTransactionRewritesAndAnswersInOrder(t *testing.T) {
	r, c := serve(t, Options{})
	specimen := `{"resourceType":"Specimen","identifier":[{"system":"urn:x","value":"s1"}],"subject":{"reference":"Patient/p-104"}}`
	obs := inr("a", `"subject":`, `"specimen":{"reference":"`+urlB+`"},"subject":`)
	got := c.do("POST", "/", transactionOf(post(urlA, obs, ""), post(urlB, specimen, `,"ifNoneExist":"identifier=urn:x%7Cs1"`)))
	require.Equal(t, 200, got.status, got.body)
	var b struct {
		Type  string
		Entry []struct {
			Response struct{ Status, Location, Etag string }
		}
	}
	require.NoError(t, json.Unmarshal([]byte(got.body), &b))
	require.Equal(t, "transaction-response", b.Type)
	require.Len(t, b.Entry, 2)
	require.Contains(t, b.Entry[0].Response.Location, "Observation/")
	require.Contains(t, b.Entry[1].Response.Location, "Specimen/")
	require.Equal(t, "201 Created", b.Entry[0].Response.Status)
	require.Contains(t, string(r.All("Observation")[0].Body), `"specimen":{"reference":"Specimen/`+r.All("Specimen")[0].ID+`"}`)
	require.NotContains(t, string(r.All("Observation")[0].Body), "urn:uuid:6b0c")
}

// hl7.org/fhir/R4/http.html "transaction": all entries succeed or none does.
func TestTransactionAllOrNothing(t *testing.T) {
	good := post(urlA, inr("a"), "")
	tests := []struct {
		name  string
		entry string
		want  int
	}{
		{"second entry breaks a rule", post(urlB, inr("bb", `"final"`, `"verified"`), ""), 422},
		{"reference to nothing", post(urlB, inr("bb", "Patient/p-104", "Patient/p-999"), ""), 422},
		{"conditional reference without a match", post(urlB, inr("bb", "Patient/p-104", "Patient?identifier=https://millrace.example/mrn%7C9999"), ""), 422},
		{"unresolved full url", post(urlB, inr("bb", "Patient/p-104", "urn:uuid:6b0c2c3e-0000-4000-8000-0000000000ff"), ""), 422},
		{"upper case urn", post("urn:uuid:6B0C2C3E-0000-4000-8000-00000000000B", inr("bb"), ""), 422},
		{"method unknown", strings.Replace(post(urlB, inr("bb"), ""), "POST", "UPSERT", 1), 422},
		{"no url", strings.Replace(post(urlB, inr("bb"), ""), `,"url":"Observation"`, "", 1), 422},
		{"stale ifMatch", strings.Replace(strings.Replace(post(urlB, inr("bb", `{"resourceType":"Observation",`, `{"resourceType":"Observation","id":"o-9",`), `,"ifMatch":"W/\"7\""`), "POST", "PUT", 1), `"url":"Observation"`, `"url":"Observation/o-9"`, 1), 412},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			r, c := serve(t, Options{})
			got := c.do("POST", "/", transactionOf(good, tt.entry))
			require.Equal(t, tt.want, got.status, got.body)
			require.Contains(t, got.body, "OperationOutcome")
			require.Zero(t, r.Scan().Observations)
			require.Equal(t, 200, c.do("POST", "/", transactionOf(good)).status)
			require.Equal(t, "101", r.All("Observation")[0].ID, "a refused transaction used up an id")
		})
	}
}

func TestConditionalReferenceInTransactionOnly(t *testing.T) {
	r, c := serve(t, Options{})
	obs := inr("a", "Patient/p-104", "Patient?identifier=https://millrace.example/mrn%7C1002")
	require.Equal(t, 422, c.do("POST", "/Observation", obs).status)
	require.Equal(t, 200, c.do("POST", "/", transactionOf(post(urlA, obs, ""))).status)
	require.Contains(t, string(r.All("Observation")[0].Body), `"Patient/p-104"`)
}

// Parallel conditional creates under one identifier: RFC 9110 leaves it to the
// server; this one lets exactly one through.
func TestParallelConditionalCreates(t *testing.T) {
	r, c := serve(t, Options{})
	var wg sync.WaitGroup
	codes := make([]int, 16)
	for i := range codes {
		wg.Go(func() {
			codes[i] = c.do("POST", "/Observation", inr("a"), "If-None-Exist", identifier+"a").status
		})
	}
	wg.Wait()
	created := 0
	for _, s := range codes {
		if s == 201 {
			created++
		}
	}
	require.Equal(t, 1, created)
	require.Equal(t, 1, r.Scan().Observations)
}

func TestIndexLagHidesYoungResources(t *testing.T) {
	r, c := serve(t, Options{Switches: Switches{IndexLagRequests: 2}})
	require.Equal(t, 201, c.do("POST", "/Observation", inr("a"), "If-None-Exist", identifier+"a").status)
	require.Contains(t, c.do("GET", "/Observation?"+identifier+"a", "").body, `"total":0`)
	require.Contains(t, c.do("GET", "/Observation?"+identifier+"a", "").body, `"total":1`)
	require.Equal(t, 201, c.do("POST", "/Observation", inr("bb"), "If-None-Exist", identifier+"bb").status)
	require.Equal(t, 201, c.do("POST", "/Observation", inr("bb"), "If-None-Exist", identifier+"bb").status, "the lag is what makes twins")
	require.Equal(t, 2, r.Scan().Duplicates(), "same identifier, and the same test said twice")
}

func TestToken(t *testing.T) {
	r, c := serve(t, Options{Token: "one"})
	require.Equal(t, 401, c.do("GET", "/metadata", "").status)
	require.Equal(t, 200, c.do("GET", "/metadata", "", "Authorization", "Bearer one").status)
	r.SetToken("two")
	require.Equal(t, 401, c.do("GET", "/metadata", "", "Authorization", "Bearer one").status)
}

// The statement says no more than the switches leave standing.
func TestCapabilitiesAreHonest(t *testing.T) {
	_, c := serve(t, Options{})
	got := c.do("GET", "/metadata", "").body
	require.Contains(t, got, `"code":"transaction"`)
	require.Contains(t, got, `"updateCreate":true`)
	um, err := jsonformat.NewUnmarshaller("UTC", fhirversion.R4)
	require.NoError(t, err)
	_, err = um.UnmarshalR4([]byte(got))
	require.NoError(t, err)
	_, c = serve(t, Options{Switches: Switches{NoClientIDs: true, NoTransaction: true, NoConditionalCreate: true, NoSubstance: true}})
	got = c.do("GET", "/metadata", "").body
	require.NotContains(t, got, "transaction")
	require.NotContains(t, got, "Substance")
	require.Contains(t, got, `"updateCreate":false`)
	require.Contains(t, got, `"conditionalCreate":false`)
	require.Equal(t, 405, c.do("POST", "/", transactionOf(post(urlA, inr("a"), ""))).status)
	require.Equal(t, 412, c.do("POST", "/Observation", inr("a"), "If-None-Exist", identifier+"a").status)
	require.Equal(t, 404, c.do("POST", "/Substance", `{"resourceType":"Substance","code":{"text":"strip"}}`).status)
}

func TestResultKeepsItsPersonAndItsWithdrawal(t *testing.T) {
	r, c := serve(t, Options{})
	r.AddPatients(Patient{ID: "p-105", System: "s", Value: "2", Family: "Other", Given: "Person"})
	with := func(changes ...string) int {
		return c.do("PUT", "/Observation/o-1", inr("a", append([]string{`{"resourceType":"Observation",`, `{"resourceType":"Observation","id":"o-1",`}, changes...)...)).status
	}
	require.Equal(t, 201, with())
	require.Equal(t, 422, with("Patient/p-104", "Patient/p-105"))
	require.Equal(t, 422, with("urn:uuid:a", "urn:uuid:c"))
	require.Equal(t, 200, with(`"final"`, `"entered-in-error"`))
	require.Equal(t, 422, with())
	require.Equal(t, 1, r.Scan().Withdrawn)
}

func TestScanFindsVersionsThatGoBack(t *testing.T) {
	r, c := serve(t, Options{})
	id := []string{`{"resourceType":"Observation",`, `{"resourceType":"Observation","id":"o-1",`}
	c.do("PUT", "/Observation/o-1", inr("a", id...))
	c.do("PUT", "/Observation/o-1", inr("a", append(id, "14:12:41.250Z", "14:12:40Z")...))
	require.Equal(t, []string{"Observation/o-1/_history/2"}, r.Scan().Backwards)
}
