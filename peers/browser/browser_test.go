//go:build browser

// Package browser opens every page in Chromium, in both themes: axe-core finds
// nothing, the keyboard alone is enough, nothing of a patient stands in an
// address or a title. Screenshots go to the folder TIDEGATE_SCREENS, if set.
package browser

import (
	"context"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"tidegate/testkit/clinic"
	"tidegate/web"
)

// tab is one page of one browser, signed in to one clinic.
type tab struct {
	t    *testing.T
	ctx  context.Context
	base string
}

// chromium starts one browser for a test.
func chromium(t *testing.T) context.Context {
	t.Helper()
	dir, err := os.MkdirTemp("", "tidegate-browser")
	if err != nil {
		t.Fatal(err)
	}
	opts := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath("/usr/bin/chromium"), chromedp.Headless, chromedp.NoSandbox, chromedp.DisableGPU,
		chromedp.NoFirstRun, chromedp.UserDataDir(dir), chromedp.Flag("disable-quic", true), chromedp.Flag("disable-background-networking", true),
		chromedp.Flag("disable-component-update", true), chromedp.Flag("disable-sync", true), chromedp.Flag("disable-dev-shm-usage", true))
	alloc, stop := chromedp.NewExecAllocator(t.Context(), opts...)
	ctx, cancel := chromedp.NewContext(alloc)
	t.Cleanup(func() {
		_ = chromedp.Cancel(ctx)
		cancel()
		stop()
		_ = os.RemoveAll(dir) // what the browser still writes is the system's to clear
	})
	if err := chromedp.Do(ctx, chromedp.EmulateViewport(1366, 768)); err != nil {
		t.Fatalf("start chromium: %v", err)
	}
	return ctx
}

// open serves the clinic and signs in by the form.
func open(t *testing.T, ctx context.Context, c *clinic.Clinic, role string) *tab {
	t.Helper()
	w, err := web.New(c.Settings(os.Stderr))
	if err != nil {
		t.Fatal(err)
	}
	srv := httptest.NewServer(w.Handler())
	t.Cleanup(srv.Close)
	b := &tab{t: t, ctx: ctx, base: srv.URL}
	b.visit("/sign-in")
	b.do(chromedp.SendKeys("#f-token", clinic.Tokens[role]+kb.Enter))
	b.do(chromedp.WaitVisible("nav a"))
	return b
}

func (b *tab) do(steps ...chromedp.Action[chromedp.Void]) {
	b.t.Helper()
	ctx, cancel := context.WithTimeout(b.ctx, 30*time.Second)
	defer cancel()
	if err := chromedp.Do(ctx, steps...); err != nil {
		b.t.Fatal(err)
	}
}

func (b *tab) visit(path string) {
	b.t.Helper()
	b.do(chromedp.Navigate(b.base + path))
}

func run[T any](b *tab, a chromedp.Action[T]) T {
	b.t.Helper()
	ctx, cancel := context.WithTimeout(b.ctx, 60*time.Second)
	defer cancel()
	v, err := chromedp.Run(ctx, a)
	if err != nil {
		b.t.Fatal(err)
	}
	return v
}

func (b *tab) js(expression string) string {
	b.t.Helper()
	return run(b, chromedp.Evaluate[string](expression, chromedp.EvalAwaitPromise))
}

// theme makes pages light or dark, at a width.
func (b *tab) theme(name string, width int64) {
	b.t.Helper()
	b.do(chromedp.EmulateViewport(width, 768))
	if _, err := chromedp.Call(b.ctx, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: name}}}); err != nil {
		b.t.Fatal(err)
	}
}

// violations runs axe-core on the page as it is.
func (b *tab) violations(axe string) []string {
	b.t.Helper()
	run(b, chromedp.Evaluate[chromedp.Void](axe))
	return run(b, chromedp.Evaluate[[]string](`axe.run().then(r => r.violations.flatMap(v => v.nodes.map(n => v.id + ": " + n.target.join(" ") + ": " + n.html.slice(0, 120) + " " + (n.any[0] ? n.any[0].message : ""))))`, chromedp.EvalAwaitPromise))
}

// picture writes a screenshot for a person to look at.
func (b *tab) picture(name string) {
	b.t.Helper()
	dir := os.Getenv("TIDEGATE_SCREENS")
	if dir == "" {
		return
	}
	png := run(b, chromedp.FullScreenshot(100))
	if err := os.WriteFile(filepath.Join(dir, name+".png"), png, 0o644); err != nil {
		b.t.Fatal(err)
	}
}

func axeSource(t *testing.T) string {
	t.Helper()
	b, err := os.ReadFile("node_modules/axe-core/axe.min.js")
	if err != nil {
		t.Fatal("axe-core is not installed here: run ./test.sh, or npm ci in peers/browser")
	}
	return string(b)
}

// state is a page in one of its states, and how to get there.
type state struct {
	name string
	path string
	then func(*tab) // after the page is open
}

func states(b *tab) []state {
	cause := b.js(`fetch("/holds").then(r => r.text()).then(t => t.match(/\/holds\/causes\/[0-9a-f]+/)[0])`)
	return []state{
		{"today", "/", nil},
		{"holds", "/holds", nil},
		{"holds-filtered", "/holds?show=critical", nil},
		{"cause", cause, nil},
		{"hold", "/holds/" + clinic.ID("c", 1), nil},
		{"hold-correcting", "/holds/" + clinic.ID("c", 1), func(b *tab) {
			b.do(chromedp.Click("#act-correct"), chromedp.WaitVisible("#f-change-strip_lot"), chromedp.SendKeys("#f-change-strip_lot", "7K40231"),
				chromedp.SendKeys("#f-reason", "Vial read aloud on the phone by L. Farrow, Millrace"))
		}},
		{"hold-hex", "/holds/" + clinic.ID("c", 1) + "?bytes=hex", nil},
		{"hold-critical", "/holds/" + clinic.ID("c", 0), nil},
		{"hold-unread", "/holds/" + clinic.ID("c", 15), nil},
		{"hold-settled", "/holds/" + clinic.ID("c", 900), nil},
		{"hold-form-fault", "/holds/" + clinic.ID("c", 1), func(b *tab) {
			b.do(chromedp.Click("#act-discard"), chromedp.Evaluate[chromedp.Void](`document.querySelector(".settle form").noValidate = true; document.getElementById("f-reason").value = "short"`),
				chromedp.Click(".settle button.main"), chromedp.WaitVisible("#faults"))
		}},
		{"result", "/results/" + clinic.DeliveredID, nil},
		{"result-patient", "/results/" + clinic.DeliveredID + "?patient=show", nil},
		{"result-came", "/results/" + clinic.DeliveredID + "?part=came", nil},
		{"result-sent", "/results/" + clinic.DeliveredID + "?part=sent", nil},
		{"result-checks", "/results/" + clinic.DeliveredID + "?part=checks", nil},
		{"result-held", "/results/" + clinic.ID("b", 1), nil},
		{"find", "/find", nil},
		{"found", "/find", func(b *tab) {
			b.do(chromedp.SendKeys("#f-text", "M-2041"+kb.Enter), chromedp.WaitVisible("table.found"))
		}},
		{"found-none", "/find", func(b *tab) {
			b.do(chromedp.SendKeys("#f-text", "nowhere"+kb.Enter), chromedp.WaitVisible("#nothing"))
		}},
		{"keys", "/keys", nil},
		{"nothing-here", "/results/none", nil},
	}
}

// TestAxe: the rules of axe-core 4.14.1 (WCAG 2.2 A and AA among them) find
// nothing on any page, in any state, in either theme.
func TestAxe(t *testing.T) {
	b := open(t, chromium(t), clinic.New(), "reviewer")
	b.nothingFound(states(b), 5)
}

// nothingFound runs axe-core over pages in both themes, and over the first few
// of them on a tablet.
func (b *tab) nothingFound(all []state, onTablet int) {
	b.t.Helper()
	axe := axeSource(b.t)
	look := func(s state, as string) {
		b.visit(s.path)
		if s.then != nil {
			s.then(b)
		}
		for _, v := range b.violations(axe) {
			b.t.Errorf("%s, %s: %s", s.name, as, v)
		}
		b.picture(s.name + "-" + as)
	}
	for _, theme := range []string{"light", "dark"} {
		b.theme(theme, 1366)
		for _, s := range all {
			look(s, theme)
		}
	}
	b.theme("light", 820)
	for _, s := range all[:onTablet] {
		look(s, "820")
	}
}

// TestAxeFindsWhatIsPlanted: a rule set that finds nothing must be one that could.
func TestAxeFindsWhatIsPlanted(t *testing.T) {
	axe := axeSource(t)
	b := open(t, chromium(t), clinic.New(), "reviewer")
	b.visit("/holds")
	b.do(chromedp.Evaluate[chromedp.Void](`document.getElementById("main").insertAdjacentHTML("beforeend", "<img src='/static/icon.svg'><input>"); document.documentElement.removeAttribute("lang")`))
	got := strings.Join(b.violations(axe), "\n")
	for _, want := range []string{"image-alt", "label", "html-has-lang"} {
		if !strings.Contains(got, want+": ") {
			t.Errorf("axe did not report the planted %s:\n%s", want, got)
		}
	}
}
