package web

import (
	"fmt"
	"html"
	"html/template"
	"strings"
)

// drawing is an SVG in the making, at its own size and never scaled up. What
// it shows stands in a table too; its looks come from the style sheet.
type drawing struct{ b strings.Builder }

// newDrawing begins one; id names its title for screen readers.
func newDrawing(width, height int, id, title string) *drawing {
	d := &drawing{}
	fmt.Fprintf(&d.b, `<svg class="chart" width="%d" height="%d" viewBox="0 0 %d %d" role="img" aria-labelledby="%s"><title id="%s">%s</title>`,
		width, height, width, height, id, id, html.EscapeString(title))
	return d
}

func (d *drawing) done() template.HTML {
	d.b.WriteString(`</svg>`)
	return template.HTML(d.b.String())
}

// path draws a path whose data is given as a format.
func (d *drawing) path(class, format string, a ...any) {
	fmt.Fprintf(&d.b, `<path class="%s" d="%s"/>`, class, fmt.Sprintf(format, a...))
}

func (d *drawing) rect(class string, x, y, width, height float64) {
	fmt.Fprintf(&d.b, `<rect class="%s" x="%.1f" y="%.1f" width="%.1f" height="%.1f"/>`, class, x, y, max(width, 0), max(height, 0))
}

func (d *drawing) circle(class string, x, y, r float64) {
	fmt.Fprintf(&d.b, `<circle class="%s" cx="%.1f" cy="%.1f" r="%.1f"/>`, class, x, y, r)
}

// text writes at a place; anchor is start, middle or end.
func (d *drawing) text(class string, x, y float64, anchor, text string) {
	fmt.Fprintf(&d.b, `<text class="%s" x="%.1f" y="%.1f" text-anchor="%s">%s</text>`, class, x, y, anchor, html.EscapeString(text))
}

// Marks of charts: a dot inside, a ring for a warning, a filled diamond for
// what is rejected, a hollow square for what is held or of the laboratory.
func (d *drawing) inside(x, y float64) { d.circle("dot", x, y, 3.5) }

func (d *drawing) warning(x, y float64) { d.circle("ring", x, y, 5) }

func (d *drawing) rejected(x, y float64) {
	d.path("diamond", "M%.1f %.1fl8 8-8 8-8-8z", x, y-8)
}

func (d *drawing) hollow(class string, x, y float64) { d.rect(class, x-4.5, y-4.5, 9, 9) }

// textWidth is about how wide a text of 12 px is, to keep labels apart.
func textWidth(s string) float64 { return 6.3 * float64(len([]rune(s))) }

// chartKey draws a mark of charts beside its word, for a legend.
func chartKey(name string) template.HTML {
	d := &drawing{}
	d.b.WriteString(`<svg class="chart key chartmark" width="18" height="18" viewBox="0 0 18 18" aria-hidden="true" focusable="false">`)
	switch name {
	case "inside":
		d.inside(9, 9)
	case "warning":
		d.warning(9, 9)
	case "rejected":
		d.rejected(9, 9)
	case "laboratory", "excluded":
		d.hollow("lab", 9, 9)
	}
	return d.done()
}
