package clinic

import (
	"context"
	"fmt"
	"io"

	"github.com/rs/zerolog"

	"tidegate/poct"
	"tidegate/review"
	"tidegate/web"
)

// Tokens by role, for tests that sign in. The site-bound reviewer is "harbour", the
// nurse of Millrace Surgery "room".
var Tokens = map[string]string{
	"nurse": "nurse-token-0123456789", "clinician": "clinician-token-012345", "reviewer": "reviewer-token-0123456",
	"coordinator": "coordinator-token-0123", "engineer": "engineer-token-0123456", "auditor": "auditor-token-01234567",
	"admin": "admin-token-0123456789", "harbour": "harbour-token-01234567", "room": "room-two-token-0123456",
}

// People are the persons behind Tokens.
func People() []web.Person {
	var out []web.Person
	for _, role := range []string{"nurse", "clinician", "reviewer", "coordinator", "engineer", "auditor", "admin"} {
		out = append(out, web.Person{Token: Tokens[role], Actor: poct.Actor{Name: map[string]string{"reviewer": "r.ito", "coordinator": "k.osei"}[role] + or(role), Role: role, Sites: []string{"*"}, Operator: map[string]string{"reviewer": "131"}[role]}})
	}
	return append(out, web.Person{Token: Tokens["harbour"], Actor: poct.Actor{Name: "h.lunt", Role: "reviewer", Sites: []string{"harbour"}}},
		web.Person{Token: Tokens["room"], Actor: poct.Actor{Name: "n.two", Role: "nurse", Sites: []string{"millrace"}}})
}

func or(role string) string {
	if role == "reviewer" || role == "coordinator" {
		return ""
	}
	return role + ".one"
}

// May allows what the invented checks here allow: nobody releases an expired
// or failed strip, whoever ran the test does not release it, reviewers leave
// controls to the coordinator.
func May(problems []poct.Problem, act poct.Act, actor poct.Actor, runBy string) error {
	for _, p := range problems {
		switch {
		case p.Because != "" || p.Severity != poct.Hold:
		case act == poct.ActRelease && (p.Code == "unreadable-record" || p.Code == "second-identifier-conflict"):
			return fmt.Errorf("%w: nobody may release this; correct it or discard it", poct.ErrNotAllowed)
		case act == poct.ActRelease && actor.Role == "reviewer" && p.Code == "qc-overdue":
			return fmt.Errorf("%w: this is for the coordinator", poct.ErrForbidden)
		}
	}
	if act == poct.ActRelease && runBy != "" && runBy == actor.Operator {
		return fmt.Errorf("%w: whoever ran the test may not release it", poct.ErrForbidden)
	}
	return nil
}

// Desk is the real desk over this clinic.
func (c *Clinic) Desk() *review.Desk {
	d, err := review.New(review.Settings{Store: c, Judge: c, May: May, Now: c.Now})
	if err != nil {
		panic(err) // all settings are given
	}
	return d
}

// Settings serve the clinic, ready for a test to change.
func (c *Clinic) Settings(log io.Writer) web.Settings {
	return web.Settings{
		Reader: c, Desk: c.Desk(), People: People(), Now: c.Now, Log: zerolog.New(log), Listen: "127.0.0.1:0", Group: "Millrace district", Version: "0.1.0",
		Facts: Facts, Prove: c.Prove, Coordinator: c.Coordinator(), Readiness: c.Readiness,
		Inlets: Inlets{c}, Outlets: c.NewOutlets(), Registry: Believed{c}, Ledger: Log{c},
		Checks: []web.CheckInfo{{Number: "23", Code: "lot-unknown", Title: "Strip lot unknown", Acts: "CRD", Desk: "coordinator"}, {Number: "27", Code: "qc-overdue", Title: "Controls overdue", Acts: "RD", Desk: "coordinator"},
			{Number: "41", Code: "delta-large", Title: "Large change", Acts: "RD", Desk: "clinician"}, {Number: "8", Code: "second-identifier-conflict", Title: "Second identifier differs", Acts: "CD", Desk: "reviewer"},
			{Number: "1", Code: "unreadable-record", Title: "Unreadable", Acts: "CD", Desk: "reviewer"}},
		Listeners: func() map[string]string { return map[string]string{"millrace-tcp": "127.0.0.1:2575"} },
		Wiring: func() []web.Wire {
			return []web.Wire{{ID: "millrace-tcp", Kind: "mllp", Well: true}, {ID: "ward-phone", Kind: "webhook", Well: true, Since: c.Time}, {ID: "record-fhir", Kind: "fhir", Since: c.Time, Why: "The record system answers 503."}}
		},
		Checkpoint: func(context.Context) (string, error) { return "millrace.example/1\n48\nAAAA\n", nil },
		Export: func(_ context.Context, _ string, ids []string, w io.Writer) error {
			_, err := fmt.Fprintf(w, "pack of %d", len(ids))
			return err
		},
		Import: func(_ context.Context, _ string, kind poct.RegistryKind, r io.Reader, _ string, _ bool) (web.ImportReport, error) {
			n, err := io.Copy(io.Discard, r)
			if err != nil || n == 0 {
				return web.ImportReport{}, err
			}
			return web.ImportReport{Added: 1, Refused: []web.Refusal{{Line: 3, Column: "expires", Reason: "write a date as YYYY-MM-DD"}}}, nil
		},
	}
}
