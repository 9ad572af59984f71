package notify

import (
	"net/netip"
	"net/url"
	"slices"
	"strings"
	"time"

	"tidegate/poct"
)

// Kinds of channel.
const (
	Webhook   = "webhook"
	JetStream = "jetstream"
)

// Told lists the kinds of notification that a channel can be told to carry.
var Told = []string{
	poct.NotifyCritical, poct.NotifyEscalated, poct.NotifyAgeing, poct.NotifyOutlet,
	poct.NotifyInlet, poct.NotifyMeter, poct.NotifyLookBack, poct.NotifyLotRecall,
}

// Config is what the operator writes for one channel.
type Config struct {
	ID   string `yaml:"id"`
	Kind string `yaml:"kind"` // webhook, jetstream
	// URL is https, or http on loopback, for a webhook; nats or tls, those of a
	// cluster with commas between, for JetStream.
	URL   string   `yaml:"url"`
	On    []string `yaml:"on"`    // kinds of notification, see Told
	Sites []string `yaml:"sites"` // "*" for all; what belongs to no one site goes to every channel

	TokenFile string `yaml:"token_file,omitempty"` // webhook: bearer token, in a file of mode 0600

	Subject   string `yaml:"subject,omitempty"`    // JetStream: where to publish
	Stream    string `yaml:"stream,omitempty"`     // JetStream: the stream that must take it; any if left out
	CredsFile string `yaml:"creds_file,omitempty"` // JetStream: NATS credentials, in a file of mode 0600

	Timeout time.Duration `yaml:"timeout,omitempty"` // of one attempt, default 10s
	GiveUp  time.Duration `yaml:"give_up,omitempty"` // an older notification is left, default 24h
	Retry   Retry         `yaml:"retry,omitempty"`
}

// Retry bounds the pauses between attempts, those that the other side asks for
// too: a Retry-After of a day would silence the next critical result.
type Retry struct {
	First time.Duration `yaml:"first,omitempty"` // default 1s, doubled each time
	Max   time.Duration `yaml:"max,omitempty"`   // default 5m
}

// WithDefaults fills in what was not written.
func (c Config) WithDefaults() Config {
	for _, d := range []struct {
		v *time.Duration
		d time.Duration
	}{
		{&c.Timeout, 10 * time.Second},
		{&c.GiveUp, 24 * time.Hour},
		{&c.Retry.First, time.Second},
		{&c.Retry.Max, max(5*time.Minute, c.Retry.First)},
	} {
		if *d.v == 0 {
			*d.v = d.d
		}
	}
	return c
}

// Validate lists what cannot work, keys relative to the channel. It opens no
// file and no connection.
func (c Config) Validate() []poct.KeyFault {
	c = c.WithDefaults()
	var faults []poct.KeyFault
	say := func(key, what, instead string) {
		faults = append(faults, poct.KeyFault{Key: key, What: what, Instead: instead})
	}
	if c.ID == "" {
		say("id", "a channel needs an id", "write a short name, for example duty")
	}
	switch c.Kind {
	case Webhook:
		c.validateWebhook(say)
	case JetStream:
		c.validateStream(say)
	default:
		say("kind", "channel kind "+c.Kind+" does not exist", "write webhook or jetstream")
	}
	if len(c.On) == 0 {
		say("on", "the channel carries nothing", "write kinds of notification: "+strings.Join(Told, ", "))
	}
	for _, kind := range c.On {
		if !slices.Contains(Told, kind) {
			say("on", kind+" is no kind of notification", "write some of "+strings.Join(Told, ", "))
		}
	}
	if len(c.Sites) == 0 {
		say("sites", "the channel serves no site", `write site ids, or ["*"] for all`)
	}
	for _, d := range []struct {
		key      string
		v        time.Duration
		low, top time.Duration
	}{
		{"timeout", c.Timeout, 100 * time.Millisecond, time.Minute},
		{"give_up", c.GiveUp, time.Minute, 30 * 24 * time.Hour},
		{"retry.first", c.Retry.First, 10 * time.Millisecond, time.Hour},
		{"retry.max", c.Retry.Max, c.Retry.First, time.Hour},
	} {
		if d.v < d.low || d.v > d.top {
			say(d.key, d.v.String()+" is outside "+d.low.String()+" to "+d.top.String(), "write a duration such as "+d.low.String())
		}
	}
	return faults
}

func (c Config) validateWebhook(say func(key, what, instead string)) {
	if what := badAddress(c.URL); what != "" {
		say("url", what, "write the address that takes the notifications, for example https://duty.example/tidegate; http is for loopback only")
	}
	for key, value := range map[string]string{"subject": c.Subject, "stream": c.Stream, "creds_file": c.CredsFile} {
		if value != "" {
			say(key, "is for a channel of kind jetstream", "remove it")
		}
	}
}

func (c Config) validateStream(say func(key, what, instead string)) {
	for one := range strings.SplitSeq(c.URL, ",") {
		u, err := url.Parse(strings.TrimSpace(one))
		switch {
		case err != nil || u.Host == "" || (u.Scheme != "nats" && u.Scheme != "tls"):
			say("url", "is not the address of a NATS server", "write nats://host:4222 or tls://host:4222")
		case u.User != nil:
			say("url", "holds a user name or password", "remove it, and name the credentials in creds_file")
		}
	}
	if c.Subject == "" || strings.ContainsAny(c.Subject, " \t\r\n*>") || slices.Contains(strings.Split(c.Subject, "."), "") {
		say("subject", "is not a subject to publish under", "write names with points between, such as tidegate.notices, without wildcards")
	}
	if strings.ContainsAny(c.Stream, " .*>/\\\t") {
		say("stream", "is not the name of a stream", "write a name without spaces, points and wildcards, or leave the key out")
	}
	if c.TokenFile != "" {
		say("token_file", "is for a channel of kind webhook", "remove it, or name NATS credentials in creds_file")
	}
}

// badAddress says why an address is not one to post to, "" if it is.
func badAddress(text string) string {
	u, err := url.Parse(text)
	switch {
	case text == "":
		return "the address is missing"
	case err != nil || u.Host == "" || (u.Scheme != "http" && u.Scheme != "https"):
		return "is not an absolute http or https address"
	case u.User != nil || u.RawQuery != "" || u.Fragment != "":
		return "an address here holds no credentials, query or fragment"
	}
	ip, err := netip.ParseAddr(u.Hostname())
	switch {
	case err == nil && nowhere(ip):
		return "this address is of no single host"
	case u.Scheme == "https" || err == nil && ip.Unmap().IsLoopback() || strings.EqualFold(u.Hostname(), "localhost"):
		return ""
	}
	return "http off this machine can be read and changed on the way"
}

// nowhere tells whether an address is one that a configuration must never
// lead to: of no host, of many, or of whatever stands nearest.
func nowhere(ip netip.Addr) bool {
	return ip.IsLinkLocalUnicast() || ip.IsMulticast() || ip.IsUnspecified()
}

// wants tells whether the channel carries a notification.
func (c Config) wants(n poct.Notification) bool {
	return slices.Contains(c.On, n.Kind) &&
		(n.Site == "" || slices.Contains(c.Sites, "*") || slices.Contains(c.Sites, n.Site))
}
