package mllp

import (
	"net"
	"time"

	"tidegate/ingest"
	"tidegate/poct"
)

// Config is what the operator sets for an MLLP inlet, next to id, kind and
// profiles. Zero values mean the defaults named.
type Config struct {
	Listen         string        `yaml:"listen"`                    // host:port
	MaxFrame       int           `yaml:"max_frame,omitempty"`       // bytes of one message or batch; 1048576
	Idle           time.Duration `yaml:"idle,omitempty"`            // silence between messages before closing; 0: none, TCP keepalive alone
	FrameTimeout   time.Duration `yaml:"frame_timeout,omitempty"`   // from the first byte of a message to its last; 60s
	MaxConnections int           `yaml:"max_connections,omitempty"` // at a time; 256
	TLS            *ingest.TLS   `yaml:"tls,omitempty"`             // none: plain TCP, for a network of the meters' own
}

const (
	defaultMaxFrame       = 1 << 20
	defaultFrameTimeout   = time.Minute
	defaultMaxConnections = 256
	largestFrame          = 256 << 20
)

// Validate finds what is wrong with the keys, without looking at files.
func (c Config) Validate() []poct.KeyFault {
	var faults []poct.KeyFault
	bad := func(key, what, instead string) {
		faults = append(faults, poct.KeyFault{Key: key, What: what, Instead: instead})
	}
	if c.Listen == "" {
		bad("listen", "is missing", "write the address to listen on, such as 127.0.0.1:2575")
	} else if _, _, err := net.SplitHostPort(c.Listen); err != nil {
		bad("listen", "is not an address and a port", "write it like 127.0.0.1:2575")
	}
	if c.MaxFrame < 0 || c.MaxFrame > largestFrame {
		bad("max_frame", "is not a number of bytes from 1 to 268435456", "write the size of the largest message, such as 1048576")
	}
	if c.MaxConnections < 0 {
		bad("max_connections", "is below 1", "write how many meters may be connected at a time, such as 256")
	}
	if c.Idle < 0 {
		bad("idle", "is below 0", "write a duration such as 10m, or 0s for no limit")
	}
	if c.FrameTimeout < 0 {
		bad("frame_timeout", "is below 0", "write a duration such as 60s")
	}
	return append(faults, c.TLS.Validate()...)
}

func (c Config) withDefaults() Config {
	if c.MaxFrame == 0 {
		c.MaxFrame = defaultMaxFrame
	}
	if c.FrameTimeout == 0 {
		c.FrameTimeout = defaultFrameTimeout
	}
	if c.MaxConnections == 0 {
		c.MaxConnections = defaultMaxConnections
	}
	return c
}
