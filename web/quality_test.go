package web_test

import (
	"context"
	"html"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidegate/poct"
	"tidegate/review"
	"tidegate/testkit/clinic"
	"tidegate/web"
)

func TestQualityPagesAnswer(t *testing.T) {
	h := serve(t, clinic.Supervised())
	v := h.signIn("coordinator")
	for _, tc := range []struct {
		name, path, heading string
		has                 []string
	}{
		{"entry", "/quality", "5 things need the coordinator.", []string{"Meter M-2058 failed its level 2 control", "2 results of 3 to be judged", "Strip lot 7K44102 is not accepted at Millrace Surgery", "Operator 144: 24.1 % of tests ended without a result", "accepted"}},
		{"control chart", "/quality/controls/M-2058", "Meter M-2058 failed its level 2 control at 09:12 and is locked. It was already high at 07:20.",
			[]string{"Both levels, 48 runs, 14 to 25 November", "09:12 rejected by 1-3s and 2-2s", "07:20 warning, 1-2s", "strips 7K40231 begin", "+3 SD", "mean and SD as the sheet states", "Patients since the last pass", "nobody can unlock it by hand", "Record what was done"}},
		{"one lot of it", "/quality/controls/M-2058?lot=7K38810", "Meter M-2058 passed both levels, last at 15:34.", []string{"24 runs, 14 to 19 November"}},
		{"no controls", "/quality/controls/M-2019", "No control of meter M-2019 is known since 26 October.", nil},
		{"a lot", "/quality/lots/7K44102?site=millrace", "Strip lot 7K44102 may not be used at Millrace Surgery yet: 3 things are still to be done.", []string{"7 meters of this site take these strips", "at least 5 are needed", "mean difference +1.6 %", "A second person types"}},
		{"an accepted lot", "/quality/lots/7K40231?site=millrace", "Strip lot 7K40231 may be used at Millrace Surgery.", []string{"Both levels and six pairs agree"}},
		{"comparison", "/quality/comparisons?site=millrace", "Meters read 0.1 INR above the laboratory on average; 95 % of differences are expected from −0.23 to +0.43 (14 pairs).", []string{"Passing-Bablok", "within 0.5", "left out: no other INR of this patient within 4 h", "upper +0.43"}},
		{"nothing to compare", "/quality/comparisons?site=quay", "There are no figures yet: 0 usable pairs.", []string{"Laboratory results come in by any inlet"}},
		{"operators", "/quality/errors", "28 of 480 tests ended without a result, those of operator 144 more often than the rest.", []string{"16.0 % to 34.5 %", "never add blood to a strip", "not enough blood 14, no clot 5"}},
		{"sites", "/quality/errors?by=site", "28 of 480 tests ended without a result; no site stands out.", []string{"Millrace Surgery"}},
		{"lots without tests", "/quality/errors?by=strip_lot", "No test is counted from 27 August to 25 November.", nil},
		{"time in range", "/quality/time-in-range", "How long was a patient’s INR in range?", []string{"Patient number"}},
	} {
		t.Run(tc.name, func(t *testing.T) {
			got := v.get(tc.path)
			require.Equal(t, http.StatusOK, got.StatusCode, got.body)
			assert.Equal(t, tc.heading, got.heading())
			for _, w := range tc.has {
				assert.Contains(t, html.UnescapeString(got.body), w)
			}
		})
	}
	for _, path := range []string{"/quality/lots/7K44102", "/quality/comparisons?within=long", "/quality/controls/M-2058?from=yesterday"} {
		assert.Equal(t, http.StatusBadRequest, v.get(path).StatusCode, path)
	}
	other := h.signIn("harbour")
	for _, path := range []string{"/quality/controls/M-2058", "/quality/lots/7K44102?site=millrace", "/quality/comparisons?site=millrace", "/quality/errors?site=millrace"} {
		assert.Equal(t, http.StatusNotFound, other.get(path).StatusCode, path)
	}
	assert.NotContains(t, other.get("/quality").body, "M-2058")
}

// Rates are counted anew only after a while, and for each set of sites apart.
func TestRatesAreCountedOnceInAWhile(t *testing.T) {
	c := clinic.Supervised()
	counted := 0
	h := serve(t, c, func(s *web.Settings) { s.Coordinator = counting{s.Coordinator, &counted} })
	v := h.signIn("coordinator")
	for range 3 {
		assert.Contains(t, v.get("/quality").body, "counted 09:58")
	}
	assert.Equal(t, 4, counted, "by operator, strip lot, meter and site")
	h.signIn("harbour").get("/quality")
	assert.Equal(t, 8, counted, "another's sites are another count")
	c.Pass(14 * time.Minute)
	v.get("/quality")
	assert.Equal(t, 8, counted)
	c.Pass(2 * time.Minute)
	assert.Contains(t, h.signIn("coordinator").get("/quality").body, "counted 10:14")
	assert.Equal(t, 12, counted)
}

type counting struct {
	web.Coordinator
	n *int
}

func (c counting) DeviceErrors(ctx context.Context, a poct.Actor, by, site string, from, to time.Time) (review.DeviceErrors, error) {
	*c.n++
	return c.Coordinator.DeviceErrors(ctx, a, by, site, from, to)
}

// TestChartsAreDrawnAsBefore keeps the pictures as files to look at.
func TestChartsAreDrawnAsBefore(t *testing.T) {
	h := serve(t, clinic.Supervised())
	v := h.signIn("coordinator")
	v.post("/quality/controls/M-2041/actions", url.Values{"what": {"Optics cleaned by the book"}})
	for name, path := range map[string]string{"control-chart": "/quality/controls/M-2058", "differences": "/quality/comparisons?site=millrace", "strip": "/meters/M-2058", "rates": "/quality/errors"} {
		body := v.get(path).body
		var svgs []string
		for _, s := range regexp.MustCompile(`(?s)<svg class="chart" .*?</svg>`).FindAllString(body, -1) {
			svgs = append(svgs, strings.ReplaceAll(s, "><", ">\n<"))
		}
		require.NotEmpty(t, svgs, name)
		got := strings.Join(svgs, "\n") + "\n"
		for _, s := range svgs {
			assert.Regexp(t, `^<svg[^>]*role="img" aria-labelledby="[a-zA-Z0-9-]+">\n<title`, s, "every picture says what it shows")
		}
		assert.NotRegexp(t, `NaN|Inf|style=`, got)
		file := filepath.Join("testdata", name+".svg.txt")
		if *update {
			require.NoError(t, os.WriteFile(file, []byte(got), 0o644))
		}
		want, err := os.ReadFile(file)
		require.NoError(t, err)
		assert.Equal(t, string(want), got, name)
	}
}

func TestWhatWasDoneIsRecorded(t *testing.T) {
	h := serve(t, clinic.Supervised())
	v := h.signIn("coordinator")
	at := "/quality/controls/M-2058"
	short := v.post(at+"/actions", url.Values{"what": {"cleaned"}})
	assert.Equal(t, http.StatusUnprocessableEntity, short.StatusCode)
	assert.Contains(t, short.body, `href="#f-what"`)
	assert.Contains(t, short.body, ">cleaned</textarea>", "what was typed survives")
	require.Equal(t, http.StatusSeeOther, v.post(at+"/actions", url.Values{"what": {"Optics cleaned, fresh vial of level 2"}}).StatusCode)
	page := v.get(at)
	assert.Contains(t, page.body, "Optics cleaned, fresh vial of level 2 (k.osei)")
	assert.Contains(t, page.body, "is locked", "what is written down unlocks nothing")
	assert.Equal(t, http.StatusForbidden, h.signIn("clinician").post(at+"/actions", url.Values{"what": {"Optics cleaned, fresh vial"}}).StatusCode)
	assert.NotContains(t, h.signIn("auditor").get(at).body, "Record what was done</button>")
}

func TestALotIsAcceptedByTwo(t *testing.T) {
	c := clinic.Supervised()
	c.Passes("M-2063", clinic.LotNew)
	c.Trials(clinic.LotNew, "M-2063", [][2]string{{"1.9", "2.0"}, {"3.6", "3.5"}})
	h := serve(t, c)
	coordinator, reviewer := h.signIn("coordinator"), h.signIn("reviewer")
	at := "/quality/lots/" + clinic.LotNew
	page := coordinator.get(at + "?site=millrace")
	assert.Contains(t, page.heading(), "1 thing is still to be done")
	assert.NotContains(t, page.body, "ISI, registered", "the constants are hidden until they were typed")
	early := coordinator.post(at+"/decide", url.Values{"site": {"millrace"}, "decision": {"accepted"}, "reason": {"Looks good to me"}})
	assert.Equal(t, http.StatusUnprocessableEntity, early.StatusCode)
	assert.Contains(t, early.body, "Not yet: A second person types ISI and MNPT from the box.")
	words := reviewer.post(at+"/read-back", url.Values{"site": {"millrace"}, "isi": {"one"}, "mnpt": {"12.2"}})
	assert.Equal(t, http.StatusUnprocessableEntity, words.StatusCode)
	assert.Contains(t, words.body, `value="one"`)
	require.Equal(t, http.StatusSeeOther, reviewer.post(at+"/read-back", url.Values{"site": {"millrace"}, "isi": {"1.30"}, "mnpt": {"12.2"}}).StatusCode)
	assert.Contains(t, coordinator.get(at+"?site=millrace").body, "are not those in the registry")
	require.Equal(t, http.StatusSeeOther, reviewer.post(at+"/read-back", url.Values{"site": {"millrace"}, "isi": {"1.03"}, "mnpt": {"12.2"}}).StatusCode)
	assert.Equal(t, "Strip lot 7K44102 waits for a decision at Millrace Surgery: nothing more is needed.", coordinator.get(at+"?site=millrace").heading())
	assert.Equal(t, http.StatusForbidden, reviewer.post(at+"/decide", url.Values{"site": {"millrace"}, "decision": {"accepted"}, "reason": {"Both levels and five pairs"}}).StatusCode)
	done := coordinator.post(at+"/decide", url.Values{"site": {"millrace"}, "decision": {"accepted"}, "reason": {"Both levels and five pairs agree"}})
	require.Equal(t, http.StatusSeeOther, done.StatusCode, done.body)
	assert.Equal(t, "Strip lot 7K44102 may be used at Millrace Surgery.", coordinator.get(done.Header.Get("Location")).heading())
	assert.Equal(t, "4 things need the coordinator.", coordinator.get("/quality").heading())
}

// TestTimeInRangePage: the figures are those of the report; neither the number
// nor the figures stand in an address or a title.
func TestTimeInRangePage(t *testing.T) {
	h := serve(t, clinic.New())
	v := h.signIn("clinician")
	got := v.post("/quality/time-in-range", url.Values{"patient": {"T-100482"}, "birth_date": {"1948-03-14"}, "low": {"2.0"}, "high": {"3.0"}})
	require.Equal(t, http.StatusOK, got.StatusCode, "the answer is the page itself, no address is made of it")
	assert.Regexp(t, `^In range \(2.0 to 3.0\) for \d+ % of \d+ days\.$`, got.heading())
	assert.Equal(t, "Time in range · tidegate", got.title())
	for _, want := range []string{"Rosendaal", "56 days", "nearest the middle of the range", "7 values", "Days in range"} {
		assert.Contains(t, got.body, want)
	}
	looks := h.Looks()
	require.NotEmpty(t, looks)
	assert.Len(t, looks[len(looks)-1].IDs, 7)
	crossed := v.post("/quality/time-in-range", url.Values{"patient": {"T-100482"}, "birth_date": {"1948-03-14"}, "low": {"3.0"}, "high": {"2.0"}})
	assert.Equal(t, http.StatusUnprocessableEntity, crossed.StatusCode)
	assert.Contains(t, crossed.body, "write them the other way round")
	assert.Contains(t, v.post("/quality/time-in-range", url.Values{"patient": {"T-999"}, "birth_date": {"1948-03-14"}}).body, "Nothing here.")
	before := len(h.Looks())
	slip := v.post("/quality/time-in-range", url.Values{"patient": {"T-100482"}, "birth_date": {"1948-03-15"}})
	assert.Equal(t, "Nothing here. That is not “never measured”.", slip.heading(), "a slip in the number shows nobody else's results")
	assert.Len(t, h.Looks(), before)
	assert.Contains(t, v.post("/quality/time-in-range", url.Values{"patient": {"T-100482"}}).body, `href="#f-birth_date"`)
	assert.Contains(t, v.post("/quality/time-in-range", url.Values{"patient": {"T-100482"}, "birth_date": {"1948-03-14"}, "from": {"last year"}}).body, `href="#f-from"`)
	assert.NotContains(t, h.log.String(), "T-100482")
}

func TestNothingOfPatientsInSupervisionPages(t *testing.T) {
	h := serve(t, clinic.Supervised())
	v := h.signIn("coordinator")
	queue, seen := []string{"/meters", "/quality", "/calls"}, map[string]bool{}
	link := regexp.MustCompile(`href="(/(?:meters|quality|calls)[^"#]*)`)
	for len(queue) > 0 && len(seen) < 200 {
		path := queue[0]
		queue = queue[1:]
		if seen[path] {
			continue
		}
		seen[path] = true
		got := v.get(path)
		assert.Equal(t, http.StatusOK, got.StatusCode, path)
		assert.NotRegexp(t, `Kelmscote|T-10\d{4}|T-40\d{4}|1957`, path+got.title(), path)
		assert.NotRegexp(t, `(?i)<script>|<style|\sstyle=|\son[a-z]+=|javascript:`, got.body, path)
		assert.NotRegexp(t, `(?i)\b(error|invalid|please|oops)\b`, regexp.MustCompile(`(?:href|action)="[^"]*"`).ReplaceAllString(got.body, ""), path)
		for _, m := range link.FindAllStringSubmatch(got.body, -1) {
			queue = append(queue, strings.ReplaceAll(m[1], "&amp;", "&"))
		}
	}
	assert.Greater(t, len(seen), 30, "the crawl must reach the pages")
}

func TestWithoutACoordinatorThereIsNoQuality(t *testing.T) {
	h := serve(t, clinic.New(), func(s *web.Settings) { s.Coordinator, s.Readiness = nil, nil })
	v := h.signIn("coordinator")
	for _, path := range []string{"/quality", "/quality/controls/M-2041", "/quality/errors", "/meters", "/meters/M-2041", "/api/v1/meters/M-2041/readiness"} {
		assert.Equal(t, http.StatusNotFound, v.get(path).StatusCode, path)
	}
	body := v.get("/").body
	assert.NotContains(t, body, `href="/quality"`)
	assert.NotContains(t, body, `href="/meters"`)
	assert.Contains(t, h.api("nurse", "GET", "/api/v1/meters", "").body, `"controls":[`)
}
