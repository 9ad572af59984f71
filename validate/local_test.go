package validate_test

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidegate/poct"
	"tidegate/validate"
)

func localRule(when string, more ...any) validate.Config {
	rule := set{"code": "own-rule", "severity": "hold", "when": when, "text": "The own rule is broken.", "remedy": "Ask the laboratory.", "field": "inr"}
	for i := 0; i+1 < len(more); i += 2 {
		rule[more[i].(string)] = more[i+1]
	}
	return validate.Config{"local": []any{rule}}
}

func TestLocalRules(t *testing.T) {
	withHistory := func(s *situation) { before("2.0", 20*day)(s) }
	for _, tt := range []struct {
		name   string
		when   string
		change func(*situation)
		want   poct.Answer
		text   string // of why it cannot tell
	}{
		{"a value", "inr > 2.4", nil, poct.Found, ""},
		{"its edge", "inr > 2.5", nil, poct.Pass, ""},
		{"whole numbers compare too", "inr > 2", nil, poct.Found, ""},
		{"a bound", "has_comparator && inr >= 8.0", func(s *situation) { value(">9.0")(s) }, poct.Found, ""},
		{"what it is", "kind == 'patient' && site == 'millrace' && model == 'Quill 3' && strip_lot.startsWith('7K') && operator == '118' && specimen == 'capillary'", nil, poct.Found, ""},
		{"5 March 2024 was a Tuesday", "weekday == 2 && hour == 9 && minute == 12 && date == '2024-03-05'", nil, poct.Found, ""},
		{"by the site's clock", "hour == 8 && tested == timestamp('2024-03-05T08:12:00Z')", func(s *situation) { s.f.Zone = time.UTC }, poct.Found, ""},
		{"age in minutes", "age == 1", nil, poct.Found, ""},
		{"history", "history.exists(h, has(h.inr) && h.inr <= 2.0 && h.hours_ago == 480.0)", withHistory, poct.Found, ""},
		{"empty history", "size(history) == 0", nil, poct.Found, ""},
		{"controls, newest first", "size(controls) == 2 && controls[0].level == '2' && controls.all(c, c.passed && c.hours_ago < 2.0)", nil, poct.Found, ""},
		{"laboratory", "labs.exists(l, l.inr > inr + 1.0)", func(s *situation) { lab("3.6", time.Hour)(s) }, poct.Found, ""},
		{"findings", "'heparin' in findings", func(s *situation) { finding("heparin", "", "", time.Hour)(s) }, poct.Found, ""},
		{"notes and haematocrit", "size(interference) == 1 && has_haematocrit && haematocrit > 50.0", func(s *situation) {
			s.r().Interference, s.r().Haematocrit = []string{"x"}, poct.MustNumber("51")
		}, poct.Found, ""},
		{"no seconds, and it needs them", "pt > 1.0", func(s *situation) { value("2.5")(s) }, poct.CannotTell, "pt"},
		{"no seconds, and it is guarded", "has_pt && pt > 1.0", func(s *situation) { value("2.5")(s) }, poct.Pass, ""},
		{"unknown patient", "size(history) > 3", func(s *situation) { s.f.Patients, s.f.Patient = nil, nil }, poct.CannotTell, "history"},
		{"time not clear", "hour < 6", func(s *situation) { s.r().TestedAt.Ambiguous = "twice" }, poct.CannotTell, "hour"},
		{"a key that is not there", "history[0].colour == 'red'", withHistory, poct.CannotTell, "colour"},
		{"beyond the end of a list", "history[5].inr > 1.0", withHistory, poct.CannotTell, ""},
	} {
		t.Run(tt.name, func(t *testing.T) {
			s := good()
			if tt.change != nil {
				tt.change(s)
			}
			f := s.check(t, localRule(tt.when))
			a := answerOf(f, "own-rule")
			assert.Equal(t, "local", a.Check)
			assert.Equal(t, tt.want, a.Answer, "%+v", problemsOf(f, "own-rule"))
			assert.Contains(t, a.Why, tt.text)
			if tt.want == poct.Pass {
				assert.Empty(t, problemsOf(f, "own-rule"))
				return
			}
			assert.Equal(t, poct.HoldIt, f.Verdict)
			p := problemsOf(f, "own-rule")[0]
			assert.Equal(t, poct.Hold, p.Severity)
			assert.Equal(t, "inr", p.Field)
			assert.NotEmpty(t, p.Remedy)
		})
	}
}

// A rule may be about a value, never about a person: no variable tells who the
// patient is.
func TestLocalRulesKnowNoPatient(t *testing.T) {
	s := good()
	for _, v := range validate.Variables() {
		for _, name := range []string{"patient", "family", "given", "birth", "sex", "name"} {
			assert.NotContains(t, v.Name, name)
		}
		assert.NotEmpty(t, v.Means)
		if v.Type == "string" {
			f := s.check(t, localRule(v.Name+".contains('MRN0007') || "+v.Name+".contains('Testperson') || "+v.Name+".contains('1950-01-01')"))
			assert.Equal(t, poct.Pass, answerOf(f, "own-rule").Answer, v.Name)
		}
	}
}

func TestLocalRulesAreToldWhereTheyAreWrong(t *testing.T) {
	for _, tt := range []struct{ name, yaml, key, what, instead string }{
		{"syntax", `[{code: a, when: "inr >", text: t, remedy: r}]`, "local[0].when", "line 1, column 6", "docs/checks.md"},
		{"second line", "[{code: a, when: \"inr > 1.0 &&\\n  colour == 2\", text: t, remedy: r}]", "local[0].when", "line 2, column 3 of the expression: undeclared reference to 'colour'", ""},
		{"types", `[{code: a, when: "inr == 'high'", text: t, remedy: r}]`, "local[0].when", "no matching overload", ""},
		{"no yes or no", `[{code: a, when: "inr", text: t, remedy: r}]`, "local[0].when", "gives double, not true or false", ""},
		{"anything", `[{code: a, when: "history[0].passed", text: t, remedy: r}]`, "local[0].when", "gives dyn", ""},
		{"loops in loops", `[{code: a, when: "controls.exists(a, controls.exists(b, controls.exists(c, controls.exists(d, a.level == b.level && c.level == d.level))))", text: t, remedy: r}]`, "local[0].when", "may take too long", "fewer loops"},
		{"no pattern", `[{code: a, when: "strip_lot.matches('[0-9')", text: t, remedy: r}]`, "local[0].when", "column 19 of the expression: no pattern", ""},
		{"without end", `[{code: a, when: "` + strings.Repeat("inr > 1.0 && ", 200) + `true", text: t, remedy: r}]`, "local[0].when", "too long", "2000"},
		{"built-in code", `[{code: lot-unknown, when: "true", text: t, remedy: r}]`, "local[0].code", "built-in check", "another name"},
		{"no name", `[{code: No Sunday, when: "true", text: t, remedy: r}]`, "local[0].code", "no name of a rule", "no-sunday"},
		{"twice", `[{code: a, when: "true", text: t, remedy: r}, {code: a, when: "true", text: t, remedy: r}]`, "local[1].code", "twice", ""},
		{"no expression", `[{code: a, text: t, remedy: r}]`, "local[0].when", "is missing", "CEL"},
		{"no remedy", `[{code: a, when: "true", text: t}]`, "local[0].remedy", "is missing", "what to do"},
		{"severity", `[{code: a, severity: stop, when: "true", text: t, remedy: r}]`, "local[0].severity", "none of its words", "hold or flag"},
		{"acts", `[{code: a, acts: XR, when: "true", text: t, remedy: r}]`, "local[0].acts", "no list of acts", "CRD"},
		{"desk", `[{code: a, desk: nurse, when: "true", text: t, remedy: r}]`, "local[0].desk", "none of its words", "reviewer"},
		{"unknown key", `[{code: a, then: hold, when: "true", text: t, remedy: r}]`, "local[0].then", "no such key", "when"},
		{"number for a text", `[{code: a, when: true, text: t, remedy: r}]`, "local[0].when", "not a text", "quotes"},
		{"not a list", `{code: a}`, "local", "not a list of rules", "local: ["},
		{"not a rule", `[no-sunday]`, "local[0]", "not a rule", "code"},
		{"off in words", `[{code: a, off: "yes", when: "true", text: t, remedy: r}]`, "local[0].off", "neither true nor false", ""},
		{"off and unknown", `[{code: a, off: true}]`, "local[0].when", "is missing", ""},
	} {
		t.Run(tt.name, func(t *testing.T) {
			for path, yaml := range map[string]string{"": "checks: {local: " + tt.yaml + "}", "sites.saltmarsh.": "checks: {sites: {saltmarsh: {local: " + tt.yaml + "}}}"} {
				ru, faults := validate.Compile(decode(t, yaml))
				assert.Nil(t, ru)
				require.NotEmpty(t, faults)
				assert.Equal(t, path+tt.key, faults[0].Key)
				assert.Contains(t, faults[0].What, tt.what)
				assert.Contains(t, faults[0].Instead, tt.instead)
				assert.NotContains(t, strings.ToLower(faults[0].What), "error")
			}
		})
	}
	_, faults := validate.Compile(decode(t, `checks: {local: [{code: a, desk: coordinator, when: "true", text: t, remedy: r}], sites: {saltmarsh: {local: [{code: a, when: "true", text: t, remedy: r}]}}}`))
	require.Len(t, faults, 1)
	assert.Contains(t, faults[0].What, "another desk")
}

func TestLocalRulesOfASite(t *testing.T) {
	ru := rules(t, decode(t, `
checks:
  local:
    - {code: high, severity: flag, when: "inr > 2.0", text: High here., remedy: Look.}
    - {code: always, when: "true", text: Always., remedy: Look.}
  sites:
    saltmarsh:
      local:
        - {code: high, severity: hold, when: "inr > 2.4", text: High there., remedy: Look.}
        - {code: always, off: true}
        - {code: there, severity: note, when: "true", text: Only there., remedy: Look.}
`))
	s := good()
	here := ru.Check(s.res, s.f, nil)
	assert.Equal(t, poct.Release, here.Verdict)
	assert.Equal(t, "High here.", problemsOf(here, "high")[0].Text)
	assert.Empty(t, answerOf(here, "there"))
	s.res.Site = "saltmarsh"
	there := ru.Check(s.res, s.f, nil)
	assert.Equal(t, poct.HoldIt, there.Verdict)
	assert.Equal(t, "High there.", problemsOf(there, "high")[0].Text)
	assert.Equal(t, poct.NotAsked, answerOf(there, "always").Answer)
	assert.Equal(t, poct.Note, problemsOf(there, "there")[0].Severity)

	var codes []string
	for _, info := range ru.Local() {
		codes = append(codes, info.Code)
		assert.Equal(t, "local", info.Number)
		assert.NotEmpty(t, info.Compares)
	}
	assert.Equal(t, []string{"always", "high", "there"}, codes)
	var off []string
	for _, u := range ru.NotAsked() {
		if u.Check == "local" {
			off = append(off, u.Site+" "+u.Code)
		}
	}
	assert.Equal(t, []string{"saltmarsh always"}, off)
}

func TestWhoMaySettleALocalRule(t *testing.T) {
	ru := rules(t, localRule("true", "acts", "R", "desk", "clinician"))
	problems := []poct.Problem{{Check: "local", Code: "own-rule", Severity: poct.Hold, Text: "The own rule is broken."}}
	may := func(act poct.Act, role string) error {
		return ru.May(problems, act, poct.Actor{Name: "r.ito", Role: role, Operator: "9"}, "118")
	}
	assert.NoError(t, may(poct.ActRelease, "clinician"))
	assert.ErrorIs(t, may(poct.ActRelease, "reviewer"), poct.ErrForbidden)
	assert.ErrorIs(t, may(poct.ActDiscard, "clinician"), poct.ErrNotAllowed)
	assert.ErrorIs(t, validate.May(problems, poct.ActRelease, poct.Actor{Role: "clinician"}, ""), poct.ErrNotAllowed, "a rule that is no longer there releases nothing")

	foreign := []poct.Problem{{Code: "own-rule", Severity: poct.Hold, Text: "Another room has this code too."}}
	assert.ErrorIs(t, ru.May(foreign, poct.ActRelease, poct.Actor{Role: "clinician"}, ""), poct.ErrNotAllowed, "a rule speaks for itself alone")

	usual := rules(t, localRule("true"))
	assert.NoError(t, usual.May(problems, poct.ActRelease, poct.Actor{Role: "reviewer"}, ""))
	assert.NoError(t, usual.May(problems, poct.ActDiscard, poct.Actor{Role: "reviewer"}, ""))
}

func TestLocalRulesOfOtherKinds(t *testing.T) {
	cfg := localRule("has_inr && control_level == '2'", "of", "control")
	assert.Equal(t, poct.Found, answerOf(controlRun().check(t, cfg), "own-rule").Answer)
	assert.Empty(t, answerOf(good().check(t, cfg), "own-rule"))
}

func BenchmarkCheckLocal(b *testing.B) {
	ru := rules(b, localRule("inr > 4.0 && history.exists(h, has(h.inr) && h.inr < 2.0 && h.hours_ago < 48.0)"))
	s := good()
	before("2.4", 20*day)(s)
	b.ReportAllocs()
	for b.Loop() {
		ru.Check(s.res, s.f, nil)
	}
}

func FuzzLocalRule(f *testing.F) {
	for _, seed := range []string{"weekday == 0", "inr > 4.0 && has_pt", "history.exists(h, h.inr > inr)", "'x' in findings ? true : false", "strip_lot.matches('^7')", "[1,2].map(x, x+1)[0] > 1", "\"", "a.b.c()"} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, when string) {
		ru, faults := validate.Compile(localRule(when))
		if (ru == nil) != (len(faults) > 0) {
			t.Fatalf("rules %v beside faults %v", ru, faults)
		}
		if ru == nil {
			return
		}
		s := good()
		a := answerOf(ru.Check(s.res, s.f, nil), "own-rule")
		if a.Answer == "" || a.Answer == poct.CannotTell && a.Why == "" {
			t.Fatalf("%q answers %+v", when, a)
		}
	})
}
