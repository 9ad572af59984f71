//go:build browser

package browser

import (
	"net/http/httptest"
	"os"
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"tidegate/store"
	"tidegate/testkit/clinic"
	"tidegate/web"
)

const password = "a kettle on a slow train"

// firstDay serves a clinic in which nobody is a user yet, and gives the code
// for the first administrator.
func firstDay(t *testing.T) (b *tab, code string) {
	t.Helper()
	c := clinic.New()
	kept, err := store.Open(t.TempDir(), store.Options{Now: c.Now})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = kept.Close() })
	s := c.Settings(os.Stderr)
	s.Access = kept
	w, err := web.New(s)
	if err != nil {
		t.Fatal(err)
	}
	if code, _, err = w.FirstCode(t.Context()); err != nil {
		t.Fatal(err)
	}
	srv := httptest.NewServer(w.Handler())
	t.Cleanup(srv.Close)
	return &tab{t: t, ctx: chromium(t), base: srv.URL}, code
}

// TestTheFirstDayByKeyboard: from the code to a colleague who is signed in,
// without a mouse; axe-core finds nothing on the way, in either theme.
func TestTheFirstDayByKeyboard(t *testing.T) {
	b, code := firstDay(t)
	b.nothingFound([]state{{"sign-in-first", "/sign-in", nil}, {"set-password", "/sign-in/set-password", nil}}, 2)

	b.visit("/sign-in/set-password")
	b.tabTo("f-name")
	b.do(chromedp.KeyEvent("n.kaya"))
	b.tabTo("f-code")
	b.do(chromedp.KeyEvent(code))
	b.tabTo("f-password")
	b.do(chromedp.KeyEvent(password))
	b.tabTo("f-again")
	b.do(chromedp.KeyEvent(password + kb.Enter))
	b.do(chromedp.WaitVisible("#f-add-name"))
	if got := b.js(`document.querySelector("h1").innerText.trim()`); got != "1 user may sign in here." {
		t.Errorf("the page says %q", got)
	}

	b.do(chromedp.SendKeys("#f-add-name", "l.berg"), chromedp.Click(`form[action="/users"] input[value=clinician]`), chromedp.SendKeys("#f-add-sites", "harbour"+kb.Enter), chromedp.WaitVisible(".said code"))
	code = b.js(`document.querySelector(".said code").innerText`)
	b.do(chromedp.SendKeys("#f-token-name", "ward board"), chromedp.Click(`form[action="/tokens"] input[value=nurse]`), chromedp.SendKeys("#f-token-sites", "*"+kb.Enter), chromedp.WaitVisible(".said code"))
	b.nothingFound([]state{
		{"users", "/users", nil},
		{"users-change", "/users", func(b *tab) {
			b.do(chromedp.Click("details summary"), chromedp.WaitVisible("details form button"))
		}},
		{"users-faults", "/users", func(b *tab) {
			b.do(chromedp.SendKeys("#f-add-name", "m.lund"), chromedp.SendKeys("#f-add-sites", "nowhere"+kb.Enter), chromedp.WaitVisible("#faults"))
		}},
		{"password", "/password", nil},
	}, 2)

	b.visit("/users")
	b.do(chromedp.Click(".person button"), chromedp.WaitVisible("#f-token"))
	b.visit("/sign-in/set-password")
	b.do(chromedp.SendKeys("#f-name", "l.berg"), chromedp.SendKeys("#f-code", code), chromedp.SendKeys("#f-password", password), chromedp.SendKeys("#f-again", password+kb.Enter), chromedp.WaitVisible("nav a"))
	b.visit("/sign-in")
	b.do(chromedp.SendKeys("#f-name", "l.berg"), chromedp.SendKeys("#f-password", "not the right password"+kb.Enter), chromedp.WaitVisible("#faults"))
	if got := b.js(`document.activeElement.id`); got != "faults" {
		t.Errorf("%q has the focus, want what is to be put right", got)
	}
	b.do(chromedp.SendKeys("#f-password", password+kb.Enter), chromedp.WaitVisible("nav a"))
	if got := b.js(`document.cookie`); got != "" {
		t.Errorf("a script can read %q", got)
	}
}
