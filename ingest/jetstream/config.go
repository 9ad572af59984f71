package jetstream

import (
	"net/url"
	"strings"
	"time"

	"tidegate/ingest"
	"tidegate/poct"
)

// Embedded as url runs a NATS server inside the daemon.
const Embedded = "embedded"

// Config is what the operator writes for one queue inlet.
type Config struct {
	URL string `yaml:"url"` // nats://host:port or tls://host:port, those of a cluster with commas between, or "embedded"
	// Listen is where the embedded server listens: loopback only, since it has
	// no sign-in of its own. 127.0.0.1:4222 if left out; port 0 takes a free one.
	Listen    string        `yaml:"listen,omitempty"`
	Stream    string        `yaml:"stream"`
	Subject   string        `yaml:"subject"`
	Durable   string        `yaml:"durable"`
	CredsFile string        `yaml:"creds_file,omitempty"` // NATS credentials of the user's server
	AckWait   time.Duration `yaml:"ack_wait,omitempty"`   // after which the server hands a message out again; 30s
	MaxSize   int           `yaml:"max_size,omitempty"`   // bytes of one message; 1 MiB
}

// WithDefaults fills in what was left out.
func (c Config) WithDefaults() Config {
	if c.Listen == "" && c.URL == Embedded {
		c.Listen = "127.0.0.1:4222"
	}
	if c.AckWait == 0 {
		c.AckWait = 30 * time.Second
	}
	if c.MaxSize == 0 {
		c.MaxSize = 1 << 20
	}
	return c
}

// Validate lists what cannot work, keys relative to the inlet.
func (c Config) Validate() []poct.KeyFault {
	c = c.WithDefaults()
	var faults []poct.KeyFault
	say := func(key, what, instead string) {
		faults = append(faults, poct.KeyFault{Key: key, What: what, Instead: instead})
	}
	switch {
	case c.URL == Embedded:
		if !ingest.Loopback(c.Listen) {
			say("listen", "is no loopback address; the embedded server has no sign-in", "write 127.0.0.1:4222, or the url of a NATS server of your own")
		}
		if c.CredsFile != "" {
			say("creds_file", "is for a NATS server of your own", "remove it")
		}
	case c.URL == "":
		say("url", "is missing", `write "embedded", or nats://host:4222`)
	case !servers(c.URL, func(u *url.URL) bool { return u.Host != "" && (u.Scheme == "nats" || u.Scheme == "tls") }):
		say("url", "is not the address of a NATS server", `write nats://host:4222, tls://host:4222 or "embedded"`)
	case !servers(c.URL, func(u *url.URL) bool { return u.User == nil }):
		say("url", "holds a user name or password, and addresses are shown and logged", "remove it, and name the credentials in creds_file")
	case c.Listen != "":
		say("listen", "is for the embedded server", "remove it")
	}
	if c.Stream == "" || strings.ContainsAny(c.Stream, " .*>/\\\t") {
		say("stream", "is not the name of a stream", "write a name without spaces, dots and wildcards, such as RESULTS")
	}
	if c.Subject == "" || strings.ContainsAny(c.Subject, " \t") {
		say("subject", "is not a subject", "write a subject such as results.>")
	}
	if c.Durable == "" || strings.ContainsAny(c.Durable, " .*>/\\\t") {
		say("durable", "is not the name of a consumer", "write a name without spaces, dots and wildcards, such as tidegate")
	}
	if c.AckWait < time.Second || c.AckWait > time.Hour {
		say("ack_wait", "is outside 1s to 1h", "write a duration such as 30s")
	}
	if c.MaxSize < 1024 || c.MaxSize > 64<<20 {
		say("max_size", "is outside 1 KiB to 64 MiB", "write a number of bytes such as 1048576")
	}
	return faults
}

// servers tells whether a text is the address of a server, or of several, each
// of which is as asked.
func servers(text string, is func(*url.URL) bool) bool {
	for one := range strings.SplitSeq(text, ",") {
		u, err := url.Parse(strings.TrimSpace(one))
		if err != nil || !is(u) {
			return false
		}
	}
	return true
}
