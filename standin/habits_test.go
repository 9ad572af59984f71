package standin

import (
	"net/http"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// Each habit does what it says and nothing else; without it the record keeps
// to hl7.org/fhir/R4/http.html.
func TestHabits(t *testing.T) {
	own := func(id string) string {
		return inr("a", `"resourceType":"Observation"`, `"resourceType":"Observation","id":"`+id+`"`)
	}
	tests := []struct {
		name     string
		switches Switches
		ask      func(c client) answer
		usual    int // status without the habit
		want     int
		says     string // in the body
		kept     int    // Observations afterwards, with the habit
	}{
		{"an id of the sender's", Switches{NoClientIDs: true}, func(c client) answer { return c.do("PUT", "/Observation/own-1", own("own-1")) }, 201, 405, "not-supported", 0},
		{"conditional create", Switches{NoConditionalCreate: true}, func(c client) answer {
			return c.do("POST", "/Observation", inr("a"), "If-None-Exist", identifier+"a")
		}, 201, 412, "not-supported", 0},
		{"refused without a word", Switches{NoConditionalCreate: true, Wordless: true}, func(c client) answer {
			return c.do("POST", "/Observation", inr("a"), "If-None-Exist", identifier+"a")
		}, 201, 412, "", 0},
		{"transaction", Switches{NoTransaction: true}, func(c client) answer {
			return c.do("POST", "/", transactionOf(post(urlA, inr("a"), "")))
		}, 200, 405, "not-supported", 0},
		{"If-None-Match", Switches{IgnoreIfNoneMatch: true}, func(c client) answer {
			c.do("PUT", "/Observation/own-1", own("own-1"), "If-None-Match", "*")
			return c.do("PUT", "/Observation/own-1", own("own-1"), "If-None-Match", "*")
		}, 412, 200, "", 1},
		{"stale version", Switches{StaleIs409: true}, func(c client) answer {
			c.do("PUT", "/Observation/own-1", own("own-1"))
			return c.do("PUT", "/Observation/own-1", own("own-1"), "If-Match", `W/"7"`)
		}, 412, 409, "conflict", 1},
		{"no versions", Switches{NoVersions: true}, func(c client) answer {
			c.do("PUT", "/Observation/own-1", own("own-1"))
			return c.do("PUT", "/Observation/own-1", own("own-1"), "If-Match", `W/"7"`)
		}, 412, 200, "", 1},
		{"no Substance", Switches{NoSubstance: true}, func(c client) answer {
			return c.do("POST", "/Substance", `{"resourceType":"Substance","code":{"text":"strip"}}`)
		}, 201, 404, "not-supported", 0},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			_, c := serve(t, Options{})
			require.Equal(t, tt.usual, tt.ask(c).status, "without the habit")
			r, c := serve(t, Options{Switches: tt.switches})
			got := tt.ask(c)
			require.Equal(t, tt.want, got.status, got.body)
			require.Contains(t, got.body, tt.says)
			if tt.switches.Wordless {
				require.Empty(t, got.body)
			}
			require.Equal(t, tt.kept, r.Scan().Observations)
		})
	}
}

// No versions means none anywhere: no tag, no version in Location or meta.
func TestNoVersionsShowsNone(t *testing.T) {
	_, c := serve(t, Options{Switches: Switches{NoVersions: true}})
	for _, got := range []answer{
		c.do("POST", "/Observation", inr("a")), c.do("GET", "/Observation?"+identifier+"a", ""),
		c.do("POST", "/", transactionOf(post(urlB, inr("bb"), ""))), c.do("GET", "/metadata", ""),
	} {
		require.Less(t, got.status, 300)
		require.Empty(t, got.header.Get("ETag"))
		require.NotContains(t, got.header.Get("Location")+got.body, "_history/")
		require.NotContains(t, got.body, "versionId")
		require.NotContains(t, got.body, `W/"`)
	}
}

// What it cannot do does not stand in its CapabilityStatement, unless it boasts.
func TestStatementFollowsHabits(t *testing.T) {
	for _, boasts := range []bool{false, true} {
		_, c := serve(t, Options{Switches: Switches{NoClientIDs: true, NoConditionalCreate: true, NoTransaction: true, NoVersions: true, Boasts: boasts}})
		got := c.do("GET", "/metadata", "").body
		for _, claim := range []string{`"updateCreate":true`, `"conditionalCreate":true`, `"code":"transaction"`, `"versioning":"versioned"`} {
			require.Equal(t, boasts, strings.Contains(got, claim), claim)
		}
	}
}

// A record whose conditions are blind to what is young inserts twice; one whose
// searches lag finds both only later.
func TestParallelCreatesCanDouble(t *testing.T) {
	for _, tt := range []struct {
		name     string
		switches Switches
		want     int
	}{
		{"sees at once", Switches{}, 1},
		{"blind conditions", Switches{BlindConditions: time.Hour}, 4},
		{"searches lag", Switches{IndexLag: time.Hour}, 4},
	} {
		t.Run(tt.name, func(t *testing.T) {
			r, c := serve(t, Options{Switches: tt.switches})
			var all sync.WaitGroup
			for range 4 {
				all.Go(func() { c.do("POST", "/Observation", inr("a"), "If-None-Exist", identifier+"a") })
			}
			all.Wait()
			require.Equal(t, tt.want, r.Scan().Observations)
		})
	}
}

// What is not kept is not given back.
func TestWhatIsNotKept(t *testing.T) {
	body := inr("a", `"status"`, `"extension":[{"url":"http://hl7.org/fhir/StructureDefinition/observation-reagent","valueReference":{"display":"Strip lot Q2411"}}],"status"`,
		`"valueQuantity"`, `"note":[{"text":"Strip lot Q2411."}],"valueQuantity"`)
	for _, tt := range []struct {
		name     string
		switches Switches
		gone     string
		left     string
	}{
		{"extensions", Switches{DropExtensions: true}, "observation-reagent", `"note"`},
		{"notes", Switches{DropNotes: true}, `"note"`, "observation-reagent"},
		{"zeros", Switches{TrimZeros: true}, `2.50`, `"value":2.5,`},
	} {
		t.Run(tt.name, func(t *testing.T) {
			r, c := serve(t, Options{Switches: tt.switches})
			got := c.do("POST", "/Observation", body)
			require.Equal(t, http.StatusCreated, got.status, got.body)
			kept := string(r.All("Observation")[0].Body)
			require.NotContains(t, kept, tt.gone)
			require.Contains(t, kept, tt.left)
		})
	}
}
