package testkit

import (
	"bytes"
	"net/http"
	"net/http/httptest"
	"os"
	"regexp"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidegate/config"
	"tidegate/standin"
)

// House is the invented clinic as a fault test needs it: a folder with its
// configuration and data, and the record system, which outlives the daemon.
type House struct {
	testing.TB
	Day    *standin.Day
	Setup  standin.Setup
	Record *standin.Record
	Config *config.Config
	Dir    string
	server *httptest.Server // of the record system
	people []standin.Patient
	begin  time.Time // when the first test of the load was made
}

// Options of a house. The zero value has the inlets mllp and http.
type Options struct {
	AllInlets bool
	Dir       string // for its folder; "" for the test's own
	Edit      func(configuration []byte) []byte
}

var queueInlet = regexp.MustCompile(`(?m)^  - \{id: (queue|drop), .*\n`)

// NewHouse writes the set-up and starts the record system.
func NewHouse(t testing.TB, o Options) *House {
	t.Helper()
	h := &House{TB: t, Dir: o.Dir, begin: time.Now().Add(-150 * time.Minute).Truncate(time.Second)}
	if h.Dir == "" {
		h.Dir = t.TempDir()
	}
	var err error
	h.Day, err = standin.NewDay(3, time.Now())
	require.NoError(t, err)
	server := httptest.NewUnstartedServer(nil)
	ports := standin.Ports{
		Web: "127.0.0.1:0", MLLP: "127.0.0.1:0", HTTP: "127.0.0.1:0",
		Record: "http://" + server.Listener.Addr().String() + "/fhir",
	}
	if o.AllInlets {
		ports.LIS, ports.POCT1A = "127.0.0.1:0", "127.0.0.1:0"
	}
	h.Setup, err = h.Day.WriteSetup(h.Dir, ports)
	require.NoError(t, err)
	all := h.Day.Patients()
	h.people = all[20 : len(all)-1] // the last is the invented training patient
	h.Record = standin.NewRecord(standin.Options{Token: h.Setup.RecordToken, Patients: h.Day.Patients(), KeepBodies: true, LogSize: 400_000})
	server.Config.Handler = http.StripPrefix("/fhir", h.Record)
	server.Start()
	h.server = server
	t.Cleanup(server.Close)
	h.edit(func(text []byte) []byte {
		// Shorter than by default: what a killed process had in its hands comes
		// back after these.
		text = bytes.Replace(text, []byte("timeout: 5s"), []byte("timeout: 1s"), 1)
		text = bytes.Replace(text, []byte("durable: tidegate,"), []byte("durable: tidegate, ack_wait: 1s,"), 1)
		if !o.AllInlets {
			text = queueInlet.ReplaceAll(text, nil)
		}
		if o.Edit != nil {
			text = o.Edit(text)
		}
		return text
	})
	return h
}

// edit changes the configuration file and reads it again.
func (h *House) edit(change func([]byte) []byte) {
	h.Helper()
	text, err := os.ReadFile(h.Setup.Config)
	require.NoError(h, err)
	require.NoError(h, os.WriteFile(h.Setup.Config, change(text), 0o600))
	var faults []config.Fault
	h.Config, faults = config.Load(h.Setup.Config)
	require.Empty(h, faults)
}

// Start runs the daemon in a child process that ends with the test.
func (h *House) Start(env ...string) *Child {
	h.Helper()
	c, err := Start(h.Setup.Config, env...)
	require.NoError(h, err)
	h.Cleanup(c.Kill)
	return c
}

// Controls are the messages by which the meter's own controls pass; until they
// are in, its results are held.
func (h *House) Controls() (list []Message) {
	for _, it := range h.Day.Items {
		if it.Meter == Meter && it.Way == standin.MLLP && it.Want.End == "filed" && bytes.Contains(it.Bytes, []byte("\rSPM|")) {
			raw := bytes.ReplaceAll(it.Bytes, []byte("{sent}"), []byte(stamp(time.Now())))
			list = append(list, Message{Raw: raw})
		}
	}
	require.NotEmpty(h, list)
	return list
}
