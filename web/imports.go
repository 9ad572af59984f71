package web

import (
	"bytes"
	"crypto/rand"
	"errors"
	"io"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"tidegate/poct"
)

// What is kept of tables between the dry run and the act.
const (
	mostTable   = 8 << 20 // bytes of one
	mostPending = 20
	pendingFor  = 15 * time.Minute
	typedAbove  = 20 // one in so many rows changed: the count is typed
)

// pending is a table that was looked at and not applied yet.
type pending struct {
	by     string
	kind   poct.RegistryKind
	table  []byte
	report ImportReport
	total  int // rows of the kind before
	until  time.Time
}

// imports keeps tables that wait for their act. Safe for concurrent use.
type imports struct {
	mu sync.Mutex
	of map[string]pending
}

// keep remembers one and forgets what is old.
func (i *imports) keep(p pending, now time.Time) string {
	i.mu.Lock()
	defer i.mu.Unlock()
	if i.of == nil {
		i.of = map[string]pending{}
	}
	for len(i.of) >= mostPending {
		oldest := ""
		for id, x := range i.of {
			if oldest == "" || x.until.Before(i.of[oldest].until) {
				oldest = id
			}
		}
		delete(i.of, oldest)
	}
	p.until = now.Add(pendingFor)
	id := rand.Text()
	i.of[id] = p
	return id
}

func (i *imports) get(id, by string, now time.Time) (pending, bool) {
	i.mu.Lock()
	defer i.mu.Unlock()
	p, ok := i.of[id]
	if ok && !now.Before(p.until) {
		delete(i.of, id)
		return pending{}, false
	}
	return p, ok && p.by == by
}

func (i *imports) set(id string, p pending) {
	i.mu.Lock()
	defer i.mu.Unlock()
	if _, ok := i.of[id]; ok {
		i.of[id] = p
	}
}

func (i *imports) drop(id string) {
	i.mu.Lock()
	defer i.mu.Unlock()
	delete(i.of, id)
}

// importTable looks at a table without changing anything.
func (w *Server) importTable(rw http.ResponseWriter, r *http.Request, c caller) error {
	if err := w.mayBelieve(c); err != nil {
		return err
	}
	if w.s.Import == nil {
		return poct.ErrNotFound
	}
	kind, table, err := tableInput(r)
	if err != nil {
		return err
	}
	refuse := func(field, text string) error {
		if len(table) > mostTable {
			table = nil // too much to show again
		}
		return w.registryShown(rw, r, c, http.StatusUnprocessableEntity, string(kind), registryView{Table: strings.ToValidUTF8(string(table), "?"), Faults: []faultView{{field, text}}})
	}
	switch {
	case !slices.Contains(importKinds(c), kind):
		return refuse("kind", "Choose what the rows are; your role brings "+listKinds(importKinds(c))+".")
	case len(bytes.TrimSpace(table)) == 0:
		return refuse("table", "Paste a table, or choose its file.")
	case len(table) > mostTable:
		return refuse("table", "A page takes at most 8 MiB; use tidegate import for more.")
	}
	p, err := w.lookAt(r, c, pending{by: c.actor.Name, kind: kind, table: table})
	if err != nil {
		return err
	}
	http.Redirect(rw, r, "/registry/imports/"+w.imports.keep(p, w.s.Now()), http.StatusSeeOther)
	return nil
}

// lookAt is the dry run, beside what is there now.
func (w *Server) lookAt(r *http.Request, c caller, p pending) (pending, error) {
	counts, err := w.s.Registry.RegistryCounts(r.Context())
	if err != nil {
		return p, err
	}
	p.total = counts[p.kind]
	p.report, err = w.s.Import(r.Context(), c.actor.Name, p.kind, bytes.NewReader(p.table), "text/csv", true)
	return p, err
}

func tableInput(r *http.Request) (poct.RegistryKind, []byte, error) {
	if err := r.ParseMultipartForm(mostTable + 64<<10); err != nil && !errors.Is(err, http.ErrNotMultipart) {
		var size *http.MaxBytesError
		if errors.As(err, &size) {
			return "", nil, err
		}
		return "", nil, problem{Status: 400, Title: "The form cannot be read."}
	}
	kind := poct.RegistryKind(r.PostFormValue("kind"))
	if r.MultipartForm != nil {
		defer r.MultipartForm.RemoveAll()
		if f, _, err := r.FormFile("file"); err == nil {
			defer f.Close()
			table, err := io.ReadAll(io.LimitReader(f, mostTable+1))
			if err != nil {
				return kind, nil, problem{Status: 400, Title: "The file could not be read."}
			}
			if len(table) > 0 {
				return kind, table, nil
			}
		}
	}
	return kind, []byte(r.PostFormValue("table")), nil
}

type importView struct {
	ID, Word, Answer, Unsure string
	Added, Changed, Refused  string
	Lines                    []Refusal
	More                     int
	Nothing                  bool
	Typed                    bool // the count of changes is typed
	Count                    string
	Faults                   []faultView
}

// mostRefused is how many refused lines are listed.
const mostRefused = 200

func (w *Server) importPage(rw http.ResponseWriter, r *http.Request, c caller) error {
	return w.importShown(rw, r, c, http.StatusOK, importView{})
}

func (w *Server) thePending(r *http.Request, c caller) (pending, error) {
	p, ok := w.imports.get(r.PathValue("id"), c.actor.Name, w.s.Now())
	if !ok {
		return p, problem{Status: 404, Title: "This table is no longer kept.", Detail: "What you bring is kept for 15 minutes, for you alone. Nothing was changed; bring it again."}
	}
	return p, nil
}

func (w *Server) importShown(rw http.ResponseWriter, r *http.Request, c caller, status int, v importView) error {
	p, err := w.thePending(r, c)
	if err != nil {
		return err
	}
	v.ID, v.Word, v.Typed = r.PathValue("id"), wordOf(p.kind), p.typed()
	v.Added, v.Changed, v.Refused = thousands(p.report.Added), thousands(p.report.Changed), plural(len(p.report.Refused), "line")
	v.Nothing = p.report.Added+p.report.Changed == 0
	v.Lines = p.report.Refused[:min(len(p.report.Refused), mostRefused)]
	v.More = len(p.report.Refused) - len(v.Lines)
	v.Answer = "It would add " + v.Added + " and change " + v.Changed + " of " + plural(p.total, "row") + " of " + v.Word + "."
	if v.Nothing {
		v.Answer = "It would change nothing."
	}
	v.Unsure = "Nothing was changed yet. No line is refused. What the table does not name stays as it is."
	if n := len(p.report.Refused); n > 0 {
		v.Unsure = "Nothing was changed yet. " + upperFirst(plural(n, "line")) + " would be refused; the others would be taken. What the table does not name stays as it is."
	}
	return w.show(rw, r, c, status, "import", view{Title: "Rows to be brought", At: "registry", Body: v})
}

// typed tells whether so much would change that the count is typed.
func (p pending) typed() bool { return p.report.Changed*typedAbove > p.total }

// importApply brings the rows, if they would still do what was shown.
func (w *Server) importApply(rw http.ResponseWriter, r *http.Request, c caller) error {
	if err := w.mayBelieve(c); err != nil {
		return err
	}
	p, err := w.thePending(r, c)
	if err != nil {
		return err
	}
	if err := r.ParseForm(); err != nil {
		return problem{Status: 400, Title: "The form cannot be read."}
	}
	v := importView{Count: strings.TrimSpace(r.PostForm.Get("count"))}
	now, err := w.lookAt(r, c, p)
	switch {
	case err != nil:
		return err
	case now.report.Added != p.report.Added || now.report.Changed != p.report.Changed || now.total != p.total:
		w.imports.set(r.PathValue("id"), now)
		v.Faults, v.Count = []faultView{{"count", "The registry changed since you looked. This is what the table would do now; nothing was changed by it."}}, ""
		return w.importShown(rw, r, c, http.StatusConflict, v)
	case p.typed() && v.Count != strconv.Itoa(p.report.Changed):
		v.Faults = []faultView{{"count", "More than one row in twenty would change. Type how many rows change, as the sentence above says."}}
		return w.importShown(rw, r, c, http.StatusUnprocessableEntity, v)
	}
	w.imports.drop(r.PathValue("id"))
	done, err := w.s.Import(r.Context(), c.actor.Name, p.kind, bytes.NewReader(p.table), "text/csv", false)
	if err != nil {
		return err
	}
	text := upperFirst(wordOf(p.kind)) + ": " + thousands(done.Added) + " added, " + thousands(done.Changed) + " changed"
	if n := len(done.Refused); n > 0 {
		text += ", " + plural(n, "line") + " refused"
	}
	w.sessions.say(c.session, notice{Text: text + "."})
	http.Redirect(rw, r, "/registry", http.StatusSeeOther)
	return nil
}
