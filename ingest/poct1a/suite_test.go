package poct1a_test

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"net"
	"regexp"
	"strings"
	"testing"

	"github.com/rs/zerolog"
	"github.com/stretchr/testify/require"

	"tidegate/ingest"
	"tidegate/ingest/poct1a"
	"tidegate/ingest/sourcetest"
	"tidegate/testkit/durable"
)

const largest = 64 << 10

const hello = `<HEL.R01><HDR><HDR.control_id V="h1"/><HDR.version_id V="POCT1"/><HDR.creation_dttm V="2026-03-05T09:13:00+01:00"/></HDR>` +
	`<DEV><DEV.model_id V="SEDGE5"/><DEV.serial_id V="SD-0042"/></DEV></HEL.R01>`

// observation is a small patient result with a control id of its own.
func observation(n int) []byte {
	return fmt.Appendf(nil, `<OBS.R01><HDR><HDR.control_id V="suite-%d"/><HDR.creation_dttm V="2026-03-05T09:13:30+01:00"/></HDR>`+
		`<SVC><SVC.role_cd V="OBS"/><SVC.observation_dttm V="2026-03-05T09:12:00+01:00"/><PT><PT.patient_id V="%s"/><PT.name V="Alma %s"/>`+
		`<OBS><OBS.observation_id V="INR"/><OBS.value V="%s" U="{INR}"/></OBS></PT></SVC></OBS.R01>`,
		n, sourcetest.Canaries[1], sourcetest.Canaries[0], sourcetest.Canaries[2])
}

// padded is an observation of exactly so many bytes.
func padded(n, size int) []byte {
	const end = "</OBS.R01>"
	raw := bytes.TrimSuffix(observation(n), []byte(end))
	raw = append(raw, "<NTE>"...)
	raw = append(raw, bytes.Repeat([]byte{'x'}, size-len(raw)-len("</NTE>")-len(end))...)
	return append(raw, "</NTE>"+end...)
}

var speech = sourcetest.Speech{
	Format: "poct1a", Message: observation, ControlID: func(n int) string { return fmt.Sprintf("suite-%d", n) }, Padded: padded,
	Batch: func(messages ...[]byte) []byte { return bytes.Join(messages, nil) }, Single: true,
	Source: "inlet|SD-0042", Beside: []byte(hello),
	Odd: []sourcetest.Odd{
		{Name: "nothing", Raw: nil},
		{Name: "no document at all", Raw: []byte("\x01\x02\xff\xfe\x00 no document\r\n")},
		{Name: "blanks", Raw: []byte(" \r\n\t ")},
		{Name: "a root alone", Raw: []byte("<OBS.R01/>"), Kept: true},
		{Name: "a type that is not known", Raw: []byte(`<VND.R07><HDR><HDR.control_id V="v1"/></HDR></VND.R07>`), Kept: true},
		{Name: "a result that is not well-formed", Raw: []byte(`<OBS.R01><HDR><HDR.control_id V="b1"/></HDR><SVC a="1" a="2"></SVC></OBS.R01>`), Kept: true},
		{Name: "an entity of its own", Raw: []byte(`<OBS.R01><HDR><HDR.control_id V="b2"/></HDR><NTE>&secret;</NTE></OBS.R01>`), Kept: true},
		{Name: "bytes that are not UTF-8", Raw: []byte("<OBS.R01><HDR><HDR.control_id V=\"b3\"/></HDR><NTE>\xff</NTE></OBS.R01>"), Kept: true},
		{Name: "a document type", Raw: []byte(`<!DOCTYPE OBS.R01 [<!ENTITY a "aaaa">]><OBS.R01>&a;</OBS.R01>`)},
		{Name: "a document that breaks off", Raw: observation(7)[:120]},
		{Name: "a hello that cannot be read", Raw: []byte(`<HEL.R01><HDR a="1" a="1"/></HEL.R01>`)},
		{Name: "nested too deep", Raw: []byte(strings.Repeat("<a>", 40))},
		{Name: "another protocol", Raw: sourcetest.Message(3)},
	},
}

// wire is POCT1-A as a meter uses it: a conversation for each message.
type wire struct{}

func (wire) New(t *testing.T, box ingest.Inbox, log io.Writer) sourcetest.Inlet {
	in, err := poct1a.New(poct1a.Config{Listen: "127.0.0.1:0", MaxFrame: largest}, poct1a.Settings{ID: "inlet", Inbox: box, Log: zerolog.New(log)})
	require.NoError(t, err)
	return in
}

func (wire) Close() {}

var acks = regexp.MustCompile(`<ACK\.type_cd V="(A[AE])"/>(?:<ACK\.ack_control_id V="([^"]*)"/>)?`)

// Send says hello, sends, says that this is the last, and reads what comes back
// until the inlet hangs up.
func (wire) Send(ctx context.Context, in sourcetest.Inlet, raw []byte) sourcetest.Answer {
	c, err := (&net.Dialer{}).DialContext(ctx, "tcp", in.Addr())
	if err != nil {
		return sourcetest.None
	}
	defer c.Close()                                          //nolint:errcheck // all was read
	defer context.AfterFunc(ctx, func() { _ = c.Close() })() // ends the wait for an answer
	if _, err := c.Write(append([]byte(hello), raw...)); err != nil {
		return sourcetest.None
	}
	_ = c.(*net.TCPConn).CloseWrite() // on a connection that was cut it fails, and then so does the read
	got, _ := io.ReadAll(c)           // what came before a cut counts
	want := max(bytes.Count(raw, []byte("<OBS.R01>")), 1)
	positive, negative := 0, 0
	for _, a := range acks.FindAllStringSubmatch(string(got), -1) {
		switch {
		case a[2] == "h1":
		case a[1] == "AA":
			positive++
		default:
			negative++
		}
	}
	switch {
	case positive+negative == 0:
		return sourcetest.None
	case positive == want:
		return sourcetest.Positive
	}
	return sourcetest.Negative
}

func (wire) Half(ctx context.Context, in sourcetest.Inlet, raw []byte) (hangUp func()) {
	c, err := (&net.Dialer{}).DialContext(ctx, "tcp", in.Addr())
	if err != nil {
		return func() {}
	}
	_, _ = c.Write(append([]byte(hello), raw[:len(raw)/2]...)) // nothing is expected of it
	return func() { _ = c.Close() }
}

func TestConformance(t *testing.T) {
	h := sourcetest.Harness{Way: func(*testing.T) sourcetest.Way { return wire{} }, Largest: largest, Speech: speech}
	t.Run("memory", func(t *testing.T) { sourcetest.Run(t, h) })
	h.Keep = func(t *testing.T) sourcetest.Keeper { return durable.Open(t) }
	t.Run("store", func(t *testing.T) { sourcetest.Run(t, h) })
}
