package mllp

import (
	"context"
	"testing"
	"time"

	"github.com/goccy/go-yaml"
	"github.com/rs/zerolog"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidegate/ingest"
	"tidegate/wire/hl7"
)

func TestConfigKeys(t *testing.T) {
	var c Config
	require.NoError(t, yaml.UnmarshalWithOptions([]byte(`
listen: 127.0.0.1:2575
max_frame: 65536
idle: 10m
frame_timeout: 30s
max_connections: 1000
tls: {cert_file: a.pem, key_file: a.key, client_ca_file: ca.pem}
`), &c, yaml.Strict()))
	assert.Equal(t, Config{Listen: "127.0.0.1:2575", MaxFrame: 65536, Idle: 10 * time.Minute, FrameTimeout: 30 * time.Second,
		MaxConnections: 1000, TLS: &ingest.TLS{CertFile: "a.pem", KeyFile: "a.key", ClientCAFile: "ca.pem"}}, c)
	assert.Empty(t, c.Validate())

	d := Config{Listen: ":0"}.withDefaults()
	assert.Equal(t, 1<<20, d.MaxFrame)
	assert.Equal(t, time.Duration(0), d.Idle)
	assert.Equal(t, time.Minute, d.FrameTimeout)
	assert.Equal(t, 256, d.MaxConnections)
}

func TestConfigFaults(t *testing.T) {
	for _, c := range []struct {
		cfg  Config
		keys []string
	}{
		{Config{}, []string{"listen"}},
		{Config{Listen: "2575"}, []string{"listen"}},
		{Config{Listen: ":1", MaxFrame: -1, MaxConnections: -1, Idle: -1, FrameTimeout: -1}, []string{"max_frame", "max_connections", "idle", "frame_timeout"}},
		{Config{Listen: ":1", MaxFrame: 1 << 40}, []string{"max_frame"}},
		{Config{Listen: ":1", TLS: &ingest.TLS{}}, []string{"tls.cert_file", "tls.key_file"}},
	} {
		var keys []string
		for _, f := range c.cfg.Validate() {
			keys = append(keys, f.Key)
			assert.NotEmpty(t, f.What)
			assert.NotEmpty(t, f.Instead)
		}
		assert.Equal(t, c.keys, keys)
		_, err := New(c.cfg, Settings{ID: "a", Inbox: newBox()})
		assert.ErrorContains(t, err, c.keys[0])
	}
}

// Event types of HL7 table 0076; AR 200 and 201 are of table 0357.
func TestAcceptsWhatItIsTold(t *testing.T) {
	for _, c := range []struct {
		name    string
		accepts []string
		typ     string
		want    hl7.Code
	}{
		{"results alone unless told", nil, "ORU^R01", ""},
		{"no ADT unless told", nil, "ADT^A04", hl7.CodeMessageType},
		{"ADT, whatever its event", []string{"adt"}, "ADT^A99", ""},
		{"no results where they are not taken", []string{"adt"}, "ORU^R01", hl7.CodeMessageType},
		{"orders", []string{"results", "orders"}, "OML^O21", ""},
		{"orders of another kind", []string{"orders"}, "ORM^O02", hl7.CodeEvent},
	} {
		l, err := New(Config{Listen: ":0"}, Settings{ID: "a", Accepts: c.accepts, Inbox: newBox()})
		require.NoError(t, err)
		raw := []byte("MSH|^~\\&|H|M|T|X|20260305||" + c.typ + "|1|P|2.5.1\r")
		h, _ := hl7.ReadHeader(raw)
		got := hl7.Code("")
		if f := l.refuse(h, raw); f != nil {
			got = f.Code
		}
		assert.Equal(t, c.want, got, c.name)
	}
}

func TestNewRefuses(t *testing.T) {
	_, err := New(Config{Listen: ":0"}, Settings{ID: "a"})
	assert.ErrorContains(t, err, "inbox")
	l, err := New(Config{Listen: "127.0.0.1:0"}, Settings{ID: "a", Inbox: newBox(), Log: zerolog.Nop()})
	require.NoError(t, err)
	assert.Empty(t, l.Addr())
	assert.ErrorContains(t, l.Run(context.Background()), "Run before Listen")

	require.NoError(t, l.Listen())
	taken, err := New(Config{Listen: l.Addr()}, Settings{ID: "b", Inbox: newBox(), Log: zerolog.Nop()})
	require.NoError(t, err)
	assert.ErrorContains(t, taken.Listen(), "inlet b")
	stopped, stop := context.WithCancel(context.Background())
	stop()
	require.NoError(t, l.Run(stopped), "a stop before the start is a stop")
}
