package validate_test

import (
	"testing"

	"github.com/goccy/go-yaml"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidegate/poct"
	"tidegate/validate"
)

func decode(t *testing.T, text string) validate.Config {
	t.Helper()
	var c struct {
		Checks validate.Config `yaml:"checks"`
	}
	require.NoError(t, yaml.UnmarshalWithOptions([]byte(text), &c, yaml.Strict()))
	return c.Checks
}

func TestCompileFromYAML(t *testing.T) {
	cfg := decode(t, `
checks:
  critical: {limit: "4.5"}
  stale-result: {flag: 12h, hold: 48h}
  delta-large: {hold: "1.5", within: 240h}
  id-check-digit: {authorities: {MILLRACE: {form: "[0-9]{8}", scheme: mod10}, HARBOUR: {scheme: mod11}}}
  test-patient: {ids: ["999", "MILLRACE|1000"]}
  patient-not-present:
  repeat-test: {off: true}
  sites: {saltmarsh: {qc-overdue: {interval: 24h}, critical: {limit: "6.0"}}, harbour-street: {}}
`)
	ru, faults := validate.Compile(cfg)
	require.Empty(t, faults)
	s := good()
	value("4.6")(s)
	assert.True(t, ru.Check(s.res, s.f, nil).Critical)
	s.res.Site = "saltmarsh"
	assert.False(t, ru.Check(s.res, s.f, nil).Critical, "the site's limit lies over the group's")
	assert.Equal(t, poct.Found, answerOf(ru.Check(s.res, s.f, nil), "id-check-digit").Answer, "what a site does not set, the group does")
}

func TestCompileTellsAllFaultsAtOnce(t *testing.T) {
	for _, tt := range []struct{ name, yaml, key, what, instead string }{
		{"unknown check", `{qc-late: {}}`, "qc-late", "no check has this code", "write one of"},
		{"part of a code", `{overdue: {}}`, "overdue", "no check has this code", "did you mean qc-overdue?"},
		{"word for word", `{qc-multirule: {basis: guess}}`, "qc-multirule.basis", "none of its words", "lot or runs"},
		{"rule of the chart unknown", `{qc-multirule: {hold: ["7x"]}}`, "qc-multirule", "a rule that is not known", "1-3s"},
		{"rule in two lists", `{qc-multirule: {hold: ["1-3s", "10x"]}}`, "qc-multirule", "rule 10x in two lists", "each rule in one"},
		{"severity of the chart", `{qc-multirule: {severity: flag}}`, "qc-multirule.severity", "limits of its own", "keys flag and hold"},
		{"laboratory results of a week", `{lab-poc-disagree: {within: 168h}}`, "lab-poc-disagree", "72 hours", "72h or less"},
		{"an hour turned round", `{dst-hour: {low: 2h}}`, "dst-hour", "low limit above", ""},
		{"haematocrit turned round", `{haematocrit-out: {low: "60"}}`, "haematocrit-out", "not below", ""},
		{"limit without quotes", `{critical: {limit: 5.0}}`, "critical.limit", "not a quoted decimal", `"5.0"`},
		{"whole limit without quotes", `{critical: {limit: 5}}`, "critical.limit", "not a quoted decimal", `"5.0"`},
		{"limit with comma", `{critical: {limit: "5,0"}}`, "critical.limit", "not a decimal number", "with a point"},
		{"limit with comparator", `{critical: {limit: ">5"}}`, "critical.limit", "not a decimal number", ""},
		{"limit alone", `{critical: "5.0"}`, "critical", "not a set of keys", `write critical: {limit: "5.0"}`},
		{"unknown key", `{critical: {max: "5.0"}}`, "critical.max", "no such key", "severity, limit"},
		{"duration as a number", `{qc-overdue: {interval: 24}}`, "qc-overdue.interval", "not a duration", "8h"},
		{"duration in days", `{qc-overdue: {interval: 1d}}`, "qc-overdue.interval", "not a duration", "hours"},
		{"duration of nothing", `{qc-overdue: {interval: 0s}}`, "qc-overdue.interval", "not a duration", ""},
		{"interval beyond the look-back", `{qc-overdue: {interval: 200h}}`, "qc-overdue", "longer than", "registry"},
		{"visit limit", `{patient-not-present: {limit: 24h}}`, "patient-not-present", "12 hours", "12h or less"},
		{"flag above hold", `{stale-result: {flag: 200h}}`, "stale-result", "flags above", "below the hold limit"},
		{"low above high", `{outside-measuring-range: {low: "9"}}`, "outside-measuring-range", "not below", ""},
		{"impossible turned round", `{impossible-value: {pt_high: "4"}}`, "impossible-value", "not below", ""},
		{"unknown severity", `{confirm-venous: {severity: warn}}`, "confirm-venous.severity", "is no severity", "hold, flag or note"},
		{"severity of two steps", `{stale-result: {severity: hold}}`, "stale-result.severity", "limits of its own", "keys flag and hold"},
		{"severity of a resend", `{resent: {severity: hold}}`, "resent.severity", "set aside", ""},
		{"lowered beyond what a person may", `{lot-expired: {severity: flag}}`, "lot-expired.severity", "cannot be lowered", "nobody may release"},
		{"identity lowered", `{patient-unknown: {severity: note}}`, "patient-unknown.severity", "cannot be lowered", ""},
		{"critical lowered", `{critical: {severity: note}}`, "critical.severity", "cannot be lowered", "alerts a person"},
		{"critical off", `{critical: {off: true}}`, "critical.off", "cannot be switched off", "set its limit"},
		{"expiry off", `{lot-expired: {off: true}}`, "lot-expired.off", "cannot be switched off", ""},
		{"resend off", `{resent: {off: true}}`, "resent.off", "cannot be switched off", "leave it out"},
		{"off in words", `{repeat-test: {off: "yes"}}`, "repeat-test.off", "neither true nor false", "off: true"},
		{"list as text", `{test-patient: {ids: "999"}}`, "test-patient.ids", "not a list of texts", ""},
		{"list of numbers", `{test-patient: {ids: [999]}}`, "test-patient.ids", "not a list of texts", "in quotes"},
		{"no pattern", `{id-check-digit: {authorities: {MILLRACE: {form: "[0-9"}}}}`, "id-check-digit.authorities.MILLRACE.form", "not a pattern", ""},
		{"no scheme", `{id-check-digit: {authorities: {MILLRACE: {scheme: mod97}}}}`, "id-check-digit.authorities.MILLRACE.scheme", "no check digit scheme", "mod10 or mod11"},
		{"no form", `{id-check-digit: {authorities: {MILLRACE: {length: "8"}}}}`, "id-check-digit.authorities.MILLRACE.length", "not known", "form and scheme"},
		{"authority of nothing", `{id-check-digit: {authorities: {MILLRACE: }}}`, "id-check-digit.authorities.MILLRACE", "neither form nor scheme", ""},
		{"sites as text", `{sites: millrace}`, "sites", "not a list of sites", ""},
		{"site as text", `{sites: {millrace: strict}}`, "sites.millrace", "not a list of checks", ""},
		{"fault in a site", `{sites: {millrace: {critical: {limit: 5}}}}`, "sites.millrace.critical.limit", "not a quoted decimal", ""},
		{"sites in a site", `{sites: {millrace: {sites: {}}}}`, "sites.millrace.sites", "cannot stand inside", ""},
	} {
		t.Run(tt.name, func(t *testing.T) {
			ru, faults := validate.Compile(decode(t, "checks: "+tt.yaml))
			assert.Nil(t, ru)
			require.Len(t, faults, 1, "%v", faults)
			assert.Equal(t, tt.key, faults[0].Key)
			assert.Contains(t, faults[0].What, tt.what)
			assert.Contains(t, faults[0].Instead, tt.instead)
			assert.NotEmpty(t, faults[0].Instead)
		})
	}
	_, faults := validate.Compile(decode(t, `checks: {critical: {limit: 5}, nonsense: {}, sites: {a: {lot-expired: {off: true}}}}`))
	assert.Len(t, faults, 3)
}

// Only a check that a person may release can be lowered or switched off: no
// setting does what no rank may do.
func TestNoSettingWeakensWhatNobodyMayRelease(t *testing.T) {
	for _, info := range validate.Checks() {
		if info.Severity != poct.Hold || info.May(poct.ActRelease) {
			continue
		}
		for _, weaker := range []set{{"off": true}, {"severity": "flag"}, {"severity": "note"}} {
			_, faults := validate.Compile(validate.Config{info.Code: weaker})
			assert.NotEmpty(t, faults, "%s %v", info.Code, weaker)
			_, faults = validate.Compile(validate.Config{"sites": set{"millrace": set{info.Code: weaker}}})
			assert.NotEmpty(t, faults, "%s %v at a site", info.Code, weaker)
		}
	}
}

func TestNotAsked(t *testing.T) {
	ru := rules(t, validate.Config{
		"repeat-test": set{"off": true}, "test-patient": set{"ids": []any{"999"}},
		"sites": set{"saltmarsh": set{"delta-large": set{"off": true}}},
	})
	got := map[string]string{}
	for _, u := range ru.NotAsked(
		validate.ProfileInfo{ID: "quill-hl7", Specimen: "capillary"},
		validate.ProfileInfo{ID: "reed-csv", Specimen: "capillary", NotSent: []string{"birth_date", "pt"}},
		validate.ProfileInfo{ID: "bare", NotSent: []string{"strip_lot"}},
		validate.ProfileInfo{ID: "plain", Specimen: "capillary", NotSent: []string{"run_time", "asked_at", "sampled_at"}},
	) {
		got[u.Profile+"/"+u.Site+"/"+u.Check] = u.Why
		assert.Contains(t, u.String(), "check "+u.Check+" "+u.Code)
	}
	for _, want := range []string{
		"//9", "//9a", "//10", "//19", "//45", "/saltmarsh/41",
		"reed-csv//8", "reed-csv//39", "reed-csv//39a",
		"bare//23", "bare//24", "bare//25", "bare//26", "bare//26a", "bare//32", "bare//39", "bare//40", "plain//22a", "plain//39a",
	} {
		assert.NotEmpty(t, got[want], want)
		delete(got, want)
	}
	assert.Empty(t, got)
}

// Whatever stands under checks: compiles or is told, and what compiles judges.
func FuzzCompile(f *testing.F) {
	for _, seed := range []string{
		`{critical: {limit: "5.0"}, sites: {saltmarsh: {qc-overdue: {interval: 24h}}}}`,
		`{id-check-digit: {authorities: {MILLRACE: {form: "MRN[0-9]{4}", scheme: mod11}}}}`,
		`{test-patient: {ids: ["999"]}, repeat-test: {off: true, severity: hold}}`,
		`{delta-large: {hold: "-1", pair_share: "0", oldest: 1ns}}`,
		`{sites: {millrace: }, lot-unknown: }`,
		`{critical: [5.0], 7: {}}`,
		`{local: [{code: a, when: "inr > 4.0", text: t, remedy: r}], sites: {millrace: {local: [{code: a, off: true}]}}}`,
		`{local: [{code: lot-expired, off: true}, 7, {}], qc-multirule: {basis: runs, hold: [], flag: ["1-3s"]}}`,
	} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, text string) {
		var cfg validate.Config
		if yaml.Unmarshal([]byte(text), &cfg) != nil {
			return
		}
		ru, faults := validate.Compile(cfg)
		if (ru == nil) != (len(faults) > 0) {
			t.Fatalf("rules %v beside faults %v", ru, faults)
		}
		for _, fault := range faults {
			if fault.Key == "" || fault.What == "" || fault.Instead == "" {
				t.Fatalf("a fault says too little: %+v", fault)
			}
		}
		if ru == nil {
			return
		}
		s := good()
		s.f.StripLot.Expires = "2024-01-01"
		if got := ru.Check(s.res, s.f, nil).Verdict; got != poct.HoldIt {
			t.Fatalf("a setting let an expired strip through as %s", got)
		}
	})
}
