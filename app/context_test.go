package app_test

import (
	"bytes"
	"os"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidegate/config"
	"tidegate/standin"
)

// under starts the daemon anew with its configuration changed.
func (h *house) under(old, now string) {
	h.t.Helper()
	h.end()
	text, err := os.ReadFile(h.setup.Config)
	require.NoError(h.t, err)
	require.Contains(h.t, string(text), old)
	require.NoError(h.t, os.WriteFile(h.setup.Config, bytes.Replace(text, []byte(old), []byte(now), 1), 0o600))
	var faults []config.Fault
	h.cfg, faults = config.Load(h.setup.Config)
	require.Empty(h.t, faults)
	h.begin()
}

// stranger is known to the record system, and not to the registry.
func (h *house) stranger() message {
	m := h.test(0, "2.4", "28.8")
	m.who = standin.Patient{ID: "stranger", System: m.who.System, Value: "1234566", Family: "Quarry", Given: "Ines", BirthDate: "1961-12-31"}
	h.record.AddPatients(m.who)
	return m
}

func TestRegistrationFreesWhatWaited(t *testing.T) {
	h := newHouse(t)
	h.under("accepts: [results]", "accepts: [results, adt], authority: MILLRACE")
	m := h.stranger()
	require.Contains(t, h.send(m.bytes()), "MSA|AA|")
	h.rest()
	require.Contains(t, codes(h.openHold(m.seq).Problems), "patient-unknown")

	require.Contains(t, h.send([]byte("MSH|^~\\&|HOUSE|millrace|TIDEGATE|MILLRACE|{sent}||ADT^A04^ADT_A01|adt-1|P|2.5.1\r"+
		"EVN||{sent}\rPID|1||1234566||Quarry^Ines||19611231|F\rPV1|1|O|ROOM1^^^millrace\r")), "MSA|AA|adt-1")
	require.Eventually(t, func() bool { return len(h.observations("stranger")) == 2 }, 30*time.Second, 5*time.Millisecond)
	require.Equal(t, []string{"final"}, h.observations("stranger")["46418-0"])
}

func TestPatientsAreTheRecordSystems(t *testing.T) {
	h := newHouse(t)
	h.under("registry:\n", "registry:\n  patients: {from: record, outlet: record}\n")
	m := h.stranger()
	require.Contains(t, h.send(m.bytes()), "MSA|AA|")
	h.rest()
	require.Equal(t, []string{"final"}, h.observations("stranger")["46418-0"])

	nobody := h.test(1, "2.4", "28.8")
	nobody.who.Value = "1234574"
	h.send(nobody.bytes())
	h.rest()
	x := h.openHold(nobody.seq)
	require.Contains(t, x.Problems[0].Text, "The record system has no active patient")
	h.record.AddPatients(standin.Patient{ID: "late", System: m.who.System, Value: "1234574", Family: nobody.who.Family, Given: nobody.who.Given, BirthDate: nobody.who.BirthDate})
	status, b := h.settle("c.hale", x, "retry", nil)
	require.Equal(t, 200, status, string(b))
	h.rest()
	require.Equal(t, []string{"final"}, h.observations("late")["46418-0"], "a person's act asks anew")
}
