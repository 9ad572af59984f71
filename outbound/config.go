package outbound

import (
	"net/netip"
	"net/url"
	"strings"
	"time"

	"tidegate/poct"
)

// Config is what the operator writes for one outlet.
type Config struct {
	ID      string   `yaml:"id"`
	Kind    string   `yaml:"kind"`     // fhir
	BaseURL string   `yaml:"base_url"` // https, or http on loopback
	Mode    string   `yaml:"mode"`     // transaction
	Sites   []string `yaml:"sites"`    // "*" for all
	// SearchByPost keeps patients' identifiers out of the record system's
	// URLs, where it supports POST [type]/_search.
	SearchByPost bool          `yaml:"search_by_post"`
	Auth         Auth          `yaml:"auth"`
	InFlight     int           `yaml:"in_flight"`   // deliveries at once, default 8
	Timeout      time.Duration `yaml:"timeout"`     // of one request, default 10s
	LookupWait   time.Duration `yaml:"lookup_wait"` // how long the record system may linger over a lost request and its search index may lag, default 2s
	// INRUnit is the UCUM code sent for INR: "{INR}", or "1" where the receiver
	// takes no annotations.
	INRUnit string `yaml:"inr_unit"`
	// OwnIDs: "auto" creates under ids of ours where the record system says that
	// it takes them, "never" leaves the ids to it.
	OwnIDs  string        `yaml:"own_ids"`
	IDAge   time.Duration `yaml:"id_age"` // how long ids of the record system are trusted, default 15m
	Retry   Retry         `yaml:"retry"`
	Breaker BreakerConfig `yaml:"breaker"`
}

// Auth says how to sign in. Secrets stand in files of mode 0600.
type Auth struct {
	Kind         string `yaml:"kind"` // none, bearer, basic
	TokenFile    string `yaml:"token_file"`
	Username     string `yaml:"username"`
	PasswordFile string `yaml:"password_file"`
}

// Retry bounds the pauses between attempts of one delivery.
type Retry struct {
	First time.Duration `yaml:"first"` // default 1s, doubled each time
	Max   time.Duration `yaml:"max"`   // default 5m
}

// BreakerConfig says when the whole destination is left alone.
type BreakerConfig struct {
	Failures int           `yaml:"failures"` // failures in a row, default 5
	Pause    time.Duration `yaml:"pause"`    // default 10s
}

// WithDefaults fills in what was not written.
func (c Config) WithDefaults() Config {
	text := func(v *string, d string) {
		if *v == "" {
			*v = d
		}
	}
	span := func(v *time.Duration, d time.Duration) {
		if *v == 0 {
			*v = d
		}
	}
	number := func(v *int, d int) {
		if *v == 0 {
			*v = d
		}
	}
	text(&c.Kind, "fhir")
	text(&c.Mode, "transaction")
	text(&c.OwnIDs, "auto")
	text(&c.Auth.Kind, "none")
	number(&c.InFlight, 8)
	number(&c.Breaker.Failures, 5)
	span(&c.Timeout, 10*time.Second)
	span(&c.LookupWait, 2*time.Second)
	span(&c.IDAge, 15*time.Minute)
	span(&c.Retry.First, time.Second)
	span(&c.Retry.Max, 5*time.Minute)
	span(&c.Breaker.Pause, 10*time.Second)
	return c
}

// Validate lists what cannot work, keys relative to the outlet. It opens no
// file and no connection.
func (c Config) Validate() []poct.KeyFault {
	c = c.WithDefaults()
	var faults []poct.KeyFault
	say := func(key, what, instead string) {
		faults = append(faults, poct.KeyFault{Key: key, What: what, Instead: instead})
	}
	if c.ID == "" {
		say("id", "an outlet needs an id", "write a short name, for example record")
	}
	if c.Kind != "fhir" {
		say("kind", "outlet kind "+c.Kind+" does not exist", "write fhir")
	}
	if c.Mode != "transaction" {
		say("mode", "mode "+c.Mode+" does not exist", "write transaction")
	}
	if what := badBase(c.BaseURL); what != "" {
		say("base_url", what, "write the address of the record system, for example https://record.example/fhir; http is for loopback only")
	}
	if c.INRUnit != "" && c.INRUnit != "{INR}" && c.INRUnit != "1" {
		say("inr_unit", "is not a UCUM code for INR", `write "{INR}" or "1"`)
	}
	if c.OwnIDs != "auto" && c.OwnIDs != "never" {
		say("own_ids", "own_ids "+c.OwnIDs+" does not exist", "write auto or never")
	}
	if len(c.Sites) == 0 {
		say("sites", "the outlet serves no site", `write site ids, or ["*"] for all`)
	}
	c.validateAuth(say)
	if c.InFlight < 1 || c.InFlight > 256 {
		say("in_flight", "outside 1 to 256", "write how many deliveries may be on the way at once, for example 8")
	}
	for _, d := range []struct {
		key      string
		v        time.Duration
		low, top time.Duration
	}{
		{"timeout", c.Timeout, 100 * time.Millisecond, 5 * time.Minute},
		{"lookup_wait", c.LookupWait, time.Millisecond, time.Hour},
		{"id_age", c.IDAge, time.Second, 24 * time.Hour},
		{"retry.first", c.Retry.First, 10 * time.Millisecond, time.Hour},
		{"retry.max", c.Retry.Max, c.Retry.First, 24 * time.Hour},
		{"breaker.pause", c.Breaker.Pause, 10 * time.Millisecond, time.Hour},
	} {
		if d.v < d.low || d.v > d.top {
			say(d.key, d.v.String()+" is outside "+d.low.String()+" to "+d.top.String(), "write a duration such as "+d.low.String())
		}
	}
	if c.Breaker.Failures < 1 {
		say("breaker.failures", "a breaker needs at least one failure", "write for example 5")
	}
	return faults
}

func (c Config) validateAuth(say func(key, what, instead string)) {
	switch c.Auth.Kind {
	case "none":
		if c.Auth.TokenFile != "" || c.Auth.PasswordFile != "" {
			say("auth.kind", "a secret is named, but the kind says none", "write bearer or basic")
		}
	case "bearer":
		if c.Auth.TokenFile == "" {
			say("auth.token_file", "bearer needs a token", "write the path of a file of mode 0600 that holds it")
		}
	case "basic":
		if c.Auth.Username == "" {
			say("auth.username", "basic needs a user name", "write it here")
		}
		if c.Auth.PasswordFile == "" {
			say("auth.password_file", "basic needs a password", "write the path of a file of mode 0600 that holds it")
		}
	default:
		say("auth.kind", "auth kind "+c.Auth.Kind+" does not exist", "write none, bearer or basic")
	}
}

// badBase says why an address is not one to send patients' results to.
func badBase(base string) string {
	u, err := url.Parse(base)
	switch {
	case base == "":
		return "the address of the record system is missing"
	case err != nil || u.Host == "" || (u.Scheme != "http" && u.Scheme != "https"):
		return "not an absolute http or https address"
	case u.User != nil || u.RawQuery != "" || u.Fragment != "":
		return "an address here holds no credentials, query or fragment"
	}
	host := u.Hostname()
	ip, err := netip.ParseAddr(host)
	if err == nil && (ip.IsLinkLocalUnicast() || ip.IsMulticast() || ip.IsUnspecified()) {
		return "this address is of no single host"
	}
	loopback := (err == nil && ip.IsLoopback()) || strings.EqualFold(host, "localhost")
	if u.Scheme == "http" && !loopback {
		return "http off this machine would send results in the clear"
	}
	return ""
}
