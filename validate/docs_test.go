package validate_test

import (
	"flag"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"tidegate/poct"
	"tidegate/validate"
)

var update = flag.Bool("update", false, "rewrite docs/checks.md")

const checksFile = "../docs/checks.md"

// The documentation of the checks is written from the table of checks, so it
// cannot say anything else than the program does.
func TestChecksAreDocumented(t *testing.T) {
	want := document()
	if *update {
		if err := os.WriteFile(checksFile, []byte(want), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	got, err := os.ReadFile(checksFile)
	if err != nil {
		t.Fatal(err)
	}
	if string(got) != want {
		t.Errorf("%s is stale: run go test ./validate -run TestChecksAreDocumented -update", checksFile)
	}
}

// Every entry says enough for a person to act on.
func TestTableIsComplete(t *testing.T) {
	numbers, codes := map[string]bool{}, map[string]bool{}
	for _, c := range validate.Checks() {
		for what, text := range map[string]string{"title": c.Title, "asks": c.Asks, "compares": c.Compares, "text": c.Text, "remedy": c.Remedy, "desk": c.Desk, "severity": string(c.Severity)} {
			if text == "" {
				t.Errorf("check %s has no %s", c.Number, what)
			}
		}
		if len(c.Keys) > 0 && c.Source == "" {
			t.Errorf("check %s has limits and does not say where they come from", c.Number)
		}
		for _, k := range c.Keys {
			if k.Means == "" {
				t.Errorf("check %s does not say what %s means", c.Number, k.Name)
			}
		}
		if c.Severity == poct.Hold && c.Acts == "" {
			t.Errorf("check %s holds, and nobody may do anything about it", c.Number)
		}
		if numbers[c.Number] || codes[c.Code] {
			t.Errorf("check %s %s stands in the table twice", c.Number, c.Code)
		}
		numbers[c.Number], codes[c.Code] = true, true
	}
	for n := range 46 {
		if !numbers[fmt.Sprint(n+1)] {
			t.Errorf("check %d is not in the table", n+1)
		}
	}
	further := []string{"3a", "9a", "16a", "21a", "22a", "26a", "39a"}
	for _, n := range further {
		if !numbers[n] {
			t.Errorf("check %s is not in the table", n)
		}
	}
	if len(numbers) != 46+len(further) {
		t.Errorf("the table has %d checks", len(numbers))
	}
}

func document() string {
	var b strings.Builder
	b.WriteString(`# Checks

<!-- Written from the table in validate/ by go test ./validate -run TestChecksAreDocumented -update. -->

**tidegate is not a medical device.** Every limit below belongs to the laboratory's director, who sets it for the site. Local codes, the instructions that come with meter and strips, and licensed practice come first. The record and the patient decide, not this program. A default here is no medical advice; where it has a published source, the source is named.

A check answers *pass*, *problem*, *cannot tell* or *not asked*. Cannot tell holds the result. Not asked is a matter of configuration alone (the meter profile, the site, the lot); ` + "`tidegate check`" + ` lists it, and each trace names it. Where one problem causes another check not to know, that check hangs under it, and one act settles both.

**hold** stops the result in front of a person. **flag** delivers it marked. **note** lets it pass with a remark. A reviewer may **C**orrect (patient identity, time offset, strip lot, operator, code; without a change: read the arrival again), **R**elease with a reason, **D**iscard with a reason. Where R is missing nobody releases, at any rank, and no setting can lower or switch off the check. Whoever ran the test may not release it.

Limits are set under ` + "`checks:`" + ` in the configuration, for the group or under ` + "`sites:`" + ` for one site; decimals are quoted:

` + "```yaml" + `
checks:
  critical: {limit: "5.0"}
  sites: {saltmarsh: {qc-overdue: {interval: 24h}}}
` + "```" + `

Every check that a person may release also takes ` + "`severity`" + ` (hold, flag, note) and ` + "`off: true`" + `; checks with a flag and a hold limit take those instead of a severity. The alert for a critical value can be neither lowered nor switched off.

Which checks are asked depends on what was measured. A patient's result is asked all but 3a and 46. A control is asked whether it can be read, its value, unit, time, meter, clock, lot and range, and 46. A laboratory's own result, taken in to be compared with a meter's, is asked about patient, code, unit, value and time; it is filed and never sent. A device error is an event: it is filed with a note (3a), never held and never a result.

Whether a meter may be used now is answered by checks 14, 15, 17, 18 and 23 to 29 themselves, asked of a patient test imagined at this moment with the strip lot used last. A meter that was not heard from for longer than usual is not ready: nobody knows whether its controls passed.

| # | Check | Severity | Reviewer | Desk |
|---|---|---|---|---|
`)
	for _, c := range validate.Checks() {
		fmt.Fprintf(&b, "| %s | [%s](#%s) | %s | %s | %s |\n", c.Number, c.Code, anchor(c), severity(c), acts(c), c.Desk)
	}
	for _, c := range validate.Checks() {
		fmt.Fprintf(&b, "\n## %s %s\n\n%s.\n\n", c.Number, c.Code, c.Title)
		fmt.Fprintf(&b, "- Compares: %s.\n- Says: “%s”\n- Then: %s\n", c.Compares, c.Text, c.Remedy)
		for _, k := range c.Keys {
			kind := string(k.Kind)
			if k.Kind == validate.Choice {
				kind = strings.Join(k.Options, " or ")
			}
			fmt.Fprintf(&b, "- `%s` (%s", k.Name, kind)
			if k.Default != "" {
				fmt.Fprintf(&b, ", default %s", k.Default)
			}
			fmt.Fprintf(&b, "): %s.\n", k.Means)
		}
		if c.Source != "" {
			fmt.Fprintf(&b, "- Source: %s.\n", c.Source)
		}
		if c.Unasked != "" {
			fmt.Fprintf(&b, "- Not asked: %s.\n", c.Unasked)
		}
	}
	localRules(&b)
	return b.String()
}

// localRules documents what a laboratory can write for itself.
func localRules(b *strings.Builder) {
	b.WriteString(`
## Rules of the laboratory's own

What no check asks, a laboratory can ask by a rule of its own, under ` + "`local:`" + ` for the group or for one site. A rule is an expression in CEL (Common Expression Language, cel.dev) that is true for a problem:

` + "```yaml" + `
checks:
  local:
    - code: no-sunday
      severity: hold
      when: weekday == 0
      text: Nobody is on duty on Sundays to act on a result.
      remedy: Ask the clinician on call.
    - code: high-after-low
      when: inr > 4.0 && history.exists(h, has(h.inr) && h.inr < 2.0 && h.hours_ago < 72.0)
      text: INR above 4.0 within three days of one below 2.0.
      remedy: Compare both with the meter's own memory.
      field: inr
  sites: {saltmarsh: {local: [{code: no-sunday, off: true}]}}
` + "```" + `

Rules are compiled when the program starts, and ` + "`tidegate check`" + ` tells where one is wrong. They stand in traces like the checks above, under number *local*. A rule that cannot be worked out, since a fact is not known or it would take too long, cannot tell: the result is held. Guard a rule where a fact may be missing: ` + "`has_pt && pt > 60.0`" + `. A site's rule takes the place of the group's rule of the same code.

| key | means |
|---|---|
`)
	for _, k := range validate.LocalKeys() {
		means := k.Means
		if len(k.Options) > 0 {
			means += ": " + strings.Join(k.Options, ", ")
		}
		if k.Default != "" {
			means += " (default " + k.Default + ")"
		}
		fmt.Fprintf(b, "| `%s` | %s |\n", k.Name, means)
	}
	b.WriteString(`
Variables; none tells who the patient is. Numbers are doubles here: comparing with a limit as written is exact, arithmetic is not.

| variable | type | means |
|---|---|---|
`)
	for _, v := range validate.Variables() {
		fmt.Fprintf(b, "| `%s` | %s | %s |\n", v.Name, v.Type, v.Means)
	}
	b.WriteString("\nEach entry of `history`, `labs` and `controls`:\n\n| key | type | means |\n|---|---|---|\n")
	for _, v := range validate.PastKeys() {
		fmt.Fprintf(b, "| `%s` | %s | %s |\n", v.Name, v.Type, v.Means)
	}
}

func anchor(c validate.Info) string { return c.Number + "-" + c.Code }

// Every test that docs/hazards.md points at can be run, and every check that
// it names exists.
func TestHazardsAreShown(t *testing.T) {
	page, err := os.ReadFile("../docs/hazards.md")
	if err != nil {
		t.Fatal(err)
	}
	tests := map[string]bool{}
	err = filepath.WalkDir("..", func(path string, d fs.DirEntry, err error) error {
		if d != nil && d.IsDir() && (d.Name() == "node_modules" || d.Name() == ".git") {
			return filepath.SkipDir
		}
		if err != nil || !strings.HasSuffix(path, "_test.go") {
			return err
		}
		code, err := os.ReadFile(path)
		for _, m := range regexp.MustCompile(`(?m)^func (Test[A-Za-z0-9]+)\(`).FindAllSubmatch(code, -1) {
			tests[string(m[1])] = true
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	shown := regexp.MustCompile("`(Test[A-Za-z0-9]+)`").FindAllStringSubmatch(string(page), -1)
	if len(shown) < 20 {
		t.Fatalf("the page points at %d tests", len(shown))
	}
	for _, m := range shown {
		if !tests[m[1]] {
			t.Errorf("docs/hazards.md points at %s, which does not exist", m[1])
		}
	}
	checks := regexp.MustCompile(`\[([0-9]+[a-z]?) ([a-z-]+)\]\(checks\.md#([0-9a-z-]+)\)`).FindAllStringSubmatch(string(page), -1)
	if len(checks) < 20 {
		t.Fatalf("the page names %d checks", len(checks))
	}
	for _, m := range checks {
		if info, ok := validate.Lookup(m[2]); !ok || info.Number != m[1] || anchor(info) != m[3] {
			t.Errorf("docs/hazards.md names check %s %s, which is not in the table", m[1], m[2])
		}
	}
}

func severity(c validate.Info) string {
	for _, k := range c.Keys {
		if strings.HasPrefix(k.Name, "hold") {
			return "flag or hold"
		}
	}
	return string(c.Severity)
}

func acts(c validate.Info) string {
	if c.Acts == "" {
		return "–"
	}
	return strings.Join(strings.Split(c.Acts, ""), " ")
}
