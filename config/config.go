package config

import (
	"time"

	"github.com/rs/zerolog"

	"tidegate/mapping"
	"tidegate/notify"
	"tidegate/outbound"
	"tidegate/poct"
	"tidegate/validate"
)

// Config is the whole configuration, checked. Paths are resolved against the
// folder of the file.
type Config struct {
	Version  int                     `yaml:"version"`
	DataDir  string                  `yaml:"data_dir"`
	Log      Log                     `yaml:"log,omitempty"`
	Web      Web                     `yaml:"web"`
	Ledger   Ledger                  `yaml:"ledger"`
	Registry Registry                `yaml:"registry,omitempty"`
	Profiles []mapping.ProfileConfig `yaml:"profiles"`
	Inlets   []Inlet                 `yaml:"inlets"`
	Outlets  []outbound.Config       `yaml:"outlets"`
	Checks   validate.Config         `yaml:"checks,omitempty"`
	// LookupPatience is how long an arrival waits for a look-up that fails in
	// transit before it is held; 15 minutes if left out.
	LookupPatience time.Duration `yaml:"lookup_patience,omitempty"`

	Notify []notify.Config `yaml:"notify,omitempty"`
	Calls  Calls           `yaml:"calls,omitempty"`
	Ageing Ageing          `yaml:"ageing,omitempty"`
	// OutletDownAfter is how long an outlet may fail, or its oldest delivery
	// wait, before others are told; 5 minutes if left out.
	OutletDownAfter time.Duration `yaml:"outlet_down_after,omitempty"`
	// MetersUsual is the time without a word after which a meter in use is
	// silent; meters are not watched if it is left out.
	MetersUsual time.Duration `yaml:"meters_usual,omitempty"`

	readers  map[string]*mapping.Profile // by id
	rules    *validate.Rules
	notAsked []NotAsked
}

// Profile is a compiled profile by its id; nil if there is none.
func (c *Config) Profile(id string) *mapping.Profile { return c.readers[id] }

// Rules are the compiled checks.
func (c *Config) Rules() *validate.Rules { return c.rules }

// NotAsked lists the checks that are not asked of some result, and why.
func (c *Config) NotAsked() []NotAsked { return c.notAsked }

// LogLevel is the level of the daemon's own log.
func (c *Config) LogLevel() zerolog.Level {
	level, err := zerolog.ParseLevel(c.Log.Level)
	if err != nil || c.Log.Level == "" {
		return zerolog.InfoLevel
	}
	return level
}

// Log is what the daemon writes about itself, on standard error.
type Log struct {
	Level string `yaml:"level,omitempty"` // debug, info, warn, error; info if left out
}

// Ledger is the log of events.
type Ledger struct {
	Origin     string `yaml:"origin"`                // names this log for ever: host/number
	KeyFile    string `yaml:"key_file,omitempty"`    // made at the first start; data_dir/ledger.key if left out
	AnchorFile string `yaml:"anchor_file,omitempty"` // best on another volume; data_dir/anchor if left out
}

// Registry is what is known about sites, meters, people and lots.
type Registry struct {
	IdentifierSystems map[string]string `yaml:"identifier_systems,omitempty"` // assigning authority -> FHIR identifier system
	Import            []Import          `yaml:"import,omitempty"`             // read at each start, in this order
	Patients          PatientSource     `yaml:"patients,omitempty"`
	Orders            OrderSource       `yaml:"orders,omitempty"`
}

// PatientSource says where patients and their visits come from: the registry,
// which tables and ADT messages fill, or a search in the record system of a
// FHIR outlet.
type PatientSource struct {
	From   string        `yaml:"from,omitempty"`   // registry, record; registry if left out
	Outlet string        `yaml:"outlet,omitempty"` // whose record system is asked
	Age    time.Duration `yaml:"age,omitempty"`    // how long an answer counts; 15m if left out
}

// OrderSource says where orders come from: the registry, which tables and order
// messages fill, or the ServiceRequests of the record system.
type OrderSource struct {
	From string `yaml:"from,omitempty"` // registry, record; registry if left out
}

// FromRecord is where patients come from: the registry, or the record system.
const FromRecord = "record"

// Import is a CSV file of registry rows.
type Import struct {
	Kind poct.RegistryKind `yaml:"kind"`
	Path string            `yaml:"path"`
}

// Inlet is a place where bytes come in. What its kind alone has stands in
// Config: *mllp.Config, *folder.Config, *jetstream.Config or *httpin.Config.
type Inlet struct {
	ID       string   `yaml:"id"`
	Kind     string   `yaml:"kind"`
	Accepts  []string `yaml:"accepts,omitempty"` // [results] if left out
	Profiles []string `yaml:"profiles"`          // tried in this order
	// For messages about patients and orders: the assigning authority of
	// identifiers that name none, the zone of times without an offset, and the
	// code (OBX-3) of the INR range beside an order.
	Authority  string         `yaml:"authority,omitempty"`
	TimeZone   string         `yaml:"time_zone,omitempty"`
	Zone       *time.Location `yaml:"-"`
	TargetCode string         `yaml:"target_code,omitempty"`
	// AllowNonProduction judges messages whose MSH-11 is not P like others;
	// else they end as ignored.
	AllowNonProduction bool `yaml:"allow_non_production,omitempty"`
	Watch              `yaml:",inline"`

	Config any `yaml:"-"`
}
