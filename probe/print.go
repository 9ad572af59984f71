package probe

import (
	"fmt"
	"slices"
	"strings"
	"time"
)

// Document is the report as a text file to be signed. Its last lines name the
// SHA-256 of everything above them, so that paper, file and ledger can be held
// together: head -n -17 FILE | sha256sum.
func (r Report) Document() []byte {
	return []byte(r.body() + r.signature())
}

// Text is the report for a screen: without the transcript.
func (r Report) Text() string {
	var b writer
	b.heading(r)
	b.promises(r)
	b.findings(r)
	b.elements(r)
	b.settings(r)
	b.remains(r)
	return b.String()
}

func (r Report) body() string {
	var b writer
	b.line("%s", strings.TrimSuffix(r.Text(), "\n"))
	b.transcript(r)
	b.line("")
	b.line("Caution: a probe tries a connection on one test patient. It says nothing about meters,")
	b.line("limits or people. Going live is for those to allow who answer for the laboratory and")
	b.line("for the record; local codes and licensed practice come first. Not a medical device.")
	b.line("")
	return b.String()
}

// signature takes signatureLines lines.
func (r Report) signature() string {
	var b writer
	b.line("SHA-256 of everything above this line:")
	b.line("%s", r.SHA256)
	b.line("")
	for _, who := range []string{"Integration engineer", "For the record system", "For the laboratory"} {
		b.line("%s", who)
		b.line("")
		b.line("  name ______________________________   date ______________   place ______________")
		b.line("")
	}
	b.line("  accepted in spite of what is missing, and why ___________________________________")
	b.line("")
	return b.String()
}

type writer struct{ strings.Builder }

func (b *writer) line(format string, args ...any) {
	fmt.Fprintf(b, format, args...)
	b.WriteByte('\n')
}

func (b *writer) title(text string) {
	b.line("")
	b.line("%s", text)
	b.line("")
}

func (b *writer) heading(r Report) {
	b.line("Go-live probe of outlet %s", r.Outlet)
	b.line("")
	b.line("  record system  %s, FHIR %s", r.BaseURL, told(r.FHIRVersion, "version not known"))
	b.line("  test patient   %s", r.Patient)
	b.line("  asked by       %s", r.By)
	b.line("  begun, ended   %s, %s", stamp(r.Began), stamp(r.Ended))
	b.line("  tidegate       %s, run %s", r.Version, r.Run)
	b.line("")
	needed, wanted := r.missing()
	switch {
	case needed > 0:
		b.line("NOT GOOD: of what is needed, %s missing.", things(needed))
	case wanted > 0:
		b.line("GOOD: nothing that is needed is missing. Of what is wanted, %s missing.", things(wanted))
	default:
		b.line("GOOD: nothing is missing.")
	}
}

func things(n int) string {
	if n == 1 {
		return "1 thing is"
	}
	return fmt.Sprintf("%d things are", n)
}

func (b *writer) promises(r Report) {
	if len(r.Promises) == 0 {
		return
	}
	b.title("What it promises, and what was found")
	for _, p := range r.Promises {
		promised := "no"
		if p.Promised {
			promised = "yes"
		}
		b.line("  %-6s  promised %-3s  found %-9s  %s", p.Need, promised, told(string(p.Found), "-"), p.What)
	}
}

func (b *writer) findings(r Report) {
	b.title("What was found")
	step := ""
	for _, f := range r.Findings {
		if f.Step != step {
			step = f.Step
			b.line("  %s", step)
		}
		mark := "ok     "
		switch {
		case !f.Good && f.Need == Told:
			mark = "note   "
		case !f.Good:
			mark = "MISSING"
		}
		b.line("    %s  %-6s  %s", mark, f.Need, f.Text)
		if f.Do != "" {
			b.line("                     %s", f.Do)
		}
	}
}

func (b *writer) elements(r Report) {
	if len(r.Elements) == 0 {
		return
	}
	b.title("What became of each element")
	resource := ""
	var whole []string
	flush := func() {
		if len(whole) > 0 {
			b.line("    survived  %s", strings.Join(whole, ", "))
		}
		whole = nil
	}
	for _, e := range r.Elements {
		if e.Resource != resource {
			flush()
			resource = e.Resource
			b.line("  %s", resource)
		}
		switch e.Fate {
		case Survived:
			whole = append(whole, e.Element)
		case Changed:
			b.line("    CHANGED   %s: %s -> %s (%s)", e.Element, e.Sent, e.Stored, e.Need)
		case Lost:
			b.line("    LOST      %s (%s)", e.Element, e.Need)
		case Added:
			b.line("    added     %s, by the record system", e.Element)
		}
	}
	flush()
}

func (b *writer) settings(r Report) {
	if len(r.Settings) == 0 {
		return
	}
	b.title("Settings of the outlet that fit what was found")
	for _, s := range r.Settings {
		if s.Now == s.Write {
			b.line("  %s: %s    as it is (%s)", s.Key, s.Write, s.Why)
			continue
		}
		b.line("  %s: %s    instead of %s (%s)", s.Key, s.Write, s.Now, s.Why)
	}
}

func (b *writer) remains(r Report) {
	if len(r.Remains) == 0 {
		return
	}
	b.title("What the probe leaves behind")
	by := map[string][]string{}
	var order []string
	for _, m := range r.Remains {
		if !slices.Contains(order, m.Status) {
			order = append(order, m.Status)
		}
		by[m.Status] = append(by[m.Status], m.Reference)
	}
	for _, status := range order {
		b.line("  %s: %s", status, strings.Join(by[status], ", "))
	}
	b.line("  beside these a Device, an Organization and a Substance named for the test, and Provenances.")
}

func (b *writer) transcript(r Report) {
	b.title("Transcript")
	for _, x := range r.Transcript {
		b.line("  %s  %-12s  %s", x.At.Format("15:04:05.000"), x.Step, x.What)
		var more []string
		if x.Status != 0 || x.Answer != "" {
			more = append(more, x.Answer)
		}
		if x.Request != "" {
			more = append(more, "request "+x.Request)
		}
		if x.SHA256 != "" {
			more = append(more, "sent sha256 "+x.SHA256)
		}
		if len(more) > 0 {
			b.line("                              %s", strings.Join(more, "; "))
		}
	}
}

func stamp(t time.Time) string { return t.Format("2006-01-02 15:04:05 UTC") }
