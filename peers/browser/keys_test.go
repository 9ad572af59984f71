//go:build browser

package browser

import (
	"strings"
	"testing"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"tidegate/testkit/clinic"
)

// focused names what has the focus.
const focused = `(e => e.id || e.name || e.getAttribute("href") || e.tagName)(document.activeElement)`

// TestKeyboardAlone settles a hold without a mouse, by script's keys and Tab.
func TestKeyboardAlone(t *testing.T) {
	c := clinic.New()
	b := open(t, chromium(t), c, "reviewer")
	b.visit("/holds")
	b.do(chromedp.KeyEvent(kb.Tab))
	if got := b.js(focused); got != "#main" {
		t.Errorf("first stop is %q, want the skip link", got)
	}
	b.do(chromedp.KeyEvent("j"))
	b.do(chromedp.KeyEvent("j"))
	want := "/holds/" + clinic.ID("c", 1)
	if got := b.js(focused); got != want {
		t.Fatalf("j j stands on %q, want %q", got, want)
	}
	b.do(chromedp.KeyEvent("k"))
	if got := b.js(focused); got != "/holds/"+clinic.ID("c", 0) {
		t.Errorf("k stands on %q", got)
	}
	b.do(chromedp.KeyEvent("j"))
	b.do(chromedp.KeyEvent(kb.Enter))
	b.do(chromedp.WaitVisible("#f-reason"))

	// No letter acts on a hold.
	for _, key := range strings.Split("r d c x a y", " ") {
		b.do(chromedp.KeyEvent(key))
	}
	if h, err := c.Hold(t.Context(), clinic.ID("c", 1)); err != nil || !h.Open {
		t.Fatalf("a key alone settled a hold: %v", err)
	}

	b.tabTo("act-correct")
	b.do(chromedp.KeyEvent(" "))
	b.do(chromedp.WaitVisible("#f-change-strip_lot"))
	b.tabTo("f-change-strip_lot")
	b.do(chromedp.KeyEvent("7K40231"))
	b.tabTo("f-reason")
	b.do(chromedp.KeyEvent("Vial read aloud / on the phone?")) // "/" and "?" are letters in a field
	if got := b.js(`document.querySelector(".settle button.main").innerText`); got != "Correct and check again" {
		t.Errorf("the button says %q", got)
	}
	b.do(chromedp.KeyEvent(kb.Tab))
	b.do(chromedp.KeyEvent(kb.Enter))
	b.do(chromedp.WaitVisible(".said"))
	if got := b.js(`document.querySelector(".said").innerText`); !strings.Contains(got, "Version 2 passed. On its way.") {
		t.Errorf("after settling the page says %q", got)
	}
	if got := b.js(`location.pathname`); got != "/holds/"+clinic.ID("c", 2) {
		t.Errorf("went on to %s, want the next of the cause", got)
	}
}

// tabTo presses Tab until an element has the focus.
func (b *tab) tabTo(id string) {
	b.t.Helper()
	for range 60 {
		if b.js(focused) == id {
			return
		}
		b.do(chromedp.KeyEvent(kb.Tab))
	}
	b.t.Fatalf("Tab never reaches %s", id)
}

func TestKeysFindLeaveAndOff(t *testing.T) {
	b := open(t, chromium(t), clinic.New(), "reviewer")
	b.visit("/holds")
	b.do(chromedp.KeyEvent("/"))
	if got := b.js(focused); got != "find" {
		t.Errorf("/ stands on %q", got)
	}
	b.do(chromedp.KeyEvent(kb.Escape))
	if got := b.js(focused); got == "find" {
		t.Error("Esc does not leave the field")
	}
	b.do(chromedp.KeyEvent("?"))
	b.do(chromedp.WaitVisible("#keys-off"), chromedp.Click("#keys-off"))
	b.visit("/holds")
	b.do(chromedp.KeyEvent("/"))
	if got := b.js(focused); got == "find" {
		t.Error("keys that are turned off still act")
	}
}

// TestWithoutScript: the page that shows only what script would do is no page.
func TestWithoutScript(t *testing.T) {
	c := clinic.New()
	ctx := chromium(t)
	if _, err := chromedp.Call(ctx, emulation.SetScriptExecutionDisabled, emulation.SetScriptExecutionDisabledParams{Value: true}); err != nil {
		t.Fatal(err)
	}
	b := open(t, ctx, c, "reviewer")
	b.visit("/holds/" + clinic.ID("c", 1))
	b.do(chromedp.Click("#act-discard"), chromedp.SendKeys("#f-reason", "Sample was clotted, says the nurse"))
	b.picture("hold-without-script")
	b.do(chromedp.Click(".settle button.main"), chromedp.WaitVisible(".said"))
	if h, err := c.Hold(t.Context(), clinic.ID("c", 1)); err != nil || h.Open {
		t.Errorf("the hold is not settled: %v", err)
	}
	b.visit("/holds")
	b.do(chromedp.WaitVisible(".choose button"))
}

// TestNarrow: at 320 CSS px nothing needs sideways scrolling but the bytes
// (WCAG 2.2, 1.4.10 Reflow), and text at 200 % still fits (1.4.4).
func TestNarrow(t *testing.T) {
	b := open(t, chromium(t), clinic.New(), "reviewer")
	for _, s := range states(b) {
		for _, how := range []struct {
			name  string
			width int64
			scale string
		}{{"320 px", 320, "100%"}, {"200 %", 1366, "200%"}} {
			b.do(chromedp.EmulateViewport(how.width, 768))
			b.visit(s.path)
			b.do(chromedp.Evaluate[chromedp.Void](`document.documentElement.style.zoom = "` + how.scale + `"`))
			wide := b.js(`document.documentElement.scrollWidth > innerWidth + 1 ? Array.from(document.querySelectorAll("main *, header *")).filter(e => e.getBoundingClientRect().right > innerWidth + 1 && !e.closest(".bytes, .scroll, .unseen, .skip")).map(e => e.tagName + "." + e.className).slice(0, 4).join(" ") + " (" + document.documentElement.scrollWidth + ")" : ""`)
			if wide != "" {
				t.Errorf("%s at %s is too wide: %s", s.name, how.name, wide)
			}
			if how.width == 320 {
				b.picture(s.name + "-320")
			}
		}
	}
}

// TestNothingOfThePatientInTheBrowser: titles and addresses as the browser
// keeps them in its history.
func TestNothingOfThePatientInTheBrowser(t *testing.T) {
	b := open(t, chromium(t), clinic.New(), "reviewer")
	for _, s := range states(b) {
		b.visit(s.path)
		if s.then != nil {
			s.then(b)
		}
		kept := b.js(`location.href + " " + document.title`)
		for _, canary := range []string{"Sample", "Iris", "T-100482", "1948", "2.6", "6.1"} {
			if strings.Contains(strings.TrimPrefix(kept, b.base), canary) {
				t.Errorf("%s: %q stands in %q", s.name, canary, kept)
			}
		}
		if got := b.js(`JSON.stringify(performance.getEntriesByType("resource").map(r => r.name).filter(n => !n.startsWith(location.origin)))`); got != "[]" {
			t.Errorf("%s loads from elsewhere: %s", s.name, got)
		}
	}
}

// TestPrint: a printed result says which, by whom and under which head, shows
// hashes whole and has no controls on it.
func TestPrint(t *testing.T) {
	b := open(t, chromium(t), clinic.New(), "auditor")
	b.visit("/results/" + clinic.DeliveredID + "?print=yes")
	if _, err := chromedp.Call(b.ctx, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Media: "print"}); err != nil {
		t.Fatal(err)
	}
	if got := b.js(`getComputedStyle(document.querySelector("header.band")).display`); got != "none" {
		t.Errorf("the band is printed: %s", got)
	}
	head := b.js(`document.querySelector(".printhead").innerText + document.querySelector(".printfoot").innerText`)
	for _, want := range []string{clinic.DeliveredID, "printed by auditor.one", "UTC", "Ledger of", "not a medical device"} {
		if !strings.Contains(head, want) {
			t.Errorf("the print lacks %q: %s", want, head)
		}
	}
	if got := b.js(`Array.from(document.querySelectorAll(".proof dd")).map(d => d.innerText).join(" ")`); strings.Contains(got, "…") {
		t.Errorf("a hash is cut: %s", got)
	}
	b.picture("result-print")
}
