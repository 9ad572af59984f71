package lis

import (
	"fmt"
	"net"
	"net/netip"
	"slices"
	"strings"
	"time"

	"tidegate/ingest"
	"tidegate/poct"
	"tidegate/wire/astm"
)

// Config is what the operator sets for a LIS inlet, next to id, kind and
// profiles: an address to listen on, or a serial port. Zero values mean the
// defaults named.
type Config struct {
	Listen         string        `yaml:"listen,omitempty"`          // host:port
	Serial         string        `yaml:"serial,omitempty"`          // such as /dev/ttyUSB0, in place of listen
	Baud           int           `yaml:"baud,omitempty"`            // 9600
	DataBits       int           `yaml:"data_bits,omitempty"`       // 7 or 8; 8
	Parity         string        `yaml:"parity,omitempty"`          // none, even, odd; none
	StopBits       int           `yaml:"stop_bits,omitempty"`       // 1 or 2; 1
	Mode           string        `yaml:"mode,omitempty"`            // framed, or bare: records without the link
	MaxMessage     int           `yaml:"max_message,omitempty"`     // bytes from H to L; 1048576
	MaxFrame       int           `yaml:"max_frame,omitempty"`       // bytes of text in one frame; 65536
	Idle           time.Duration `yaml:"idle,omitempty"`            // TCP: silence before closing; 0: none, keepalive alone
	Silence        time.Duration `yaml:"silence,omitempty"`         // bare: ends a message without L; 30s
	MaxConnections int           `yaml:"max_connections,omitempty"` // at a time; 256
	Allow          []string      `yaml:"allow,omitempty"`           // addresses or networks that may connect; none: all
	TLS            *ingest.TLS   `yaml:"tls,omitempty"`             // none: plain TCP, for a network of the meters' own
	Link           LinkConfig    `yaml:"link,omitempty"`
}

// LinkConfig is how the meters keep to LIS01. Their makers differ in it.
type LinkConfig struct {
	WrapToOne      bool          `yaml:"wrap_to_one,omitempty"`     // frame 1 follows frame 7, not 0
	RefuseControls bool          `yaml:"refuse_controls,omitempty"` // refuse frames with characters that LIS01 bars
	FrameTime      time.Duration `yaml:"frame_time,omitempty"`      // for the next frame or the end; 30s
	ReplyTime      time.Duration `yaml:"reply_time,omitempty"`      // how long a sender waits for an answer; 15s
	BusyTime       time.Duration `yaml:"busy_time,omitempty"`       // after the meter refused to take anything; 10s
	YieldTime      time.Duration `yaml:"yield_time,omitempty"`      // after both began; 20s
	SendText       int           `yaml:"send_text,omitempty"`       // bytes of text in a frame of ours; 240
	Tries          int           `yaml:"tries,omitempty"`           // how often a frame is sent; 6
}

const (
	framed = "framed"
	bare   = "bare"

	defaultMaxMessage     = 1 << 20
	defaultMaxConnections = 256
	largest               = 256 << 20
)

// Validate finds what is wrong with the keys, without looking at files.
func (c Config) Validate() []poct.KeyFault {
	var faults []poct.KeyFault
	bad := func(wrong bool, key, what, instead string) {
		if wrong {
			faults = append(faults, poct.KeyFault{Key: key, What: what, Instead: instead})
		}
	}
	_, _, err := net.SplitHostPort(c.Listen)
	bad(c.Listen == "" && c.Serial == "", "listen", "is missing", "write the address to listen on, such as 127.0.0.1:2576, or serial: and the port, such as /dev/ttyUSB0")
	bad(c.Listen != "" && err != nil, "listen", "is not an address and a port", "write it like 127.0.0.1:2576")
	bad(c.Listen != "" && c.Serial != "", "serial", "stands beside listen", "write an inlet of its own for each serial port")
	bad(c.Mode != "" && c.Mode != framed && c.Mode != bare, "mode", "is not known", "write framed or bare")
	bad(c.MaxMessage < 0 || c.MaxMessage > largest, "max_message", "is not a number of bytes from 1 to 268435456", "write the size of the largest message, such as 1048576")
	bad(c.MaxFrame < 0 || c.MaxFrame > largest, "max_frame", "is not a number of bytes from 1 to 268435456", "write the size of the largest frame's text, such as 65536")
	faults = append(faults, c.line()...)
	bad(c.Mode != bare && c.Silence != 0, "silence", "has no effect on framed records", "remove it")
	bad(c.Mode == bare && c.Link != LinkConfig{}, "link", "has no effect on bare records", "remove it")
	for _, d := range []struct {
		key   string
		value time.Duration
	}{
		{"idle", c.Idle}, {"silence", c.Silence}, {"link.frame_time", c.Link.FrameTime}, {"link.reply_time", c.Link.ReplyTime},
		{"link.busy_time", c.Link.BusyTime}, {"link.yield_time", c.Link.YieldTime},
	} {
		bad(d.value < 0, d.key, "is below 0", "write a duration such as 30s")
	}
	bad(c.Link.SendText < 0 || c.Link.SendText > astm.LongText, "link.send_text", "is not a number from 1 to 64000", "write 240, which every receiver takes")
	bad(c.Link.Tries < 0, "link.tries", "is below 1", "write how often a frame is sent, such as 6")
	return faults
}

// line checks what belongs to TCP alone, or to a serial port alone.
func (c Config) line() []poct.KeyFault {
	var faults []poct.KeyFault
	bad := func(key, what, instead string) {
		faults = append(faults, poct.KeyFault{Key: key, What: what, Instead: instead})
	}
	if c.Serial == "" {
		for _, k := range []struct {
			key     string
			written bool
		}{{"baud", c.Baud != 0}, {"data_bits", c.DataBits != 0}, {"parity", c.Parity != ""}, {"stop_bits", c.StopBits != 0}} {
			if k.written {
				bad(k.key, "is for a serial port", "remove it")
			}
		}
		if c.MaxConnections < 0 {
			bad("max_connections", "is below 1", "write how many meters may be connected at a time, such as 256")
		}
		for i, a := range c.Allow {
			if _, err := network(a); err != nil {
				bad(fmt.Sprintf("allow[%d]", i), "is neither an address nor a network", "write it like 10.20.0.14 or 10.20.0.0/16")
			}
		}
		return append(faults, c.TLS.Validate()...)
	}
	for _, k := range []struct {
		key     string
		written bool
	}{{"idle", c.Idle != 0}, {"max_connections", c.MaxConnections != 0}, {"allow", c.Allow != nil}, {"tls", c.TLS != nil}} {
		if k.written {
			bad(k.key, "has no effect on a serial port", "remove it")
		}
	}
	if c.Baud < 0 {
		bad("baud", "is below 1", "write the speed that the meter is set to, such as 9600")
	}
	if c.DataBits != 0 && c.DataBits != 7 && c.DataBits != 8 {
		bad("data_bits", "is neither 7 nor 8", "write what the meter is set to, such as 8")
	}
	if !slices.Contains([]string{"", "none", "even", "odd"}, c.Parity) {
		bad("parity", "is not known", "write none, even or odd")
	}
	if c.StopBits < 0 || c.StopBits > 2 {
		bad("stop_bits", "is neither 1 nor 2", "write what the meter is set to, such as 1")
	}
	return faults
}

// network reads an address, or a network of them.
func network(s string) (netip.Prefix, error) {
	if strings.Contains(s, "/") {
		p, err := netip.ParsePrefix(s)
		return p.Masked(), err
	}
	a, err := netip.ParseAddr(s)
	if err != nil {
		return netip.Prefix{}, err
	}
	a = a.Unmap()
	return netip.PrefixFrom(a, a.BitLen()), nil
}

func (c Config) withDefaults() Config {
	for _, n := range []struct {
		to    *int
		value int
	}{
		{&c.MaxMessage, defaultMaxMessage}, {&c.MaxFrame, 64 << 10}, {&c.MaxConnections, defaultMaxConnections},
		{&c.Baud, 9600}, {&c.DataBits, 8}, {&c.StopBits, 1},
	} {
		if *n.to == 0 {
			*n.to = n.value
		}
	}
	if c.Silence == 0 {
		c.Silence = 30 * time.Second
	}
	if c.Link.ReplyTime == 0 {
		c.Link.ReplyTime = 15 * time.Second
	}
	return c
}

// link is the host's side of LIS01 with these settings.
func (c Config) link() astm.Settings {
	return astm.Settings{
		Role: astm.Host, MaxText: c.MaxFrame, WrapToOne: c.Link.WrapToOne, RefuseControls: c.Link.RefuseControls,
		FrameTime: c.Link.FrameTime, ReplyTime: c.Link.ReplyTime, BusyTime: c.Link.BusyTime, YieldTime: c.Link.YieldTime,
		SendText: c.Link.SendText, Tries: c.Link.Tries,
	}
}
