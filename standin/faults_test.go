package standin

import (
	"errors"
	"io"
	"net/http"
	"strings"
	"syscall"
	"testing"

	"github.com/stretchr/testify/require"
)

func TestFaultsOnCommand(t *testing.T) {
	tests := []struct {
		name   string
		fault  Fault
		status int    // 0: no answer at all
		says   string // in the body
		kept   int    // Observations afterwards
	}{
		{"applied, answer dropped", Fault{Kind: Drop, Apply: true}, 0, "", 1},
		{"dropped before", Fault{Kind: Drop}, 0, "", 0},
		{"reset", Fault{Kind: Reset}, 0, "", 0},
		{"503", Fault{Kind: Status, Status: 503, RetryAfter: "2"}, 503, "OperationOutcome", 0},
		{"504 after it was applied", Fault{Kind: Status, Status: 504, Apply: true}, 504, "", 1},
		{"page", Fault{Kind: HTMLPage}, 200, "<html>", 0},
		{"outcome", Fault{Kind: ErrorOutcome}, 200, `"code":"exception"`, 0},
		{"empty", Fault{Kind: EmptyAnswer, Apply: true}, 201, "", 1},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			r, c := serve(t, Options{})
			r.Plan(Next(tt.fault))
			req, err := http.NewRequest("POST", c.base+"/Observation", strings.NewReader(inr("a")))
			require.NoError(t, err)
			req.Header.Set("Content-Type", fhirJSON)
			res, err := http.DefaultClient.Do(req)
			if tt.status == 0 {
				require.Error(t, err)
				if tt.fault.Kind == Reset {
					require.True(t, errors.Is(err, syscall.ECONNRESET) || errors.Is(err, io.EOF), err)
				}
			} else {
				require.NoError(t, err)
				b, err := io.ReadAll(res.Body)
				require.NoError(t, err)
				require.NoError(t, res.Body.Close())
				require.Equal(t, tt.status, res.StatusCode)
				require.Equal(t, tt.fault.RetryAfter, res.Header.Get("Retry-After"))
				require.Contains(t, string(b), tt.says)
			}
			require.Equal(t, tt.kept, r.Scan().Observations)
			got := c.do("POST", "/Observation", inr("a"), "If-None-Exist", identifier+"a")
			require.Contains(t, []int{200, 201}, got.status)
			require.Equal(t, 1, r.Scan().Observations)
		})
	}
}

func TestOutageEndsWhenItIsLifted(t *testing.T) {
	r, c := serve(t, Options{})
	r.Outage(&Fault{Kind: Status, Status: 503})
	require.Equal(t, 503, c.do("GET", "/metadata", "").status)
	r.Outage(nil)
	require.Equal(t, 200, c.do("GET", "/metadata", "").status)
	require.Equal(t, []int{503, 200}, []int{r.AccessLog()[0].Status, r.AccessLog()[1].Status})
}

func TestRandomFaultsRepeatBySeed(t *testing.T) {
	draw := func(seed uint64) (out []FaultKind) {
		p := Random(seed, 0.5, Fault{Kind: Drop}, Fault{Kind: Reset})
		for n := range int64(64) {
			out = append(out, p(n, nil).Kind)
		}
		return out
	}
	require.Equal(t, draw(7), draw(7))
	require.NotEqual(t, draw(7), draw(8))
}

func TestAccessLogKeepsTheLast(t *testing.T) {
	r, c := serve(t, Options{LogSize: 3})
	for _, p := range []string{"/a", "/b", "/c", "/d"} {
		c.do("GET", p, "")
	}
	var got []string
	for _, a := range r.AccessLog() {
		got = append(got, a.URL)
	}
	require.Equal(t, []string{"/b", "/c", "/d"}, got)
	require.EqualValues(t, 4, r.Requests())
}

// BenchmarkTransaction is one strip's transaction with judging, no network.
func BenchmarkTransaction(b *testing.B) {
	r := NewRecord(Options{Patients: []Patient{ada}})
	body := transactionOf(post(urlA, inr("a"), `,"ifNoneExist":"identifier=urn:ietf:rfc:3986%7Curn:uuid:a"`),
		post(urlB, inr("bb"), `,"ifNoneExist":"identifier=urn:ietf:rfc:3986%7Curn:uuid:bb"`))
	b.SetBytes(int64(len(body)))
	for b.Loop() {
		if got := r.transaction([]byte(body)); got.status != 200 {
			b.Fatal(string(got.body))
		}
	}
}
