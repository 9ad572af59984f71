package validate

import (
	"strings"
	"sync"
	"time"

	"cel.dev/cel-go/cel"
	"cel.dev/cel-go/common/cost"

	"tidegate/poct"
)

// Variable is one that local rules may use. None tells who the patient is.
type Variable struct {
	Name  string
	Type  string // in CEL's words
	Means string
	cel   *cel.Type
}

var past = cel.ListType(cel.MapType(cel.StringType, cel.DynType))

// Variables lists them, for the documentation. A variable whose fact is not
// known has no value, and a rule that needs it then cannot tell: it holds.
func Variables() []Variable {
	all := []Variable{
		{Name: "kind", cel: cel.StringType, Means: "patient, control or comparison"},
		{Name: "status", cel: cel.StringType, Means: "final, corrected, preliminary or empty"},
		{Name: "site", cel: cel.StringType, Means: "site id, empty if the meter is unknown"},
		{Name: "meter", cel: cel.StringType, Means: "serial as sent"},
		{Name: "model", cel: cel.StringType, Means: "meter model of the profile"},
		{Name: "operator", cel: cel.StringType, Means: "operator number as sent"},
		{Name: "strip_lot", cel: cel.StringType, Means: "strip lot as sent"},
		{Name: "control_lot", cel: cel.StringType, Means: "control lot, of a control"},
		{Name: "control_level", cel: cel.StringType, Means: "control level, of a control"},
		{Name: "specimen", cel: cel.StringType, Means: "kind of sample, as the profile says"},
		{Name: "interference", cel: cel.ListType(cel.StringType), Means: "notes that came with the result"},
		{Name: "findings", cel: cel.ListType(cel.StringType), Means: "names of the patient's findings in force, such as heparin; no value if the patient is unknown"},
		{Name: "has_inr", cel: cel.BoolType, Means: "whether there is an INR"},
		{Name: "inr", cel: cel.DoubleType, Means: "INR, of a bound its limit; no value without one"},
		{Name: "has_pt", cel: cel.BoolType, Means: "whether there are seconds"},
		{Name: "pt", cel: cel.DoubleType, Means: "PT in seconds, of a bound its limit; no value without them"},
		{Name: "has_comparator", cel: cel.BoolType, Means: "whether INR or PT is a bound, such as >8.0"},
		{Name: "comparator", cel: cel.StringType, Means: "comparator of the INR, or empty"},
		{Name: "has_haematocrit", cel: cel.BoolType, Means: "whether the meter sent a haematocrit"},
		{Name: "haematocrit", cel: cel.DoubleType, Means: "haematocrit in percent; no value without one"},
		{Name: "tested", cel: cel.TimestampType, Means: "time of the test; no value if it is not clear"},
		{Name: "received", cel: cel.TimestampType, Means: "when the arrival came"},
		{Name: "date", cel: cel.StringType, Means: "day of the test by the site's clock, YYYY-MM-DD; like tested"},
		{Name: "weekday", cel: cel.IntType, Means: "day of the week by the site's clock, 0 is Sunday; like tested"},
		{Name: "hour", cel: cel.IntType, Means: "hour by the site's clock, 0 to 23; like tested"},
		{Name: "minute", cel: cel.IntType, Means: "minute by the site's clock; like tested"},
		{Name: "age", cel: cel.IntType, Means: "whole minutes from test to arrival; like tested"},
		{Name: "history", cel: past, Means: "the patient's earlier results, newest first, at most 12; no value if the patient is unknown"},
		{Name: "labs", cel: past, Means: "the laboratory's results of the patient about the test, newest first, at most 12; likewise"},
		{Name: "controls", cel: past, Means: "control results of this meter before the test, newest first, at most 24"},
	}
	for i := range all {
		all[i].Type = strings.Replace(all[i].cel.String(), "google.protobuf.Timestamp", "timestamp", 1)
	}
	return all
}

// PastKeys lists what each entry of history, labs and controls holds.
func PastKeys() []Variable {
	return []Variable{
		{Name: "inr", Type: "double", Means: "only where there is an INR: ask has(x.inr) first"},
		{Name: "has_comparator", Type: "bool", Means: "whether it is a bound"},
		{Name: "tested", Type: "timestamp", Means: "time of the test"},
		{Name: "hours_ago", Type: "double", Means: "hours before this test"},
		{Name: "meter", Type: "string", Means: "serial"},
		{Name: "strip_lot", Type: "string", Means: "strip lot"},
		{Name: "level", Type: "string", Means: "control level, of controls"},
		{Name: "passed", Type: "bool", Means: "whether it lay in its range, of controls"},
	}
}

const (
	mostPast     = 12
	mostControls = 24
	longestText  = 200 // characters of a text that costs are reckoned with
)

// language is the environment that rules are compiled in. It has no clock.
var language = sync.OnceValue(func() *cel.Env {
	options := []cel.EnvOption{cel.ParserRecursionLimit(60), cel.ParserExpressionSizeLimit(localLength), cel.ASTValidators(
		cel.ValidateDurationLiterals(), cel.ValidateTimestampLiterals(), cel.ValidateRegexLiterals(), cel.ValidateHomogeneousAggregateLiterals(),
	), cel.CrossTypeNumericComparisons(true)}
	for _, v := range Variables() {
		options = append(options, cel.Variable(v.Name, v.cel))
	}
	env, err := cel.NewEnv(options...)
	if err != nil {
		panic("validate: " + err.Error()) // the options are constants: cannot happen
	}
	return env
})

// sizes tells the estimate of costs how long texts and lists can be.
type sizes struct{}

func (sizes) EstimateSize(n cost.AstNode) *cost.SizeEstimate {
	path := n.Path()
	if len(path) == 1 {
		switch path[0] {
		case "history", "labs":
			return &cost.SizeEstimate{Max: mostPast}
		case "controls":
			return &cost.SizeEstimate{Max: mostControls}
		}
	}
	return &cost.SizeEstimate{Max: longestText}
}

func (sizes) EstimateCallCost(string, string, *cost.AstNode, []cost.AstNode) *cost.CallEstimate {
	return nil
}

// variables gives a result's facts to local rules, worked out once for all of
// them. What is not known is left out.
func (s *subject) variables() map[string]any {
	if s.vars != nil {
		return s.vars
	}
	r := s.r
	vars := map[string]any{
		"kind": string(r.Kind), "status": string(r.Status), "site": s.site, "meter": r.Meter, "model": r.Model, "operator": r.Operator,
		"strip_lot": r.StripLot, "control_lot": r.ControlLot, "control_level": r.ControlLevel, "specimen": r.Specimen,
		"interference": r.Interference, "has_inr": !s.inr.Value.IsZero(), "has_pt": !s.pt.Value.IsZero(),
		"has_comparator": s.inr.Value.Comparator != "" || s.pt.Value.Comparator != "", "comparator": s.inr.Value.Comparator,
		"has_haematocrit": !r.Haematocrit.IsZero(), "received": s.f.Received,
	}
	for name, v := range map[string]poct.Number{"inr": s.inr.Value, "pt": s.pt.Value, "haematocrit": r.Haematocrit} {
		if !v.IsZero() {
			vars[name] = v.Float()
		}
	}
	if s.f.Patient != nil {
		findings := []string{}
		for _, f := range s.f.Findings {
			findings = append(findings, f.Finding)
		}
		vars["findings"] = findings
	}
	s.vars = vars
	if s.timeWaits != "" {
		return vars
	}
	local := s.tested
	if s.f.Zone != nil {
		local = local.In(s.f.Zone)
	}
	vars["tested"], vars["date"] = s.tested, local.Format(time.DateOnly)
	vars["weekday"], vars["hour"], vars["minute"] = int(local.Weekday()), local.Hour(), local.Minute()
	vars["age"] = int(s.f.Received.Sub(s.tested) / time.Minute)
	if s.f.Patient != nil {
		vars["history"] = s.pasts(s.f.History, mostPast)
		vars["labs"] = s.pasts(s.f.Labs, mostPast)
	}
	var before []poct.Past
	for i := len(s.f.Controls) - 1; i >= 0 && len(before) < mostControls; i-- {
		if s.before(s.f.Controls[i]) {
			before = append(before, s.f.Controls[i])
		}
	}
	vars["controls"] = s.pasts(before, mostControls)
	return vars
}

// pasts gives earlier results without this one and without those withdrawn.
func (s *subject) pasts(list []poct.Past, most int) []map[string]any {
	out := []map[string]any{}
	for _, p := range list {
		if len(out) == most || p.Key != "" && p.Key == s.r.Key() || p.Reading.Status == poct.StatusWithdrawn {
			continue
		}
		m, _ := p.Reading.Measured("inr")
		e := map[string]any{
			"has_comparator": m.Value.Comparator != "", "tested": p.Tested, "hours_ago": s.tested.Sub(p.Tested).Hours(),
			"meter": p.Reading.Meter, "strip_lot": p.Reading.StripLot, "level": levelName(p.Reading.ControlLevel), "passed": p.QCPassed,
		}
		if !m.Value.IsZero() {
			e["inr"] = m.Value.Float()
		}
		out = append(out, e)
	}
	return out
}
