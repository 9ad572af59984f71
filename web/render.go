package web

import (
	"bytes"
	"context"
	"embed"
	"fmt"
	"html/template"
	"io/fs"
	"net/http"
	"path"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"tidegate/poct"
)

//go:embed page static
var files embed.FS

// templates holds one set for each page: the layout and that page.
var templates = parse()

func parse() map[string]*template.Template {
	funcs := template.FuncMap{"mark": mark, "key": chartKey, "logo": logo, "count": thousands, "lower": lowerFirst, "upper": upperFirst, "hash": inFours, "shortHash": shortHash, "add": func(a, b int) int { return a + b }}
	layout := template.Must(template.New("layout").Funcs(funcs).ParseFS(files, "page/layout.html"))
	names, err := fs.Glob(files, "page/*.html")
	if err != nil {
		panic(err) // the pattern is ours
	}
	out := map[string]*template.Template{}
	for _, n := range names {
		name := strings.TrimSuffix(path.Base(n), ".html")
		if name != "layout" {
			out[name] = template.Must(template.Must(layout.Clone()).ParseFS(files, n))
		}
	}
	return out
}

// view is what the layout shows around a page.
type view struct {
	Title                 string // never about a patient
	At                    string // which entry of the band is this page
	Group                 string
	Person                string
	Waiting               int // open holds
	CanToday              bool
	CanHolds              bool
	CanFind               bool
	CanMeters, CanQuality bool
	CanWiring             bool
	CanRegistry           bool
	CanLedger             bool
	CanUsers, CanPassword bool
	Home                  string // where the name of the house leads
	Criticals             int
	Said                  *notice
	Broken                []string // parts that could not be read just now
	Body                  any
}

// show renders a page with this status.
func (w *Server) show(rw http.ResponseWriter, r *http.Request, c caller, status int, name string, v view) error {
	v.Group, v.Home = w.s.Group, home(c)
	if c.actor.Name != "" {
		v.Person = c.actor.Name
		v.CanToday, v.CanHolds, v.CanFind = c.can(countings), c.can(readers), c.can(finders)
		v.CanMeters, v.CanQuality = c.can(meterUser) && w.s.Readiness != nil, c.can(qualityReaders) && w.s.Coordinator != nil
		v.CanUsers, v.CanPassword = c.can(admins) && w.s.Access != nil, c.session != nil && c.session.how == poct.ByPassword
		v.CanWiring = c.can(countings)
		v.CanRegistry = c.can(believers) && c.all() && w.s.Registry != nil
		v.CanLedger = c.can(countings) && w.s.Ledger != nil
		v.Said = w.sessions.heard(c.session)
		if v.CanHolds {
			v.Waiting, v.Criticals = w.counts(r.Context(), c)
		}
	}
	var out bytes.Buffer
	if err := templates[name].ExecuteTemplate(&out, "layout", v); err != nil {
		return fmt.Errorf("render %s: %w", name, err)
	}
	rw.Header().Set("Content-Type", "text/html; charset=utf-8")
	rw.WriteHeader(status)
	_, _ = rw.Write(out.Bytes())
	return nil
}

// home is the first page of a person: the meters, or the users, of whoever
// sees nothing else.
func home(c caller) string {
	if c.can(admins) && !c.can(meterUser) {
		return "/users"
	}
	if c.actor.Name != "" && !c.can(countings) && c.can(meterUser) {
		return "/meters"
	}
	return "/"
}

// counts are the figures of the band: what waits and what is critical at the caller's sites.
func (w *Server) counts(ctx context.Context, c caller) (waiting, critical int) {
	holds, err := w.queue.read(ctx, w.s.Reader)
	if err != nil {
		w.s.Log.Error().Err(err).Msg("the band's count could not be read")
		return 0, 0
	}
	open, err := w.s.Reader.Criticals(ctx, true)
	if err != nil {
		w.s.Log.Error().Err(err).Msg("open critical results could not be read")
	}
	for _, x := range open {
		if sees(c, x.Site) {
			critical++
		}
	}
	for _, h := range holds {
		if sees(c, h.Site) {
			waiting++
		}
	}
	return waiting, critical
}

func (w *Server) problemPage(rw http.ResponseWriter, r *http.Request, c caller, p problem) {
	if err := w.show(rw, r, c, p.Status, "problem", view{Title: p.Title, Body: p}); err != nil {
		w.s.Log.Error().Err(err).Msg("a problem page could not be made")
		http.Error(rw, p.Title, p.Status)
	}
}

func (w *Server) static(rw http.ResponseWriter, r *http.Request, _ caller) error {
	if strings.HasSuffix(r.URL.Path, "/") {
		return poct.ErrNotFound
	}
	// Style, script and fonts hold nothing of anybody and may be kept a while.
	rw.Header().Set("Cache-Control", "public, max-age=600")
	http.FileServerFS(files).ServeHTTP(rw, r)
	return nil
}

// shapes of the marks: a gate seen from above, water from the left.
var shapes = map[string]string{
	"passed":  `<path d="M8 1v4M8 11v4" stroke-width="2.5"/><path d="M0 8h13" stroke-width="2.5"/><path d="M10 4.2 15.5 8 10 11.8z" stroke="none" fill="currentColor"/>`,
	"held":    `<path d="M0 8h8.5" stroke-width="3"/><path d="M13 1v14" stroke-width="3"/>`,
	"waiting": `<path d="M0 8h9" stroke-width="2.5" stroke-dasharray="3 2"/><path d="M13 1v14" stroke-width="2.5" stroke-dasharray="3 2.5"/>`,
	"stopped": `<path d="M3 3l10 10M13 3 3 13" stroke-width="3.5"/>`,
	"flagged": `<path d="M3 1v14" stroke-width="2"/><path d="M3 2.5h10L10.5 6 13 9.5H3" stroke-width="2" stroke-linejoin="round"/>`,
}

// mark draws a mark. A word always stands beside it, so it is hidden from
// screen readers. Tones: tide, hold, stop, quiet.
func mark(name, tone string) template.HTML {
	s, ok := shapes[name]
	if !ok {
		return ""
	}
	return template.HTML(`<svg class="mark ` + template.HTMLEscapeString(tone) + `" viewBox="0 0 16 16" width="16" height="16" fill="none" stroke="currentColor" aria-hidden="true" focusable="false">` + s + `</svg>`)
}

func logo() template.HTML { return mark("passed", "tide") }

// thousands writes a count with narrow spaces: 48 190.
func thousands(n any) string {
	s := fmt.Sprint(n)
	for i := len(s) - 3; i > 0 && s[i-1] != '-'; i -= 3 {
		s = s[:i] + "\u202f" + s[i:]
	}
	return s
}

func itoa(n int) string { return strconv.Itoa(n) }

// few writes small numbers as words at the start of a sentence.
func few(n int) string {
	words := []string{"None", "One", "Two", "Three", "Four", "Five", "Six", "Seven", "Eight", "Nine", "Ten"}
	if n >= 0 && n < len(words) {
		return words[n]
	}
	return thousands(n)
}

// plural is the count with its noun: "1 result", "6 results".
func plural(n int, noun string) string {
	if n == 1 {
		return "1 " + noun
	}
	return thousands(n) + " " + noun + "s"
}

// lowerFirst lets a sentence go on inside another: "Strip lot x" -> "strip
// lot x". Words such as INR stay.
func lowerFirst(s string) string {
	r, n := utf8.DecodeRuneInString(s)
	next, _ := utf8.DecodeRuneInString(s[n:])
	if unicode.IsUpper(next) || unicode.IsDigit(next) || next == '-' {
		return s
	}
	return string(unicode.ToLower(r)) + s[n:]
}

func upperFirst(s string) string {
	r, n := utf8.DecodeRuneInString(s)
	if n == 0 {
		return s
	}
	return string(unicode.ToUpper(r)) + s[n:]
}

// sentence ends with a full stop and starts with a capital letter.
func sentence(s string) string {
	s = upperFirst(strings.TrimSpace(s))
	if s == "" || strings.HasSuffix(s, ".") {
		return s
	}
	return s + "."
}

// clause is a sentence without its full stop, to be built into another.
func clause(s string) string { return strings.TrimSuffix(strings.TrimSpace(s), ".") }

// wait writes how long something has waited: "34 min", "1 h 52", "3 d 4 h".
func wait(d time.Duration) string {
	m := int(d / time.Minute)
	switch {
	case m < 1:
		return "now"
	case m < 60:
		return itoa(m) + " min"
	case m < 24*60:
		return fmt.Sprintf("%d h %02d", m/60, m%60)
	default:
		return fmt.Sprintf("%d d %d h", m/1440, m/60%24)
	}
}

// ago is wait within a sentence: "3 h 12 min".
func ago(d time.Duration) string {
	if d >= time.Hour && d < 24*time.Hour {
		return wait(d) + " min"
	}
	if d < time.Minute {
		return "less than a minute"
	}
	return wait(d)
}

// clock writes a time in its site's zone, with the day unless it is today.
func clock(t, now time.Time, zone *time.Location) string { return moment(t, now, zone, "15:04") }

// moment is clock in a given precision.
func moment(t, now time.Time, zone *time.Location, layout string) string {
	if t.IsZero() {
		return "not known"
	}
	t, now = t.In(zone), now.In(zone)
	switch {
	case t.Year() == now.Year() && t.YearDay() == now.YearDay():
		return t.Format(layout)
	case t.Year() == now.Year():
		return t.Format("2 Jan " + layout)
	default:
		return t.Format("2 Jan 2006 " + layout)
	}
}

// date writes YYYY-MM-DD as a person would: 14 Mar 1948; anything else as it is.
func date(s string) string {
	t, err := time.Parse(time.DateOnly, s)
	if err != nil {
		return s
	}
	return t.Format("2 Jan 2006")
}

// inFours groups a hash for reading aloud.
func inFours(h string) string {
	var b strings.Builder
	for i := 0; i < len(h); i += 4 {
		if i > 0 {
			b.WriteByte(' ')
		}
		b.WriteString(h[i:min(i+4, len(h))])
	}
	return b.String()
}

// shortHash shows both ends of a hash: 9a41 c07e 55d2 … e08b.
func shortHash(h string) string {
	if len(h) <= 20 {
		return inFours(h)
	}
	return inFours(h[:12]) + " … " + h[len(h)-4:]
}
