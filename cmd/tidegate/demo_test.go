package main

import (
	"bytes"
	"encoding/json"
	"io"
	"net/http"
	"testing"

	"github.com/stretchr/testify/require"

	"tidegate/poct"
)

// Each test of the day gets the end, and meets the problems, that the script
// says; so does each one that a person settled. What the totals hide is seen
// here.
func TestEachTestOfTheDay(t *testing.T) {
	c := &demoCmd{Listen: "127.0.0.1:0", Seed: 11}
	s := &streams{out: io.Discard, err: io.Discard}
	d, err := c.start(t.Context(), s, t.TempDir())
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, d.stop()) })
	require.NoError(t, d.play(t.Context(), s, 0))
	require.NoError(t, d.rest(t.Context()))

	ask := func(method, path string, body, into any) {
		t.Helper()
		b, err := json.Marshal(body)
		require.NoError(t, err)
		req, err := http.NewRequestWithContext(t.Context(), method, d.app.URL()+"api/v1/"+path, bytes.NewReader(b))
		require.NoError(t, err)
		req.Header.Set("Authorization", "Bearer "+d.setup.Tokens["a.quist"])
		req.Header.Set("Content-Type", "application/json")
		res, err := http.DefaultClient.Do(req)
		require.NoError(t, err)
		defer res.Body.Close()
		require.Equal(t, http.StatusOK, res.StatusCode, path)
		require.NoError(t, json.NewDecoder(res.Body).Decode(into))
	}
	often := map[string]int{} // a test that is corrected, or comes again, has several messages
	for _, it := range d.day.Items {
		often[it.Test]++
	}
	looked := 0
	for _, it := range d.day.Items {
		if it.Test == "" || often[it.Test] > 1 {
			continue
		}
		var found struct{ IDs []string }
		ask("POST", "find", map[string]string{"text": it.Test}, &found)
		if it.Want.End == "ignored" && len(found.IDs) == 0 {
			continue // a training message leaves no result
		}
		require.Len(t, found.IDs, 1, "%s: %s", it.Test, it.Story)
		var trace poct.Trace
		ask("GET", "results/"+found.IDs[0]+"/trace", nil, &trace)
		want := it.Want.End
		if it.Want.Settled != "" {
			want = it.Want.Settled
		}
		require.EqualValues(t, want, trace.State, "%s: %s", it.Test, it.Story)
		met := map[string]bool{}
		for _, v := range trace.Versions {
			for _, p := range v.Problems {
				met[p.Code] = true
			}
		}
		for _, h := range trace.Holds { // what the record system objected to
			for _, p := range h.Problems {
				met[p.Code] = true
			}
		}
		for _, code := range it.Want.Codes {
			require.True(t, met[code], "%s: %s: %s, met %v", it.Test, it.Story, code, met)
		}
		looked++
	}
	require.Greater(t, looked, 400)
}
