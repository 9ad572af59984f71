package folder

import (
	"time"

	"tidegate/poct"
)

// Config is what the operator writes for one folder inlet.
type Config struct {
	Path string `yaml:"path"` // files are dropped here; work, done and error are made inside
	// Poll is how often the folder is read; 2s. Shares over a network tell of
	// no changes by themselves.
	Poll time.Duration `yaml:"poll,omitempty"`
	// StableFor is how long a file must not have changed before it is taken,
	// where nothing else says that it is whole; 5s.
	StableFor time.Duration `yaml:"stable_for,omitempty"`
	MaxSize   int64         `yaml:"max_size,omitempty"` // bytes of one file; 16 MiB
}

// WithDefaults fills in what was left out.
func (c Config) WithDefaults() Config {
	if c.Poll == 0 {
		c.Poll = 2 * time.Second
	}
	if c.StableFor == 0 {
		c.StableFor = 5 * time.Second
	}
	if c.MaxSize == 0 {
		c.MaxSize = 16 << 20
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
	if c.Poll < 50*time.Millisecond || c.Poll > 10*time.Minute {
		say("poll", "is outside 50ms to 10m", "write a duration such as 2s")
	}
	if c.StableFor < c.Poll && c.StableFor < 100*time.Millisecond || c.StableFor > time.Hour {
		say("stable_for", "is outside 100ms to 1h", "write a duration such as 5s")
	}
	if c.MaxSize < 1024 || c.MaxSize > 1<<30 {
		say("max_size", "is outside 1 KiB to 1 GiB", "write a number of bytes such as 16777216")
	}
	return faults
}
