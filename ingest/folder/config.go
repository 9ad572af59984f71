package folder

import (
	"fmt"
	"path"
	"strings"
	"time"

	"tidegate/poct"
)

// Config is what the operator writes for one folder inlet.
type Config struct {
	Path string `yaml:"path"` // files are dropped here; work, done and error are made inside
	// Patterns are the names that are taken, such as "*.csv"; all if left out.
	Patterns []string `yaml:"patterns,omitempty"`
	// Poll is how often the folder is read; 2s. Shares over a network tell of
	// no changes by themselves.
	Poll time.Duration `yaml:"poll,omitempty"`
	// StableFor is how long a file must not have changed before it is taken,
	// where nothing else says that it is whole; 10s. At least two polls.
	StableFor time.Duration `yaml:"stable_for,omitempty"`
	MaxSize   int64         `yaml:"max_size,omitempty"` // bytes of one file; 16 MiB
}

const (
	defaultPoll      = 2 * time.Second
	defaultStableFor = 10 * time.Second
	defaultMaxSize   = 16 << 20
	largestMaxSize   = 128 << 20
)

// WithDefaults fills in what was left out.
func (c Config) WithDefaults() Config {
	if c.Poll == 0 {
		c.Poll = defaultPoll
	}
	if c.StableFor == 0 {
		c.StableFor = defaultStableFor
	}
	if c.MaxSize == 0 {
		c.MaxSize = defaultMaxSize
	}
	return c
}

// Validate lists what cannot work, keys relative to the inlet. It opens no file.
func (c Config) Validate() []poct.KeyFault {
	c = c.WithDefaults()
	var faults []poct.KeyFault
	say := func(key, what, instead string) {
		faults = append(faults, poct.KeyFault{Key: key, What: what, Instead: instead})
	}
	if c.Path == "" {
		say("path", "is missing", "write the folder that files are dropped in")
	}
	for n, p := range c.Patterns {
		if _, err := path.Match(p, "x"); err != nil || p == "" || strings.ContainsRune(p, '/') {
			say(fmt.Sprintf("patterns[%d]", n), "is not a pattern for file names", `write one such as "*.csv" or "results-??.hl7"`)
		}
	}
	if c.Poll < 50*time.Millisecond || c.Poll > 10*time.Minute {
		say("poll", "is outside 50ms to 10m", "write a duration such as 2s")
	}
	if c.StableFor < 100*time.Millisecond || c.StableFor > time.Hour {
		say("stable_for", "is outside 100ms to 1h", "write a duration such as 10s")
	}
	if c.MaxSize < 1024 || c.MaxSize > largestMaxSize {
		say("max_size", "is outside 1 KiB to 128 MiB", "write a number of bytes such as 16777216")
	}
	return faults
}

// stablePolls is at how many polls in a row a file must look the same: so many
// that StableFor lies between the first and the last, and at least two. Polls
// are counted rather than times compared, since the clock of a file server, and
// our own, may be set.
func (c Config) stablePolls() int {
	return max(2, 1+int((c.StableFor+c.Poll-1)/c.Poll))
}

// wants tells whether files of this name are taken.
func (c Config) wants(name string) bool {
	for _, p := range c.Patterns {
		if ok, _ := path.Match(p, name); ok { // checked by Validate
			return true
		}
	}
	return len(c.Patterns) == 0
}
