package lis

import (
	"context"
	"testing"
	"time"

	"github.com/goccy/go-yaml"
	"github.com/rs/zerolog"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidegate/ingest"
)

func TestConfigKeys(t *testing.T) {
	var c Config
	require.NoError(t, yaml.UnmarshalWithOptions([]byte(`
listen: 127.0.0.1:2576
mode: framed
max_message: 65536
max_frame: 64000
idle: 10m
max_connections: 1000
allow: [10.20.0.0/16, 192.0.2.7]
tls: {cert_file: a.pem, key_file: a.key, client_ca_file: ca.pem}
link: {wrap_to_one: true, refuse_controls: true, frame_time: 1m, reply_time: 20s, busy_time: 11s, yield_time: 21s, send_text: 64000, tries: 3}
`), &c, yaml.Strict()))
	assert.Equal(t, Config{Listen: "127.0.0.1:2576", Mode: "framed", MaxMessage: 65536, MaxFrame: 64000, Idle: 10 * time.Minute, MaxConnections: 1000,
		Allow: []string{"10.20.0.0/16", "192.0.2.7"}, TLS: &ingest.TLS{CertFile: "a.pem", KeyFile: "a.key", ClientCAFile: "ca.pem"},
		Link: LinkConfig{WrapToOne: true, RefuseControls: true, FrameTime: time.Minute, ReplyTime: 20 * time.Second, BusyTime: 11 * time.Second,
			YieldTime: 21 * time.Second, SendText: 64000, Tries: 3}}, c)
	assert.Empty(t, c.Validate())

	var s Config
	require.NoError(t, yaml.UnmarshalWithOptions([]byte("{serial: /dev/ttyUSB0, baud: 4800, data_bits: 7, parity: even, stop_bits: 2}"), &s, yaml.Strict()))
	assert.Equal(t, Config{Serial: "/dev/ttyUSB0", Baud: 4800, DataBits: 7, Parity: "even", StopBits: 2}, s)
	assert.Empty(t, s.Validate())

	d := Config{Serial: "x"}.withDefaults()
	assert.Equal(t, []int{9600, 8, 1, 1 << 20, 64 << 10, 256}, []int{d.Baud, d.DataBits, d.StopBits, d.MaxMessage, d.MaxFrame, d.MaxConnections})
	assert.Equal(t, []time.Duration{30 * time.Second, 15 * time.Second}, []time.Duration{d.Silence, d.Link.ReplyTime})
}

func TestConfigFaults(t *testing.T) {
	for _, c := range []struct {
		cfg  Config
		keys []string
	}{
		{Config{}, []string{"listen"}},
		{Config{Listen: "2576"}, []string{"listen"}},
		{Config{Listen: ":1", Serial: "x"}, []string{"serial"}},
		{Config{Listen: ":1", Mode: "loud"}, []string{"mode"}},
		{Config{Listen: ":1", Silence: 1}, []string{"silence"}},
		{Config{Listen: ":1", Mode: "bare", Link: LinkConfig{Tries: 1}}, []string{"link"}},
		{Config{Listen: ":1", Baud: 1, DataBits: 8, Parity: "none", StopBits: 1}, []string{"baud", "data_bits", "parity", "stop_bits"}},
		{Config{Serial: "x", Baud: -1, DataBits: 9, Parity: "mark", StopBits: 3}, []string{"baud", "data_bits", "parity", "stop_bits"}},
		{Config{Serial: "x", Idle: 1, MaxConnections: 1, Allow: []string{}, TLS: &ingest.TLS{}}, []string{"idle", "max_connections", "allow", "tls"}},
		{Config{Listen: ":1", MaxMessage: -1, MaxFrame: 1 << 40, MaxConnections: -1, Idle: -1}, []string{"max_message", "max_frame", "max_connections", "idle"}},
		{Config{Listen: ":1", Allow: []string{"127.0.0.1", "here", "10.0.0.0/99"}}, []string{"allow[1]", "allow[2]"}},
		{Config{Listen: ":1", TLS: &ingest.TLS{}}, []string{"tls.cert_file", "tls.key_file"}},
		{Config{Listen: ":1", Link: LinkConfig{FrameTime: -1, ReplyTime: -1, BusyTime: -1, YieldTime: -1, SendText: 70000, Tries: -1}},
			[]string{"link.frame_time", "link.reply_time", "link.busy_time", "link.yield_time", "link.send_text", "link.tries"}},
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

func TestNewRefuses(t *testing.T) {
	_, err := New(Config{Listen: ":0"}, Settings{ID: "a"})
	assert.ErrorContains(t, err, "inbox")
	_, err = New(Config{Listen: ":0", TLS: &ingest.TLS{CertFile: "none.pem", KeyFile: "none.key"}}, Settings{ID: "a", Inbox: newBox()})
	assert.ErrorContains(t, err, "tls")
	in := newInlet(t, Config{}, newBox(), nil)
	assert.Empty(t, in.Addr())
	assert.ErrorContains(t, in.Run(context.Background()), "Run before Listen")
	require.NoError(t, in.Listen())
	taken, err := New(Config{Listen: in.Addr()}, Settings{ID: "b", Inbox: newBox(), Log: zerolog.Nop()})
	require.NoError(t, err)
	assert.ErrorContains(t, taken.Listen(), "inlet b")
	require.NoError(t, in.Close())
	require.NoError(t, taken.Listen())
	require.NoError(t, taken.Close())
}
