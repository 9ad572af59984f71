package validate_test

import (
	"flag"
	"fmt"
	"os"
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
	further := []string{"3a", "16a", "21a", "22a", "26a", "39a"}
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
	return b.String()
}

func anchor(c validate.Info) string { return c.Number + "-" + c.Code }

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
