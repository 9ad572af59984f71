package mapping

import (
	"strings"
	"testing"
	"time"

	"github.com/google/fhir/go/fhirversion"
	"github.com/google/fhir/go/jsonformat"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"tidegate/poct"
)

// Whatever the meter sends and the registry holds, what leaves is FHIR, the
// value keeps its digits, and the same result gives the same bytes.
func TestEveryResultIsRenderedAsFHIR(t *testing.T) {
	u, err := jsonformat.NewUnmarshaller("UTC", fhirversion.R4)
	require.NoError(t, err)
	text := rapid.StringOf(rapid.RuneFrom([]rune("aZ09 -_.|\"\\<>&üß漢\t"))).Filter(func(s string) bool { return strings.TrimSpace(s) != "" })
	rapid.Check(t, func(t *rapid.T) {
		r, o := sampleResult(), everything
		r.Reading.Meter, r.Reading.StripLot, r.Reading.Operator = text.Draw(t, "meter"), text.Draw(t, "lot"), text.Draw(t, "operator")
		r.SiteName, r.Visit, r.Reading.Order = text.Draw(t, "site"), text.Draw(t, "visit"), text.Draw(t, "order")
		r.Marks = rapid.SliceOfN(text, 0, 3).Draw(t, "marks")
		r.Key = r.Reading.Key()
		digits := rapid.StringMatching(`(0|[1-9][0-9]{0,3})(\.[0-9]{1,4})?`).Draw(t, "value")
		r.Reading.Measurements[0].Value = poct.Number{Comparator: rapid.SampledFrom([]string{"", "<", "<=", ">=", ">"}).Draw(t, "comparator"), Text: digits}
		zone := time.FixedZone("", rapid.IntRange(-14*4, 14*4).Draw(t, "quarters of an hour")*900)
		r.Reading.TestedAt.At = time.Unix(rapid.Int64Range(0, 4e9).Draw(t, "tested"), 0).In(zone)
		o.OwnIDs = rapid.Bool().Draw(t, "own ids")
		if rapid.Bool().Draw(t, "bare") {
			o = Options{}
		}
		got, err := Bundle(r, poct.Create, IDs{Patient: "Patient/12"}, o)
		require.NoError(t, err)
		_, err = u.Unmarshal(got)
		require.NoError(t, err)
		require.Empty(t, oddities(got))
		require.Contains(t, string(got), `"valueQuantity":{"value":`+digits+`,`)
		again, err := Bundle(r, poct.Create, IDs{Patient: "Patient/12"}, o)
		require.NoError(t, err)
		require.Equal(t, string(got), string(again))
	})
}

// The stable identifiers are version 5 UUIDs (RFC 9562 5.5); expected values
// computed with uuid.uuid5 of Python's standard library.
func TestStableIDs(t *testing.T) {
	r := sampleResult()
	assert.Equal(t, "SN0042|F-88231|20260305091200+0100", r.Key)
	for part, id := range map[string]string{
		"inr": "17bd7bb1-f667-5865-af5f-efde6163de1f", "pt": "bfcee69f-27a3-5174-80f9-b5bc544ccc4c", "report": "a11abf0a-4321-5631-8804-a7d9485e88c4",
	} {
		assert.Equal(t, id, StableID(r, part).String(), part)
	}
	other := r
	other.Patient, other.Reading.Patient = poct.Patient{ID: "9"}, poct.PatientRef{ID: "9"}
	other.Version, other.Issued = 5, r.Issued.Add(time.Hour)
	assert.Equal(t, StableID(r, "inr"), StableID(other, "inr"), "not of the patient, the version or the time of filing")
	other.Filing = 1
	assert.Equal(t, "9b81d37f-7cf2-5dfc-bb7a-16a51a008fc3", StableID(other, "inr").String(), "anew after a withdrawal")
}
