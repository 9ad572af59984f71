package outbound

import (
	"slices"
	"strings"
	"time"

	"tidegate/poct"
)

// Config is what the operator writes for one outlet: the keys that every kind
// has, and those of its own kind.
type Config struct {
	ID       string        `yaml:"id"`
	Kind     string        `yaml:"kind"`      // one of Kinds, default fhir
	Sites    []string      `yaml:"sites"`     // "*" for all
	InFlight int           `yaml:"in_flight"` // deliveries at once, default 8, of hl7v2 and folder 1
	Timeout  time.Duration `yaml:"timeout"`   // of one request, default 10s, of hl7v2 30s
	// LookupWait is how long the other side may linger over a lost request, and
	// its search index may lag; default 2s.
	LookupWait time.Duration `yaml:"lookup_wait"`
	Retry      Retry         `yaml:"retry"`
	Breaker    BreakerConfig `yaml:"breaker"`

	// Of one kind each; its keys stand beside the others.
	FHIR      FHIR      `yaml:"-"`
	HL7v2     HL7v2     `yaml:"-"`
	JetStream JetStream `yaml:"-"`
	Folder    Folder    `yaml:"-"`
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

// part is the configuration of one kind of outlet.
type part interface {
	withDefaults()
	validate(say sayFault)
	// open makes the destination: it reads secrets but opens no connection.
	open(c Config, s Settings) (Destination, error)
}

// sayFault tells of a key that cannot work, relative to the outlet.
type sayFault func(key, what, instead string)

// kinds of outlet, where the keys of each stand, and their defaults of keys
// that all have. One HL7 v2 message at a time, and half a minute for its
// acknowledgement, is common practice, no source.
var kinds = []struct {
	name     string
	of       func(*Config) part
	inFlight int
	timeout  time.Duration
}{
	{"fhir", func(c *Config) part { return &c.FHIR }, 8, 10 * time.Second},
	{"hl7v2", func(c *Config) part { return &c.HL7v2 }, 1, 30 * time.Second},
	{"jetstream", func(c *Config) part { return &c.JetStream }, 8, 10 * time.Second},
	{"folder", func(c *Config) part { return &c.Folder }, 1, 10 * time.Second},
}

// Kinds lists the kinds of outlet.
func (*Config) Kinds() []string {
	var names []string
	for _, k := range kinds {
		names = append(names, k.name)
	}
	return names
}

// Part is where the keys of a kind stand: a pointer to a struct, nil if there
// is no such kind. No kind is the first one.
func (c *Config) Part(kind string) any {
	if p := c.part(kind); p != nil {
		return p
	}
	return nil
}

func (c *Config) part(kind string) part {
	for i, k := range kinds {
		if k.name == kind || kind == "" && i == 0 {
			return k.of(c)
		}
	}
	return nil
}

// WithDefaults fills in what was not written.
func (c Config) WithDefaults() Config {
	text(&c.Kind, kinds[0].name)
	for _, k := range kinds {
		if k.name == c.Kind {
			number(&c.InFlight, k.inFlight)
			span(&c.Timeout, k.timeout)
		}
	}
	number(&c.InFlight, 8) // of a kind that there is not: Validate tells of that alone
	span(&c.Timeout, 10*time.Second)
	number(&c.Breaker.Failures, 5)
	span(&c.LookupWait, 2*time.Second)
	span(&c.Retry.First, time.Second)
	span(&c.Retry.Max, 5*time.Minute)
	span(&c.Breaker.Pause, 10*time.Second)
	if p := c.part(c.Kind); p != nil {
		p.withDefaults()
	}
	return c
}

func text(v *string, d string) {
	if *v == "" {
		*v = d
	}
}

func span(v *time.Duration, d time.Duration) {
	if *v == 0 {
		*v = d
	}
}

func number(v *int, d int) {
	if *v == 0 {
		*v = d
	}
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
	if len(c.Sites) == 0 {
		say("sites", "the outlet serves no site", `write site ids, or ["*"] for all`)
	}
	if c.InFlight < 1 || c.InFlight > 256 {
		say("in_flight", "outside 1 to 256", "write how many deliveries may be on the way at once, for example 8")
	}
	within(say, "timeout", c.Timeout, 100*time.Millisecond, 5*time.Minute)
	within(say, "lookup_wait", c.LookupWait, time.Millisecond, time.Hour)
	within(say, "retry.first", c.Retry.First, 10*time.Millisecond, time.Hour)
	within(say, "retry.max", c.Retry.Max, c.Retry.First, 24*time.Hour)
	within(say, "breaker.pause", c.Breaker.Pause, 10*time.Millisecond, time.Hour)
	if c.Breaker.Failures < 1 {
		say("breaker.failures", "a breaker needs at least one failure", "write for example 5")
	}
	if p := c.part(c.Kind); p != nil {
		p.validate(say)
	} else {
		say("kind", "outlet kind "+c.Kind+" does not exist", "write one of "+strings.Join(c.Kinds(), ", "))
	}
	return faults
}

// within tells of a duration outside its bounds.
func within(say sayFault, key string, d, low, top time.Duration) {
	if d < low || d > top {
		say(key, d.String()+" is outside "+low.String()+" to "+top.String(), "write a duration such as "+low.String())
	}
}

// oneOf tells of a word that is none of those known.
func oneOf(say sayFault, key, word string, known ...string) {
	if !slices.Contains(known, word) {
		say(key, key+" "+word+" does not exist", "write one of "+strings.Join(known, ", "))
	}
}
