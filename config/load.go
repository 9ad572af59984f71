package config

import (
	"errors"
	"fmt"
	"io"
	iofs "io/fs"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"time"

	"tidegate/ingest/folder"
	"tidegate/mapping"
	"tidegate/poct"
	"tidegate/validate"
)

// Load reads and checks a configuration file and the files it names. It
// returns either the configuration or everything that is wrong with it, in the
// order of the file.
func Load(path string) (*Config, []Fault) {
	data, err := read(path)
	if err != nil {
		what := "cannot be opened"
		switch {
		case errors.Is(err, iofs.ErrNotExist):
			what = "does not exist"
		case errors.Is(err, iofs.ErrPermission):
			what = "may not be read by this user"
		}
		return nil, []Fault{{path, 1, 1, "", "the file " + what, "write the path of the configuration file"}}
	}
	dir, err := filepath.Abs(filepath.Dir(path))
	if err != nil {
		dir = filepath.Dir(path)
	}
	return load(path, data, dir)
}

// read takes one byte more than is allowed, so that the cap is noticed.
func read(path string) ([]byte, error) {
	f, err := os.Open(path) //nolint:gosec // the path is the operator's own
	if err != nil {
		return nil, err
	}
	data, err := io.ReadAll(io.LimitReader(f, maxFile+1))
	return data, errors.Join(err, f.Close())
}

// load checks the bytes of a file that stands in dir.
func load(name string, data []byte, dir string) (*Config, []Fault) {
	fs := newFaults(name)
	doc := parse(data, fs)
	if doc == nil {
		return nil, fs.sorted()
	}
	c := &Config{}
	binder{fs}.structs(doc.root, "", reflect.ValueOf(c).Elem())

	l := &loader{faults: fs, doc: doc, dir: dir, cfg: c}
	l.defaults()
	l.own()
	l.registry()
	l.profiles()
	l.inlets()
	l.outlets()
	l.directory()
	l.checks()
	l.watch()
	if len(fs.list) > 0 {
		return nil, fs.sorted()
	}
	c.notAsked = notAsked(c)
	return c, nil
}

// loader checks the parts of a configuration that could be read.
type loader struct {
	*faults
	doc   *document
	dir   string
	cfg   *Config
	sites map[string]bool // of the sites file; nil if there is none
}

func (l *loader) fault(key, what, instead string) {
	l.at(l.doc, "", poct.KeyFault{Key: key, What: what, Instead: instead})
}

// defaults fills in what may be left out, and resolves paths.
func (l *loader) defaults() {
	c := l.cfg
	text := func(v *string, d string) {
		if *v == "" {
			*v = d
		}
	}
	c.Web.defaults()
	text(&c.Log.Level, "info")
	if c.LookupPatience == 0 {
		c.LookupPatience = 15 * time.Minute
	}
	c.watchDefaults()
	if c.DataDir != "" {
		l.path(&c.DataDir)
		text(&c.Ledger.KeyFile, filepath.Join(c.DataDir, "ledger.key"))
		text(&c.Ledger.AnchorFile, filepath.Join(c.DataDir, "anchor"))
	}
	l.path(&c.Ledger.KeyFile)
	l.path(&c.Ledger.AnchorFile)
}

// path resolves a path against the folder of the configuration file.
func (l *loader) path(p *string) {
	if *p != "" && !filepath.IsAbs(*p) {
		*p = filepath.Join(l.dir, *p)
	}
}

// profiles compiles the meter profiles.
func (l *loader) profiles() {
	c := l.cfg
	if len(c.Profiles) == 0 {
		l.fault("profiles", "no meter profile is configured", "write one for each meter model")
	}
	c.readers = map[string]*mapping.Profile{}
	ids := l.unique("profile")
	for i, p := range c.Profiles {
		key := fmt.Sprintf("profiles[%d]", i)
		ids(key+".id", p.ID)
		compiled, wrong := mapping.Compile(p)
		for _, k := range wrong {
			l.at(l.doc, key, k)
		}
		authority, systems := p.Fields.Patient.Authority, c.Registry.IdentifierSystems
		if authority != "" && systems[authority] == "" && !l.unread["registry.identifier_systems"] {
			l.fault(key+".fields.patient.authority", fmt.Sprintf("%q has no identifier system", authority),
				"write its FHIR identifier system under registry.identifier_systems")
		}
		c.readers[p.ID] = compiled
	}
}

func (l *loader) outlets() {
	c := l.cfg
	if len(c.Outlets) == 0 {
		l.fault("outlets", "no outlet is configured", "write where released results go: at least one")
	}
	ids := l.unique("outlet")
	folders := map[string]string{}
	for i, in := range c.Inlets {
		if f, ok := in.Config.(*folder.Config); ok && f.Path != "" {
			folders[filepath.Clean(f.Path)] = fmt.Sprintf("inlets[%d].path", i)
		}
	}
	for i := range c.Outlets {
		o := &c.Outlets[i]
		key := fmt.Sprintf("outlets[%d]", i)
		*o = o.WithDefaults()
		if o.Kind == "folder" {
			l.folder(key+".path", &o.Folder.Path, folders)
		}
		for _, k := range o.Validate() {
			l.at(l.doc, key, k)
		}
		ids(key+".id", o.ID)
		for j, site := range o.Sites {
			l.knownSite(fmt.Sprintf("%s.sites[%d]", key, j), site)
		}
		l.files(key, reflect.ValueOf(o).Elem())
		if part := o.Part(o.Kind); part != nil {
			l.files(key, reflect.ValueOf(part).Elem())
		}
	}
}

// folder resolves the path of an outlet's folder. What one part writes to,
// nothing else may: an inlet would take in again what was sent.
func (l *loader) folder(key string, path *string, taken map[string]string) {
	if *path == "" {
		return // said already
	}
	l.path(path)
	at := filepath.Clean(*path)
	if first, twice := taken[at]; twice {
		l.fault(key, "is taken already by "+first, "write another folder")
		return
	}
	taken[at] = key
}

func (l *loader) checks() {
	rules, wrong := validate.Compile(l.cfg.Checks)
	for _, k := range wrong {
		l.at(l.doc, "checks", k)
	}
	if sites, ok := l.cfg.Checks["sites"].(map[string]any); ok {
		for site := range sites {
			l.knownSite("checks.sites."+site, site)
		}
	}
	l.cfg.rules = rules
}

// files resolves every path under a part of the configuration whose key ends
// in _file, and checks the file. All but certificates are secrets.
func (l *loader) files(key string, v reflect.Value) {
	for _, f := range fieldsOf(v) {
		at := joinKey(key, f.name)
		if f.value.Kind() == reflect.Pointer && !f.value.IsNil() {
			f.value = f.value.Elem()
		}
		if f.value.Kind() == reflect.Struct {
			l.files(at, f.value)
			continue
		}
		path, ok := f.value.Addr().Interface().(*string)
		if !ok || *path == "" || !strings.HasSuffix(f.name, "_file") {
			continue
		}
		switch f.name {
		case "token_file", "password_file":
			l.secret(at, path)
		case "cert_file", "ca_file", "client_ca_file":
			l.path(path)
			if _, err := os.Stat(*path); err != nil {
				l.fault(at, "the file "+reason(err), "write the path of a PEM file")
			}
		default:
			l.path(path)
			info, err := os.Stat(*path)
			if err == nil {
				err = private(info)
			}
			if err != nil {
				l.fault(at, "the file "+reason(err), "write the path of a file of mode 0600")
			}
		}
	}
}

// secret reads a secret file and resolves its path.
func (l *loader) secret(key string, path *string) Secret {
	if *path == "" {
		return Secret{}
	}
	l.path(path)
	s, err := ReadSecret(*path)
	if err != nil {
		l.fault(key, "the secret file "+reason(err), "write the path of a file of mode 0600 with one line")
	}
	return s
}

// reason says what is wrong with a file, without its content.
func reason(err error) string {
	var fault fileFault
	switch {
	case errors.Is(err, iofs.ErrNotExist):
		return "does not exist"
	case errors.Is(err, iofs.ErrPermission):
		return "may not be read by this user"
	case errors.As(err, &fault):
		return fault.Error()
	}
	return "cannot be read"
}
