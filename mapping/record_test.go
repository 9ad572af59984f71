package mapping

import (
	"encoding/json"
	"fmt"
	"net/http/httptest"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidegate/poct"
	"tidegate/standin"
	"tidegate/wire/fhir"
)

// The life of a result at a record system that judges strictly, knows nothing
// of this package and looks for doubles by itself: filed, filed again after a
// lost answer, corrected, withdrawn, filed on the right patient.
func TestRecordSystemTakesTheWholeLife(t *testing.T) {
	tests := []struct {
		name     string
		switches standin.Switches
		ownIDs   bool
		// twins are doubles after a blind resend: a Provenance has no identifier
		// to be told by, which is why a sender in doubt looks up first.
		twins int
	}{
		{name: "friendly"},
		{name: "ids of our own", ownIDs: true},
		{name: "no ids of ours", switches: standin.Switches{NoClientIDs: true}, twins: 1},
		{name: "no strip lots of their own", switches: standin.Switches{NoSubstance: true}},
		{name: "a stale version is 409", switches: standin.Switches{StaleIs409: true}, ownIDs: true},
	}
	for _, tc := range tests {
		t.Run(tc.name, func(t *testing.T) {
			s := open(t, tc.switches)
			s.o.OwnIDs = tc.ownIDs
			r := sampleResult()
			ada, bo := IDs{Patient: "Patient/ada"}, IDs{Patient: "Patient/bo"}

			remote := s.send(r, poct.Create, ada)
			require.Len(t, remote, 8, "two observations, report, specimen, each with its version")
			assert.Equal(t, "2.40 final", s.value(remote["observation/inr"]))
			if tc.ownIDs {
				again, err := Bundle(r, poct.Create, ada, s.o)
				require.NoError(t, err)
				a, err := s.client.Transact(t.Context(), "", again)
				require.NoError(t, err)
				assert.Contains(t, []int{409, 412}, a.Status, "If-None-Match: * lets no second one in")
			} else {
				assert.Equal(t, remote, s.send(r, poct.Create, ada), "the same, and nothing written")
			}

			ada.Remote = remote
			r.Version, r.Issued, r.Replaces = 2, r.Issued.Add(time.Minute), "was INR 2.40; the meter sent a correction"
			r.Reading.Measurements[0].Value = poct.MustNumber("2.50")
			remote = s.send(r, poct.Correct, ada)
			assert.Equal(t, "2.50 corrected", s.value(remote["observation/inr"]))
			stale, err := Bundle(r, poct.Correct, ada, s.o)
			require.NoError(t, err)
			a, err := s.client.Transact(t.Context(), "", stale)
			require.NoError(t, err)
			assert.Contains(t, []int{409, 412}, a.Status, "only onto the version that was there")

			ada.Remote = remote
			r.Version, r.Issued, r.Replaces = 3, r.Issued.Add(time.Minute), "filed on the wrong patient"
			remote = s.send(r, poct.Withdraw, ada)
			assert.Equal(t, "2.50 entered-in-error", s.value(remote["observation/inr"]), "the value stays readable")

			r.Version, r.Filing, r.Issued = 4, 1, r.Issued.Add(time.Minute)
			remote = s.send(r, poct.Create, bo)
			assert.Equal(t, "2.50 final", s.value(remote["observation/inr"]))
			account := s.record.Scan()
			assert.Len(t, account.Twins, tc.twins)
			for _, twin := range account.Twins {
				assert.Contains(t, twin, "Provenance/")
			}
			assert.Empty(t, account.Backwards)
			assert.Equal(t, 4, account.Observations)
			assert.Equal(t, 2, account.Withdrawn)
			assert.Equal(t, 1, account.Resources["Device"], "the meter is there once")
		})
	}
}

// Every kind of first filing is taken.
func TestRecordSystemTakesWhatIsSent(t *testing.T) {
	for _, tc := range bundles {
		if tc.action == "" && tc.ids.Encounter == "" && tc.o.Outlet != "record" { // it keeps no encounters and orders
			t.Run(tc.name, func(t *testing.T) {
				a, err := open(t, standin.Switches{}).client.Transact(t.Context(), "", render(t, tc.name))
				require.NoError(t, err)
				assert.Equal(t, 200, a.Status, "%+v", a.Outcome)
			})
		}
	}
}

// system is a record system with two patients, and what it says it can do.
type system struct {
	t      *testing.T
	record *standin.Record
	client *fhir.Client
	o      Options
}

func open(t *testing.T, switches standin.Switches) *system {
	t.Helper()
	patient := func(id string) standin.Patient {
		return standin.Patient{ID: id, System: "https://millrace.example/mrn", Value: id, Family: "Testperson", Given: id, BirthDate: "1950-01-01", Gender: "female"}
	}
	s := &system{t: t, record: standin.NewRecord(standin.Options{Switches: switches, Patients: []standin.Patient{patient("ada"), patient("bo"), patient("12"), patient("31")}})}
	server := httptest.NewServer(s.record)
	t.Cleanup(server.Close)
	var err error
	s.client, err = fhir.New(server.URL, fhir.Options{})
	require.NoError(t, err)
	s.o.Caps, _, err = s.client.Capabilities(t.Context(), "")
	require.NoError(t, err)
	return s
}

// send renders, sends, and gives what the record system calls the parts.
func (s *system) send(r poct.Result, action poct.Action, ids IDs) map[string]string {
	s.t.Helper()
	bundle, err := Bundle(r, action, ids, s.o)
	require.NoError(s.t, err)
	require.NoError(s.t, accepts(s.t, bundle))
	a, err := s.client.Transact(s.t.Context(), "", bundle)
	require.NoError(s.t, err)
	require.Equal(s.t, 200, a.Status, "%+v", a.Outcome)
	resources := resourcesOf(s.t, bundle)
	require.Len(s.t, a.Entries, len(resources))
	out := map[string]string{}
	for i, raw := range resources {
		var res struct {
			ResourceType string `json:"resourceType"`
			Code         struct {
				Coding []struct {
					Code string `json:"code"`
				} `json:"coding"`
			} `json:"code"`
		}
		require.NoError(s.t, json.Unmarshal(raw, &res))
		key := map[string]string{"DiagnosticReport": "diagnosticreport", "Specimen": "specimen"}[res.ResourceType]
		if res.ResourceType == "Observation" {
			key = "observation/" + map[string]string{"46418-0": "inr", "46417-2": "pt"}[res.Code.Coding[0].Code]
		}
		if key != "" {
			out[key], _ = fhir.Place(a.Entries[i].Location)
			out["etag/"+key] = a.Entries[i].ETag
		}
	}
	if out["specimen"] == "" { // a later version refers to the first one's
		out["specimen"], out["etag/specimen"] = ids.Remote["specimen"], ids.Remote["etag/specimen"]
	}
	return out
}

// value reads an Observation back: its number as it stands there, and its status.
func (s *system) value(ref string) string {
	s.t.Helper()
	a, err := s.client.Read(s.t.Context(), "", ref)
	require.NoError(s.t, err)
	var o struct {
		Status        string `json:"status"`
		ValueQuantity struct {
			Value json.Number `json:"value"`
		} `json:"valueQuantity"`
	}
	require.NoError(s.t, json.Unmarshal(a.Body, &o))
	return fmt.Sprintf("%s %s", o.ValueQuantity.Value, o.Status)
}
