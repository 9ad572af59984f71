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

// supervised are the pages of the coordinator, the nurse and the calls.
func supervised() []state {
	doubt := "/quality/lookbacks/" + clinic.DoubtID
	return []state{
		{"meters", "/meters", nil},
		{"meter-yes", "/meters/M-2041", nil},
		{"meter-no", "/meters/M-2058", nil},
		{"quality", "/quality", nil},
		{"controls", "/quality/controls/M-2058", nil},
		{"lot", "/quality/lots/7K44102?site=millrace", nil},
		{"comparison", "/quality/comparisons?site=millrace", nil},
		{"lookback", doubt, nil},
		{"errors", "/quality/errors", nil},
		{"calls", "/calls", nil},
		{"call", "/calls/" + clinic.ID("b", 0), nil},
		{"meters-unknown", "/meters?serial=M-1", nil},
		{"controls-tables", "/quality/controls/M-2058", func(b *tab) {
			b.do(chromedp.Evaluate[chromedp.Void](`document.querySelectorAll("details").forEach(d => d.open = true)`))
		}},
		{"controls-form-fault", "/quality/controls/M-2058", func(b *tab) {
			b.do(chromedp.SendKeys("#f-what", "short"), chromedp.Evaluate[chromedp.Void](`document.querySelector("aside form").noValidate = true`), chromedp.Click("aside form button"), chromedp.WaitVisible("#faults"))
		}},
		{"controls-none", "/quality/controls/M-2019", nil},
		{"lot-accepted", "/quality/lots/7K40231?site=millrace", nil},
		{"comparison-none", "/quality/comparisons?site=quay", nil},
		{"lookbacks", "/quality/lookbacks", nil},
		{"lookback-form-fault", doubt, func(b *tab) {
			b.do(chromedp.Click(".doubtful button"), chromedp.WaitVisible("#faults"))
		}},
		{"recall", "/quality/lookbacks/" + clinic.RecallID, nil},
		{"errors-none", "/quality/errors?by=strip_lot", nil},
		{"time-in-range", "/quality/time-in-range", nil},
		{"time-in-range-told", "/quality/time-in-range", func(b *tab) {
			b.do(chromedp.SendKeys("#f-patient", "T-100482"), chromedp.SendKeys("#f-birth_date", "1948-03-14"+kb.Enter), chromedp.WaitVisible("#series"))
		}},
		{"withdraw", "/results/" + clinic.DeliveredID, func(b *tab) {
			b.do(chromedp.Click("section[aria-labelledby=withdraw] summary"), chromedp.WaitVisible("#f-withdraw-reason"))
		}},
	}
}

// TestAxeOnQuality: axe-core finds nothing on the coordinator's pages either.
func TestAxeOnQuality(t *testing.T) {
	b := open(t, chromium(t), clinic.Supervised(), "coordinator")
	b.nothingFound(supervised(), 11)
	b.theme("light", 390) // a phone: rows stack, nothing runs out of the page but what scrolls by itself
	for _, s := range supervised()[:11] {
		b.visit(s.path)
		b.picture(s.name + "-390")
		if wide := b.js(`String(document.documentElement.scrollWidth > innerWidth ? document.documentElement.scrollWidth : "")`); wide != "" {
			t.Errorf("%s runs out of a phone's page: %s px wide", s.name, wide)
		}
	}
}

// TestAMeterIsAskedForByScan: a scanner types the number and presses Enter.
func TestAMeterIsAskedForByScan(t *testing.T) {
	b := open(t, chromium(t), clinic.Supervised(), "nurse")
	if got := b.js(`location.pathname`); got != "/meters" {
		t.Fatalf("a nurse begins on %s, want the meters", got)
	}
	b.tabTo("f-serial")
	b.do(chromedp.KeyEvent("M-2058" + kb.Enter))
	b.do(chromedp.WaitVisible("#why"))
	if got := b.js(`document.querySelector("h1").innerText.trim()`); got != "Not now: do not use meter M-2058." {
		t.Errorf("the page says %q", got)
	}
	b.visit("/meters?site=millrace")
	b.do(chromedp.KeyEvent("j"))
	if got := b.js(focused); got != "/meters/M-2058" {
		t.Errorf("j stands on %q, want the first that is not to be used", got)
	}
}

// TestAResultIsJudgedByKeyboard, with the reason carried over.
func TestAResultIsJudgedByKeyboard(t *testing.T) {
	b := open(t, chromium(t), clinic.Supervised(), "coordinator")
	b.visit("/quality/lookbacks/" + clinic.DoubtID)
	b.tabTo("judged") // the first radio of the first result
	b.do(chromedp.KeyEvent(kb.ArrowRight))
	b.tabTo("f-reason-" + clinic.ID("d", 910))
	b.do(chromedp.KeyEvent("Repeated in the room on M-2041" + kb.Enter))
	b.do(chromedp.WaitVisible(".said"))
	b.tabTo("judged")
	b.do(chromedp.KeyEvent(" "))
	b.tabTo("carry")
	b.do(chromedp.KeyEvent(" "))
	b.do(chromedp.KeyEvent(kb.Tab))
	b.do(chromedp.KeyEvent(kb.Enter))
	b.do(chromedp.WaitNotPresent(".doubtful form")) // all three are judged
	body := b.js(`document.querySelector("main").innerText`)
	if n := strings.Count(body, "Repeated in the room on M-2041"); n != 2 {
		t.Errorf("the reason stands %d times, want 2:\n%s", n, body)
	}
	for _, want := range []string{"repeat asked", "stands"} {
		if !strings.Contains(body, want) {
			t.Errorf("the list does not say %q", want)
		}
	}
}

// TestTheWallPrint: on paper the list says how long it holds, and the frame is gone.
func TestTheWallPrint(t *testing.T) {
	b := open(t, chromium(t), clinic.Supervised(), "nurse")
	if _, err := chromedp.Call(b.ctx, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Media: "print"}); err != nil {
		t.Fatal(err)
	}
	b.do(chromedp.Evaluate[chromedp.Void](`window.print = () => {}`))
	b.visit("/meters?site=millrace&print=yes")
	for _, tc := range []struct{ selector, want string }{{".band", "none"}, {".ask", "none"}, {".printhead", "block"}} {
		if got := b.js(`getComputedStyle(document.querySelector("` + tc.selector + `")).display`); got != tc.want {
			t.Errorf("%s is shown as %s on paper, want %s", tc.selector, got, tc.want)
		}
	}
	if got := b.js(`document.querySelector(".printhead").innerText`); !strings.Contains(got, "As of 25 Nov 2026 09:58; valid until 15:29") {
		t.Errorf("the head of the print says %q", got)
	}
	b.picture("meters-print")
}
