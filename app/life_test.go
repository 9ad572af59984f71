package app_test

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/rs/zerolog"
	"github.com/stretchr/testify/require"

	"tidegate/app"
	"tidegate/config"
	"tidegate/poct"
	"tidegate/standin"
)

// house is a daemon on the invented clinic's configuration, with the stand-in
// record system behind it.
type house struct {
	t      *testing.T
	app    *app.App
	cfg    *config.Config
	setup  standin.Setup
	day    *standin.Day
	record *standin.Record
	people []standin.Patient
	seq    int
	end    func() // stops the daemon
}

// newHouse begins one; more stands at the end of its configuration.
func newHouse(t *testing.T, more ...string) *house {
	t.Helper()
	h := &house{t: t, seq: 9000}
	var err error
	h.day, err = standin.NewDay(3, time.Now())
	require.NoError(t, err)
	server := httptest.NewUnstartedServer(nil)
	dir := t.TempDir()
	h.setup, err = h.day.WriteSetup(dir, standin.Ports{Web: "127.0.0.1:0", MLLP: "127.0.0.1:0", HTTP: "127.0.0.1:0", Record: "http://" + server.Listener.Addr().String() + "/fhir"})
	require.NoError(t, err)
	h.people = h.day.Patients()[20:]
	h.record = standin.NewRecord(standin.Options{Token: h.setup.RecordToken, Patients: h.day.Patients()})
	server.Config.Handler = http.StripPrefix("/fhir", h.record)
	server.Start()
	t.Cleanup(server.Close)
	text, err := os.ReadFile(h.setup.Config)
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(h.setup.Config, append(text, strings.Join(more, "\n")...), 0o600))
	var faults []config.Fault
	h.cfg, faults = config.Load(h.setup.Config)
	require.Empty(t, faults)
	h.begin()
	t.Cleanup(func() {
		h.end()
		v, err := app.Verify(context.Background(), h.cfg, nil)
		require.NoError(t, err)
		require.Empty(t, v.Faults)
		require.True(t, v.Verified)
		require.Zero(t, h.record.Scan().Duplicates())
	})
	h.controls()
	return h
}

// begin starts the daemon on what is in its folder; end stops it.
func (h *house) begin() {
	h.t.Helper()
	var err error
	h.app, err = app.New(h.cfg, app.Options{Log: zerolog.New(zerolog.NewTestWriter(h.t)).Level(zerolog.WarnLevel), Version: "test"})
	require.NoError(h.t, err)
	ctx, cancel := context.WithCancel(context.Background())
	ran := make(chan error, 1)
	go func() { ran <- h.app.Run(ctx) }()
	h.end = func() {
		h.t.Helper()
		cancel()
		require.NoError(h.t, <-ran)
		require.NoError(h.t, h.app.Close())
	}
}

// controls lets the meter's own controls of the day pass first.
func (h *house) controls() {
	for _, it := range h.day.Items {
		if it.Meter == "Q3-0118" && it.Way == standin.MLLP && it.Want.End == "filed" && bytes.Contains(it.Bytes, []byte("\rSPM|")) {
			require.Contains(h.t, h.send(it.Bytes), "MSA|AA|")
		}
	}
}

func stamp(t time.Time) string { return t.Format("20060102150405-0700") }

// test is a message of meter Q3-0118 as its maker's engineers would write it.
type message struct {
	who     standin.Patient
	seq     int
	inr, pt string
	lot     string
	status  string
	at      time.Time
}

func (h *house) test(who int, inr, pt string) message {
	h.seq++
	return message{who: h.people[who], seq: h.seq, inr: inr, pt: pt, lot: "Q2411", status: "F", at: time.Now().Add(-3 * time.Minute)}
}

func (m message) bytes() []byte {
	at := stamp(m.at)
	return fmt.Appendf(nil, "MSH|^~\\&|QUILL3|millrace|TIDEGATE|MILLRACE|{sent}||ORU^R01^ORU_R01|life-%d-%s-%s|P|2.5.1\r"+
		"PID|1||%s^^^MILLRACE^MR||%s^%s||%s|\rOBR|1||%d^Q3-0118|INR^PT^99QUILL|||%s\r"+
		"OBX|1|NM|34714-6^INR^LN||%s|{INR}^^UCUM|||||%s|||%s||118|QUILL3|Q3-0118^QUILL3|%s\r"+
		"OBX|2|NM|5964-2^PT^LN||%s|s^^UCUM|||||%s|||%s||118|QUILL3|Q3-0118^QUILL3|%s\r"+
		"OBX|3|ST|STRIPLOT^Strip lot^99QUILL||%s||||||%s\r",
		m.seq, m.status, m.inr, m.who.Value, m.who.Family, m.who.Given, strings.ReplaceAll(m.who.BirthDate, "-", ""), m.seq, at,
		m.inr, m.status, at, at, m.pt, m.status, at, at, m.lot, m.status)
}

// send speaks MLLP and returns the acknowledgement.
func (h *house) send(raw []byte) string {
	h.t.Helper()
	c, err := net.Dial("tcp", h.app.Listeners()["bench"])
	require.NoError(h.t, err)
	defer c.Close()
	require.NoError(h.t, c.SetDeadline(time.Now().Add(20*time.Second)))
	raw = bytes.ReplaceAll(raw, []byte("{sent}"), []byte(stamp(time.Now())))
	_, err = c.Write(append(append([]byte{0x0b}, raw...), 0x1c, 0x0d))
	require.NoError(h.t, err)
	var got []byte
	buf := make([]byte, 4096)
	for !bytes.HasSuffix(got, []byte{0x1c, 0x0d}) {
		n, err := c.Read(buf)
		require.NoError(h.t, err)
		got = append(got, buf[:n]...)
	}
	return string(got)
}

// rest waits until nothing is under way.
func (h *house) rest() poct.Account {
	h.t.Helper()
	var a poct.Account
	require.Eventually(h.t, func() bool {
		var err error
		a, err = h.app.Account(h.t.Context())
		return err == nil && a.Waiting+a.Delivering == 0
	}, 30*time.Second, 5*time.Millisecond)
	return a
}

// ask calls the API as a person and returns status and body.
func (h *house) ask(who, method, path string, body any) (int, []byte) {
	h.t.Helper()
	var r io.Reader
	if body != nil {
		b, err := json.Marshal(body)
		require.NoError(h.t, err)
		r = bytes.NewReader(b)
	}
	req, err := http.NewRequestWithContext(h.t.Context(), method, h.app.URL()+"api/v1/"+path, r)
	require.NoError(h.t, err)
	req.Header.Set("Authorization", "Bearer "+h.setup.Tokens[who])
	req.Header.Set("Content-Type", "application/json")
	res, err := http.DefaultClient.Do(req)
	require.NoError(h.t, err)
	defer res.Body.Close()
	b, err := io.ReadAll(res.Body)
	require.NoError(h.t, err)
	return res.StatusCode, b
}

// trace finds one result by meter and sequence.
func (h *house) trace(seq int) (t poct.Trace) {
	h.t.Helper()
	status, b := h.ask("a.quist", "POST", "find", map[string]string{"text": fmt.Sprintf("Q3-0118:%d", seq)})
	require.Equal(h.t, 200, status, string(b))
	var found struct{ IDs []string }
	require.NoError(h.t, json.Unmarshal(b, &found))
	require.Len(h.t, found.IDs, 1)
	status, b = h.ask("a.quist", "GET", "results/"+found.IDs[0]+"/trace", nil)
	require.Equal(h.t, 200, status, string(b))
	require.NoError(h.t, json.Unmarshal(b, &t))
	return t
}

func (h *house) openHold(seq int) poct.HoldRecord {
	h.t.Helper()
	for _, x := range h.trace(seq).Holds {
		if x.Open {
			return x
		}
	}
	h.t.Fatalf("sequence %d has no open hold", seq)
	return poct.HoldRecord{}
}

func (h *house) settle(who string, x poct.HoldRecord, act string, changes map[string]string) (int, []byte) {
	h.t.Helper()
	return h.ask(who, "POST", "holds/"+x.ID+"/settle", map[string]any{
		"act": act, "version": x.Version, "changes": changes, "reason": "looked at the vial and the wristband",
	})
}

// observations of one patient at the record system: status by LOINC code.
func (h *house) observations(patient string) map[string][]string {
	h.t.Helper()
	out := map[string][]string{}
	for _, s := range h.record.All("Observation") {
		var o struct {
			Status  string
			Subject struct{ Reference string }
			Code    struct{ Coding []struct{ Code string } }
		}
		require.NoError(h.t, json.Unmarshal(s.Body, &o))
		if strings.HasSuffix(o.Subject.Reference, "Patient/"+patient) {
			code := o.Code.Coding[0].Code
			out[code] = append(out[code], o.Status)
		}
	}
	return out
}

func codes(problems []poct.Problem) (out []string) {
	for _, p := range problems {
		if p.Severity == poct.Hold && p.Because == "" {
			out = append(out, p.Code)
		}
	}
	return out
}
