//go:build browser

package browser

import (
	"testing"

	"github.com/chromedp/chromedp"

	"tidegate/testkit/clinic"
)

// rooms are the pages of whoever wires, brings rows and audits.
func rooms() []state {
	return []state{
		{"wiring", "/wiring", nil},
		{"inlet", "/wiring/inlets/millrace-tcp", nil},
		{"outlet", "/wiring/outlets/record-fhir", nil},
		{"profile", "/wiring/profiles/quill-hl7", nil},
		{"try", "/wiring/try", nil},
		{"registry", "/registry", nil},
		{"rows", "/registry/meters?row=M-2019", nil},
		{"ledger", "/ledger", nil},
		{"outlet-form-fault", "/wiring/outlets/record-fhir", func(b *tab) {
			b.do(chromedp.Evaluate[chromedp.Void](`document.querySelector("aside form").noValidate = true`), chromedp.Click("aside form button"), chromedp.WaitVisible("#faults"))
		}},
		{"tried", "/wiring/try", func(b *tab) {
			b.do(chromedp.SendKeys("#f-message", "hello"), chromedp.Click("main form button"), chromedp.WaitVisible("#verdict-0"))
		}},
		{"import", "/registry", func(b *tab) {
			b.do(chromedp.SendKeys("#f-table", "site,name"), chromedp.Click("aside form button"), chromedp.WaitVisible("#apply"))
		}},
	}
}

// TestAxeOnTheRooms: axe-core finds nothing there either.
func TestAxeOnTheRooms(t *testing.T) {
	ctx := chromium(t)
	open(t, ctx, clinic.New(), "coordinator").nothingFound(rooms(), 8)
}

// TestAxeOnLooks: nor on the auditor's own page.
func TestAxeOnLooks(t *testing.T) {
	b := open(t, chromium(t), clinic.New(), "auditor")
	b.visit("/results/" + clinic.DeliveredID)
	b.nothingFound([]state{{"looks", "/ledger/looks", nil}}, 1)
}
