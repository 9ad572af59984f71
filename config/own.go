package config

import (
	"encoding/csv"
	"fmt"
	"maps"
	"net/url"
	"os"
	"regexp"
	"slices"
	"strings"

	"tidegate/poct"
)

var (
	idForm     = regexp.MustCompile(`^[A-Za-z0-9][A-Za-z0-9._-]{0,63}$`)
	originForm = regexp.MustCompile(`^[A-Za-z0-9][A-Za-z0-9.-]{0,100}(/[A-Za-z0-9._-]{1,40}){1,3}$`)

	roles  = []string{"nurse", "clinician", "reviewer", "coordinator", "engineer", "auditor", "admin"}
	levels = []string{"debug", "info", "warn", "error"}
	kinds  = []poct.RegistryKind{
		poct.Sites, poct.Meters, poct.Operators, poct.StripLots, poct.ControlLots, poct.Patients, poct.Visits, poct.Orders,
		poct.Shipments, poct.Acceptances, poct.FindingRows,
	}
)

// own checks the keys that no other package owns.
func (l *loader) own() {
	c := l.cfg
	if c.Version != 1 {
		l.fault("version", "is not a version of this file's form that is known here", "write version: 1")
	}
	if c.DataDir == "" {
		l.fault("data_dir", "is missing", "write the folder that holds the store, such as ./data")
	}
	if !slices.Contains(levels, c.Log.Level) {
		l.fault("log.level", "is no level", "write "+strings.Join(levels, ", "))
	}
	l.web()
	if !originForm.MatchString(c.Ledger.Origin) {
		l.fault("ledger.origin", "is not the name of a ledger", "write a host name of yours, a slash and a number, such as millrace.example/1; it names this ledger for ever")
	}
	if c.Ledger.KeyFile != "" { // made at the first start, so it may be missing
		if info, err := os.Stat(c.Ledger.KeyFile); err == nil {
			if err := private(info); err != nil {
				l.fault("ledger.key_file", "the key file "+reason(err), "run chmod 600 on it")
			}
		}
	}
	if c.Ledger.AnchorFile != "" && c.Ledger.AnchorFile == c.Ledger.KeyFile {
		l.fault("ledger.anchor_file", "is the key file", "write another path, best on another volume")
	}
}

// registry checks the tables to read at start; sites.csv tells which sites
// the rest of the file may name.
func (l *loader) registry() {
	c := l.cfg
	for _, authority := range slices.Sorted(maps.Keys(c.Registry.IdentifierSystems)) {
		system := c.Registry.IdentifierSystems[authority]
		if u, err := url.Parse(system); err != nil || u.Scheme == "" || u.Host == "" && u.Opaque == "" || strings.ContainsAny(system, " |") {
			l.fault("registry.identifier_systems."+authority, "is not an absolute URI", "write the identifier system that the record system uses, such as https://millrace.example/mrn or urn:oid:...")
		}
	}
	for i := range c.Registry.Import {
		r := &c.Registry.Import[i]
		key := fmt.Sprintf("registry.import[%d]", i)
		if !slices.Contains(kinds, r.Kind) {
			l.fault(key+".kind", "is no kind of registry row", fmt.Sprintf("write one of %s", joinKinds()))
		}
		if r.Path == "" {
			l.fault(key+".path", "is missing", "write the path of a CSV file")
			continue
		}
		l.path(&r.Path)
		if info, err := os.Stat(r.Path); err != nil || !info.Mode().IsRegular() {
			l.fault(key+".path", "the file does not exist", "write the path of a CSV file, relative to this file")
			continue
		}
		if r.Kind == poct.Sites {
			l.readSites(key, r.Path)
		}
	}
	l.webSites()
}

// readSites takes the first column of a sites file; the registry reads and
// judges the rest at start.
func (l *loader) readSites(key, path string) {
	f, err := os.Open(path) //nolint:gosec // the path is the operator's own
	if err != nil {
		l.fault(key+".path", "the file "+reason(err), "let this user read it")
		return
	}
	defer f.Close() //nolint:errcheck // only read
	r := csv.NewReader(f)
	r.FieldsPerRecord = -1
	column := -1
	for {
		row, err := r.Read()
		if err != nil {
			return // the end, or what the registry names by line and column at start
		}
		if column < 0 {
			column = slices.IndexFunc(row, func(s string) bool { return strings.TrimPrefix(strings.TrimSpace(s), "\ufeff") == "site" })
			if column < 0 {
				return
			}
			if l.sites == nil {
				l.sites = map[string]bool{}
			}
			continue
		}
		if column < len(row) && row[column] != "" {
			l.sites[strings.TrimSpace(row[column])] = true
		}
	}
}

// knownSite checks a site id against the sites file, where there is one: a
// result of a site that an outlet misspells would never be sent.
func (l *loader) knownSite(key, site string) {
	if l.sites != nil && site != "*" && !l.sites[site] {
		l.fault(key, fmt.Sprintf("%q is no site in the sites file", site),
			"write one of "+strings.Join(slices.Sorted(maps.Keys(l.sites)), ", ")+", or add it there")
	}
}

// unique gives a function that checks ids of one kind of part.
func (l *loader) unique(part string) func(key, id string) {
	seen := map[string]string{}
	return func(key, id string) {
		first, twice := seen[id]
		switch {
		case !idForm.MatchString(id):
			l.fault(key, "is not an id", "write letters, digits, points, dashes or underscores, at most 64")
		case twice:
			l.fault(key, fmt.Sprintf("another %s is called %q, see %s", part, id, first), "write another id")
		default:
			seen[id] = key
		}
	}
}

func joinKinds() string {
	names := make([]string, len(kinds))
	for i, k := range kinds {
		names[i] = string(k)
	}
	return strings.Join(names, ", ")
}
