package tidegate_test

import (
	"encoding/json"
	"errors"
	"io"
	"os/exec"
	"sort"
	"strings"
	"testing"
)

// rooms lists, for each room, the project's packages it may import. A room not
// named here fails the test: decide first where it stands.
var rooms = []struct {
	room string
	may  []string
}{
	{"cmd/tidegate", []string{"*"}},
	{"app", []string{"*"}},
	{"bench", []string{"*"}},
	{"config", []string{"poct", "mapping", "validate", "outbound", "notify", "ingest/..."}},
	{"poct", nil},
	{"fault", nil},
	{"wire/hl7", nil},
	{"wire/fhir", nil},
	{"wire/astm", nil},
	{"wire/poct1a", nil},
	{"ingest", []string{"poct", "wire/hl7", "wire/astm"}},
	{"ingest/sourcetest", []string{"poct", "ingest"}},
	{"ingest/...", []string{"poct", "ingest", "wire/hl7", "wire/astm", "wire/poct1a", "fault"}},
	{"mapping", []string{"poct", "wire/hl7", "wire/fhir", "wire/astm", "wire/poct1a"}},
	{"registry", []string{"poct", "mapping", "wire/fhir"}},
	{"validate", []string{"poct", "quality"}},
	{"quality", []string{"poct"}},
	{"ledger", []string{"poct"}},
	{"store", []string{"poct", "ledger", "fault"}},
	{"store/...", []string{"poct", "ledger", "store", "fault"}},
	{"pipeline", []string{"poct", "mapping", "validate", "fault"}},
	{"outbound", []string{"poct", "mapping", "wire/fhir", "wire/hl7", "fault"}},
	{"outbound/outlettest", []string{"poct", "outbound"}},
	{"probe", []string{"poct", "mapping", "wire/fhir", "outbound"}}, // the outlet's own code, on a test patient before go-live
	{"audit", []string{"poct", "mapping", "wire/fhir", "outbound"}}, // tells an audit repository of what outbound sent
	{"review", []string{"poct", "ledger", "quality"}},
	{"web", []string{"poct", "ledger", "review", "quality"}},
	{"notify", []string{"poct"}},
	{"standin", nil},
	{"standin/...", []string{"standin"}},
}

// external lists packages that only some rooms may import, by prefix.
var external = []struct {
	prefix string
	rooms  []string
}{
	{"github.com/google/fhir", nil}, // an independent judge: of tests alone
	{"github.com/ncruces/go-sqlite3", nil},
	{"database/sql", []string{"store"}},
	{"modernc.org/sqlite", []string{"store"}},
}

// pure rooms take values and return values.
var pure = map[string][]string{}

func init() {
	for _, room := range []string{"poct", "wire/hl7", "wire/astm", "wire/poct1a", "mapping", "validate", "quality", "ledger"} {
		pure[room] = []string{"log", "log/slog", "github.com/rs/zerolog", "os", "net", "context", "database/sql"}
	}
	// wire/fhir is a client and may dial; the other rooms above may not.
}

type pkg struct {
	ImportPath string
	Imports    []string
}

func TestImportArrows(t *testing.T) {
	pkgs := list(t)
	if len(pkgs) < 10 {
		t.Fatalf("go list found %d packages; the test must see the whole project", len(pkgs))
	}
	for _, p := range pkgs {
		room := strings.TrimPrefix(strings.TrimPrefix(p.ImportPath, "tidegate"), "/")
		if room == "" || strings.HasPrefix(room, "peers/") || strings.HasPrefix(room, "testkit") {
			continue // tests only: no product package imports them, checked below
		}
		may, known := allowed(room)
		if !known {
			t.Errorf("room %s has no arrows; add it to the table and say why it exists", room)
			continue
		}
		for _, imp := range p.Imports {
			if in, ours := strings.CutPrefix(imp, "tidegate/"); ours && !match(may, in) {
				t.Errorf("%s imports %s: not an arrow of the house", room, in)
			}
			for _, e := range external {
				if (imp == e.prefix || strings.HasPrefix(imp, e.prefix+"/")) && !match(e.rooms, room) {
					t.Errorf("%s imports %s: only %s may", room, imp, strings.Join(e.rooms, ", "))
				}
			}
			for _, no := range pure[room] {
				if imp == no {
					t.Errorf("%s imports %s: it takes values and returns values", room, imp)
				}
			}
		}
	}
}

func allowed(room string) ([]string, bool) {
	for _, r := range rooms {
		if r.room == room || (strings.HasSuffix(r.room, "/...") && strings.HasPrefix(room, strings.TrimSuffix(r.room, "..."))) {
			return r.may, true
		}
	}
	return nil, false
}

func match(may []string, in string) bool {
	for _, m := range may {
		if m == "*" {
			return !strings.HasPrefix(in, "peers") && !strings.HasPrefix(in, "testkit")
		}
		if m == in || (strings.HasSuffix(m, "/...") && strings.HasPrefix(in, strings.TrimSuffix(m, "..."))) {
			return true
		}
	}
	return false
}

func list(t *testing.T) []pkg {
	t.Helper()
	out, err := exec.Command("go", "list", "-json=ImportPath,Imports", "./...").Output()
	if err != nil {
		t.Fatalf("go list: %v", err)
	}
	var pkgs []pkg
	dec := json.NewDecoder(strings.NewReader(string(out)))
	for {
		var p pkg
		if err := dec.Decode(&p); errors.Is(err, io.EOF) {
			break
		} else if err != nil {
			t.Fatal(err)
		}
		pkgs = append(pkgs, p)
	}
	sort.Slice(pkgs, func(i, k int) bool { return pkgs[i].ImportPath < pkgs[k].ImportPath })
	return pkgs
}
