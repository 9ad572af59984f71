//go:build peers

package hl7peers

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/rs/zerolog"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidegate/mapping"
	"tidegate/outbound"
	"tidegate/outbound/outlettest"
	"tidegate/poct"
	"tidegate/wire/hl7"
)

// read is what a receiver read in one message.
type read struct {
	ID       string   `json:"id"`
	Type     string   `json:"type"`
	Patient  string   `json:"patient"`
	Family   string   `json:"family"`
	Filler   string   `json:"filler"`
	Segments int      `json:"segments"`
	Values   []string `json:"values"` // code, value, unit, status, operator, meter
}

// receiver runs a receiver on a port of its own and gives each line it prints
// after the first.
func receiver(t *testing.T, command ...string) (port string, reads <-chan read) {
	t.Helper()
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	_, port, _ = net.SplitHostPort(ln.Addr().String())
	require.NoError(t, ln.Close())
	ctx, stop := context.WithTimeout(context.Background(), time.Minute)
	cmd := exec.CommandContext(ctx, command[0], append(command[1:], port)...)
	cmd.Stderr = os.Stderr
	out, err := cmd.StdoutPipe()
	require.NoError(t, err)
	require.NoError(t, cmd.Start())
	t.Cleanup(func() { stop(); _ = cmd.Wait() }) // killed: it never ends by itself
	lines := bufio.NewScanner(out)
	require.True(t, lines.Scan(), "the receiver did not start")
	require.Equal(t, `"ready"`, lines.Text())
	ch := make(chan read, 10)
	go func() {
		defer close(ch)
		for lines.Scan() {
			var r read
			if json.Unmarshal(lines.Bytes(), &r) == nil && r.ID != "" {
				ch <- r
			}
		}
	}()
	return port, ch
}

func result(n, version int, inr string) poct.Result {
	at := time.Date(2026, 3, 4, 9, n, 0, 0, time.UTC)
	r := poct.Result{
		ID: fmt.Sprint("r-", n), Version: version, Site: "millrace", SiteName: "Millrace Surgery", OperatorOK: true, LotOK: true,
		Patient: poct.Patient{Authority: "MILLRACE", ID: "1002", Family: "Testperson", Given: "Ada", BirthDate: "1950-01-01", Sex: "F"},
		Issued:  at.Add(time.Duration(version) * time.Minute), LotExpires: "2026-11-30",
		Reading: poct.Reading{
			Arrival: "0190c0de-0000-7000-8000-000000000001", Kind: poct.KindPatient, Status: poct.StatusFinal, Model: "Quill 3",
			Meter: "Q3-0118", Sequence: fmt.Sprint(n), Specimen: "capillary", Operator: "118", StripLot: "Q2411",
			TestedAt: poct.Stamp{Raw: at.Format("20060102150405-0700"), At: at, Precision: "second"},
			Measurements: []poct.Measurement{
				{Analyte: "inr", Value: poct.MustNumber(inr), RawValue: inr, Unit: "{INR}", LOINC: "46418-0"},
				{Analyte: "pt", Value: poct.MustNumber("28.8"), RawValue: "28.8", Unit: "s", LOINC: "46417-2"},
			},
		},
	}
	r.Key = r.Reading.Key()
	return r
}

// python3-hl7's own MLLP server, answering by its create_ack.
const pythonServer = `
import asyncio, json, sys
import hl7, hl7.mllp

async def serve(reader, writer):
    try:
        while not writer.is_closing():
            m = await reader.readmessage()
            obx = m.segments("OBX")
            text = lambda s, f: str(s(f)(1)(1)) if len(s(f)(1)) > 1 else str(s(f))
            print(json.dumps({
                "id": str(m.segment("MSH")(10)), "type": str(m.segment("MSH")(9)(1)(1)) + "^" + str(m.segment("MSH")(9)(1)(2)),
                "patient": text(m.segment("PID"), 3), "family": text(m.segment("PID"), 5), "filler": text(m.segment("OBR"), 3),
                "segments": len(m), "values": [" ".join([text(x, 3), str(x(5)), text(x, 6), str(x(11)), str(x(16)), text(x, 18)]) for x in obx],
            }), flush=True)
            writer.writemessage(m.create_ack())
            await writer.drain()
    except asyncio.IncompleteReadError:
        pass

async def main():
    async with await hl7.mllp.start_hl7_server(serve, "127.0.0.1", int(sys.argv[1]), encoding="utf-8") as server:
        print('"ready"', flush=True)
        await server.serve_forever()

asyncio.run(main())
`

// Receivers that nobody here wrote take a result, its correction and its
// withdrawal over one outlet, and read what was meant.
func TestReceivers(t *testing.T) {
	for name, command := range map[string][]string{
		"node-hl7-server": {"node", "node-hl7-server/serve.mjs"},
		"simple-hl7":      {"node", "simple-hl7/serve.cjs"},
		"hl7v2-net":       {"node", "hl7v2-net/serve.mjs"},
		"python3-hl7":     {"/usr/bin/python3", "-c", pythonServer},
	} {
		for _, message := range []string{mapping.Unsolicited, mapping.Announcing} {
			t.Run(name+" "+message, func(t *testing.T) {
				if folder := filepath.Dir(command[1]); command[0] == "node" {
					if _, err := os.Stat(filepath.Join(folder, "node_modules")); err != nil {
						t.Fatalf("peers/hl7/%s/node_modules is missing: run ./test.sh, or npm ci in that folder", folder)
					}
				}
				port, reads := receiver(t, command...)
				store := outlettest.NewStore(time.Now)
				cfg := outbound.Config{ID: "lab", Kind: "hl7v2", Sites: []string{"*"}, Timeout: 10 * time.Second, HL7v2: outbound.HL7v2{
					Address: "127.0.0.1:" + port, LetterConfig: outbound.LetterConfig{Message: message, ReceivingApplication: "LAB"},
				}}
				answered := make(chan poct.Receipt, 10)
				w, err := outbound.New(cfg, outbound.Settings{ID: "lab", Store: store, Log: zerolog.Nop(), Wake: store.Wake(),
					Answered: func(r poct.Receipt, _ bool, _ time.Duration) { answered <- r }})
				require.NoError(t, err)
				first, second := result(1, 1, "2.4"), result(2, 1, ">8.0")
				second.Patient.Family = `O'Nil|l^~\&`
				store.Add("lab", first, poct.Create)
				store.Add("lab", result(1, 2, "2.60"), poct.Correct)
				store.Add("lab", result(1, 3, "2.60"), poct.Withdraw)
				store.Add("lab", second, poct.Create)
				ctx, stop := context.WithTimeout(t.Context(), 40*time.Second)
				defer stop()
				ran := make(chan error, 1)
				go func() { ran <- w.Run(ctx) }()
				for range 4 {
					select {
					case r := <-answered:
						require.Equal(t, "delivered", r.Class, r.Answer)
						require.Equal(t, "AA", r.Answer)
					case <-ctx.Done():
						t.Fatal("not all were acknowledged")
					}
				}
				stop()
				require.NoError(t, <-ran)
				got := map[string]read{}
				for len(got) < 4 { // node-hl7-server reads and answers what came before on a connection once more
					select {
					case r := <-reads:
						got[r.ID] = r
					case <-time.After(10 * time.Second):
						t.Fatalf("read %d of 4 messages", len(got))
					}
				}
				event := "ORU^R01"
				if message == mapping.Announcing {
					event = "ORU^R30"
				}
				for id, want := range map[int64]struct{ inr, status string }{1: {"2.4", "F"}, 2: {"2.60", "C"}, 3: {"2.60", "W"}} {
					body := store.Row(id).Body
					h, _ := hl7.ReadHeader(body)
					r := got[h.ControlID]
					assert.Equal(t, "1002", r.Patient)
					assert.Equal(t, "Testperson", r.Family)
					assert.Equal(t, mapping.FillerNumber(first), r.Filler)
					assert.Equal(t, bytes.Count(body, []byte("\r")), r.Segments)
					require.Len(t, r.Values, 2)
					assert.Equal(t, "46418-0 "+want.inr+" {INR} "+want.status+" 118 Q3-0118", r.Values[0])
					assert.Equal(t, "46417-2 28.8 s "+want.status+" 118 Q3-0118", r.Values[1])
					if id == 1 {
						assert.Equal(t, event, r.Type)
					}
				}
				h, _ := hl7.ReadHeader(store.Row(4).Body)
				assert.Equal(t, bytes.Count(store.Row(4).Body, []byte("\r")), got[h.ControlID].Segments, "a name makes no segment")
			})
		}
	}
}

// Every golden message fits the structures, required fields, tables and
// lengths of HL7 2.5.1 as hl7-dictionary has them; and the checker notices
// what does not.
func TestMessagesFitTheDictionary(t *testing.T) {
	files, err := filepath.Glob("../../mapping/testdata/oru/*.hl7")
	require.NoError(t, err)
	require.NotEmpty(t, files)
	var all []string
	for _, f := range files {
		b, err := os.ReadFile(f)
		require.NoError(t, err)
		all = append(all, strings.ReplaceAll(string(b), "\n", "\r"))
	}
	for i, found := range fitting(t, all...) {
		assert.Empty(t, found, files[i])
	}
	good, err := os.ReadFile("../../mapping/testdata/oru/inr-and-pt.hl7")
	require.NoError(t, err)
	spoilt := func(old, new string) string {
		require.Contains(t, string(good), old)
		return strings.ReplaceAll(strings.Replace(string(good), old, new, 1), "\n", "\r")
	}
	for i, found := range fitting(t,
		spoilt("|||||F|||", "|||||Q|||"), spoilt("|||||F|||", "||||||||"), spoilt("|NM|", "|NN|"), spoilt("ORC|RE|", "ORC||"),
		spoilt("PID|1|", "PIX|1|"), spoilt("SPM|1|", "OBX|1|"), spoilt("|2.40|", "|2,40|"), spoilt("ORU_R01", "ORU_R30"),
	) {
		assert.NotEmpty(t, found, "fault %d", i+1)
	}
}

func fitting(t *testing.T, messages ...string) [][]string {
	t.Helper()
	var in bytes.Buffer
	for _, m := range messages {
		require.NoError(t, json.NewEncoder(&in).Encode(m))
	}
	cmd := exec.Command("node", "check.cjs")
	cmd.Dir, cmd.Stdin = "hl7-dictionary", &in
	var stderr bytes.Buffer
	cmd.Stderr = &stderr
	out, err := cmd.Output()
	require.NoError(t, err, stderr.String())
	var all [][]string
	for line := range strings.Lines(string(out)) {
		var found []string
		require.NoError(t, json.Unmarshal([]byte(line), &found))
		all = append(all, found)
	}
	require.Len(t, all, len(messages))
	return all
}
