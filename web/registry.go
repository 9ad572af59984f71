package web

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"tidegate/poct"
)

// Registry reads what is believed, since when, and by whom it was brought.
type Registry interface {
	// Believed lists rows of a kind by key; next is the key to go on after, "" at the end.
	Believed(ctx context.Context, kind poct.RegistryKind, after string, limit int) (rows []poct.Believed, next string, err error)
	// History lists what was believed of one row, newest first.
	History(ctx context.Context, kind poct.RegistryKind, key string, limit int) ([]poct.Believed, error)
	RegistryCounts(ctx context.Context) (map[poct.RegistryKind]int, error)
}

// believers may read the registry.
var believers = []string{coordinator, engineer, auditor}

func registryPages() []route {
	return []route{
		{method: "GET", path: "/registry", may: believers, page: true, do: (*Server).registry},
		{method: "GET", path: "/registry/{kind}", may: believers, page: true, do: (*Server).registryKind},
		{method: "POST", path: "/registry/imports", may: importers, page: true, do: (*Server).importTable},
		{method: "GET", path: "/registry/imports/{id}", may: importers, page: true, do: (*Server).importPage},
		{method: "POST", path: "/registry/imports/{id}/apply", may: importers, page: true, do: (*Server).importApply},
	}
}

// kindWords name the kinds on the page, in its order. Rows of private kinds
// are about patients, and are never listed.
var kindWords = []struct {
	kind    poct.RegistryKind
	word    string
	private bool
}{
	{poct.Sites, "sites", false}, {poct.Meters, "meters", false}, {poct.Operators, "operators", false},
	{poct.StripLots, "strip lots", false}, {poct.ControlLots, "control lots", false}, {poct.Shipments, "shipments", false},
	{poct.Acceptances, "acceptances of lots", false}, {poct.ReadBacks, "constants read back", false}, {poct.Actions, "corrective actions", false},
	{poct.Patients, "patients", true}, {poct.Visits, "visits", true}, {poct.Orders, "orders", true}, {poct.FindingRows, "findings", true},
}

func wordOf(kind poct.RegistryKind) string {
	for _, k := range kindWords {
		if k.kind == kind {
			return k.word
		}
	}
	return string(kind)
}

type registryView struct {
	Answer, Unsure string
	Kinds          []kindRow
	Bring          []optionView // kinds that this person may bring
	Table          string
	Faults         []faultView
}

type kindRow struct {
	Word, Link, Count string
	Private           bool
}

func (w *Server) registry(rw http.ResponseWriter, r *http.Request, c caller) error {
	return w.registryShown(rw, r, c, http.StatusOK, "", registryView{})
}

func (w *Server) registryShown(rw http.ResponseWriter, r *http.Request, c caller, status int, chosen string, v registryView) error {
	if err := w.mayBelieve(c); err != nil {
		return err
	}
	counts, err := w.s.Registry.RegistryCounts(r.Context())
	if err != nil {
		return err
	}
	total := 0
	for _, k := range kindWords {
		n := counts[k.kind]
		total += n
		row := kindRow{Word: k.word, Count: thousands(n), Private: k.private}
		if !k.private && n > 0 {
			row.Link = "/registry/" + string(k.kind)
		}
		v.Kinds = append(v.Kinds, row)
	}
	v.Answer = "What is believed: " + plural(total, "row") + "."
	v.Unsure = "Each row tells since when it is believed and who brought it. Tables add and change rows; what a table does not name stays as it is."
	if w.s.Import != nil {
		for _, k := range importKinds(c) {
			v.Bring = append(v.Bring, optionView{Value: string(k), Name: wordOf(k), On: string(k) == chosen})
		}
	}
	return w.show(rw, r, c, status, "registry", view{Title: "Registry", At: "registry", Body: v})
}

// mayBelieve: the registry serves all sites, and is read by those who see all.
func (w *Server) mayBelieve(c caller) error {
	if w.s.Registry == nil {
		return poct.ErrNotFound
	}
	if !c.all() {
		return problem{Status: 403, Code: "forbidden", Title: "The registry serves all sites.", Detail: "Only somebody whose sites are all sites reads and changes it. Meters and Quality show what is of your sites."}
	}
	return nil
}

type kindView struct {
	Word, Answer, Unsure string
	Heads                []string
	Rows                 []believedRow
	Next                 string
	History              *historyOf
}

type believedRow struct {
	Cells     []string
	Since, By string
	Link      string // to its history, "" if it was never another
}

// historyOf is what was believed of one row.
type historyOf struct {
	Name string
	Was  []wasView
}

type wasView struct {
	Since, By string
	Changes   []string
}

func (w *Server) registryKind(rw http.ResponseWriter, r *http.Request, c caller) error {
	if err := w.mayBelieve(c); err != nil {
		return err
	}
	at := slices.IndexFunc(kindWords, func(k struct {
		kind    poct.RegistryKind
		word    string
		private bool
	}) bool {
		return string(k.kind) == r.PathValue("kind")
	})
	if at < 0 {
		return poct.ErrNotFound
	}
	kind := kindWords[at]
	if kind.private {
		return problem{Status: 403, Code: "forbidden", Title: "Rows about patients are not listed.", Detail: "Find a result of the patient instead, by number and birth date."}
	}
	pl, q := w.places(), r.URL.Query()
	zone := w.zoneOf(c, pl)
	rows, next, err := w.s.Registry.Believed(r.Context(), kind.kind, q.Get("after"), rowsAPage)
	if err != nil {
		return err
	}
	v := kindView{Word: kind.word}
	var members [][]member
	for _, b := range rows {
		m := membersOf(b.Row)
		members = append(members, m)
		for _, x := range m {
			if !slices.Contains(v.Heads, x.name) {
				v.Heads = append(v.Heads, x.name)
			}
		}
	}
	for i, b := range rows {
		row := believedRow{Since: clock(b.Since, pl.now, zone), By: b.By, Cells: make([]string, len(v.Heads))}
		for _, x := range members[i] {
			row.Cells[slices.Index(v.Heads, x.name)] = x.text
		}
		if b.Times > 1 {
			row.Link = rowLink(kind.kind, q.Get("after"), b.Key)
		}
		v.Rows = append(v.Rows, row)
	}
	if next != "" {
		v.Next = "/registry/" + string(kind.kind) + "?" + url.Values{"after": {next}}.Encode()
	}
	if key := q.Get("row"); key != "" {
		if v.History, err = w.historyOf(r.Context(), kind.kind, key, pl.now, zone); err != nil {
			return err
		}
	}
	v.Answer = upperFirst(kind.word) + ": " + plural(len(rows), "row") + " here."
	if next == "" && q.Get("after") == "" {
		v.Answer = upperFirst(kind.word) + ": " + plural(len(rows), "row") + "."
	}
	v.Unsure = "By key, 100 to a page. A row that was another before links to what it was."
	return w.show(rw, r, c, http.StatusOK, "rows", view{Title: "Registry: " + kind.word, At: "registry", Body: v, Broken: pl.missing()})
}

func rowLink(kind poct.RegistryKind, after, key string) string {
	q := url.Values{"row": {key}}
	if after != "" {
		q.Set("after", after)
	}
	return "/registry/" + string(kind) + "?" + q.Encode() + "#was"
}

// mostWas is how many changes of a row are shown.
const mostWas = 50

func (w *Server) historyOf(ctx context.Context, kind poct.RegistryKind, key string, now time.Time, zone *time.Location) (*historyOf, error) {
	was, err := w.s.Registry.History(ctx, kind, key, mostWas)
	if err != nil {
		return nil, err
	}
	out := &historyOf{Name: strings.ReplaceAll(strings.TrimRight(key, "\x1f"), "\x1f", ", ")}
	for i, b := range was {
		x := wasView{Since: clock(b.Since, now, zone), By: b.By}
		older := map[string]string{}
		if i+1 < len(was) {
			for _, m := range membersOf(was[i+1].Row) {
				older[m.name] = m.text
			}
		}
		for _, m := range membersOf(b.Row) {
			switch before, known := older[m.name]; {
			case i+1 == len(was) && m.text != "":
				x.Changes = append(x.Changes, m.name+": "+m.text)
			case i+1 < len(was) && before != m.text:
				if !known || before == "" {
					before = "nothing"
				}
				x.Changes = append(x.Changes, m.name+": "+before+" became "+orNothing(m.text))
			}
		}
		out.Was = append(out.Was, x)
	}
	return out, nil
}

func orNothing(s string) string {
	if s == "" {
		return "nothing"
	}
	return s
}

// member is one member of a row, in words.
type member struct{ name, text string }

// membersOf lists a row's members in the order in which they are written.
func membersOf(row json.RawMessage) []member {
	dec := json.NewDecoder(bytes.NewReader(row))
	dec.UseNumber()
	if t, err := dec.Token(); err != nil || t != json.Delim('{') {
		return nil
	}
	var out []member
	for dec.More() {
		name, err := dec.Token()
		if err != nil {
			return out
		}
		var v any
		if err := dec.Decode(&v); err != nil {
			return out
		}
		out = append(out, member{strings.ReplaceAll(fmt.Sprint(name), "_", " "), valueText(fmt.Sprint(name), v)})
	}
	return out
}

func valueText(name string, v any) string {
	switch v := v.(type) {
	case nil:
		return ""
	case bool:
		if v {
			return "yes"
		}
		return "no"
	case json.Number:
		if n, err := v.Int64(); err == nil && name == "qc_interval" {
			if n == 0 {
				return ""
			}
			return strings.TrimSuffix(strings.TrimSuffix(time.Duration(n).String(), "0s"), "0m")
		}
		return v.String()
	case []any:
		parts := make([]string, len(v))
		for i := range v {
			parts[i] = valueText("", v[i])
		}
		return strings.Join(parts, ", ")
	case string:
		return v
	}
	b, err := json.Marshal(v)
	if err != nil {
		return ""
	}
	return string(b)
}
