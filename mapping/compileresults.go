package mapping

import (
	"fmt"
	"maps"
	"slices"
	"strings"
)

func (c *compiler) results(list []ResultConfig) []result {
	var out []result
	if len(list) == 0 {
		c.fault("results", "is empty", "say where the INR stands")
	}
	for i, r := range list {
		key := fmt.Sprintf("results[%d]", i)
		c.oneOf(key+".analyte", r.Analyte, analytes)
		c.loinc(key+".loinc", r)
		x := result{analyte: r.Analyte, loinc: r.LOINC, units: r.Units, where: c.conditions(key+".where", r.Where)}
		if c.form.perValue {
			if len(r.Where) == 0 {
				c.fault(key+".where", "is missing", c.form.where)
			}
			x.value = c.field(key+".value", orAt(r.Value, c.form.value))
			x.unit = c.field(key+".unit", orAt(r.Unit, c.form.unit))
			if len(r.Units) == 0 {
				c.fault(key+".units", "is missing", `write each unit as sent and its UCUM code, such as {"{INR}": "{INR}", "": "{INR}"}`)
			}
		} else {
			x.value = c.field(key+".value", r.Value)
			if !r.Value.set() {
				c.fault(key+".value", "is missing", "write where the value stands")
			}
			// A text alone is the unit of every record; with units it says where one stands.
			if r.Unit.set() && len(r.Units) > 0 {
				x.unit = c.field(key+".unit", r.Unit)
			} else if x.fixed = r.Unit.At; r.Unit.set() && x.fixed != ucum[r.Analyte] {
				c.fault(key+".unit", fmt.Sprintf("%q is not the UCUM code of this analyte", x.fixed),
					fmt.Sprintf("write %q, or {at: PLACE} with units", ucum[r.Analyte]))
			}
			if !r.Unit.set() {
				c.fault(key+".unit", "is missing", `write the UCUM code, such as "{INR}", or {at: PLACE} with units`)
			}
		}
		out = append(out, x)
	}
	return out
}

// notResults are LOINC codes that look like a patient's PT or INR and are not
// (LOINC long common names).
var notResults = map[string]string{
	"92891-1": "the INR that is aimed at", "5901-4": "the time of a control plasma",
	"5894-1": "a ratio, not an INR", "6302-4": "a ratio, not an INR", "43156-9": "a reagent's lot number",
}

// ucum is the unit that each analyte is kept in. Annotations in braces mean 1.
var ucum = map[string]string{"inr": "{INR}", "pt": "s"}

func (c *compiler) loinc(key string, r ResultConfig) {
	instead := "write the code for this analyte and specimen, such as 46418-0 (INR, capillary) or 46417-2 (PT, capillary)"
	switch why, no := notResults[r.LOINC]; {
	case !isLOINC(r.LOINC):
		c.fault(key, fmt.Sprintf("%q is not a LOINC code, or its check digit is wrong", r.LOINC), instead)
	case no:
		c.fault(key, r.LOINC+" is "+why, instead)
	}
	want := ucum[r.Analyte]
	for _, sent := range slices.Sorted(maps.Keys(r.Units)) {
		if got := r.Units[sent]; want != "" && got != want {
			c.fault(strings.TrimSuffix(key, "loinc")+"units."+sent, fmt.Sprintf("%q is not the UCUM code of this analyte", got), fmt.Sprintf("write %q", want))
		}
	}
}

// isLOINC checks form and check digit (modulus 10, as the LOINC Users' Guide has it).
func isLOINC(code string) bool {
	if !loincForm.MatchString(code) {
		return false
	}
	sum, double := 0, true
	for i := len(code) - 3; i >= 0; i-- {
		d := int(code[i] - '0')
		if double {
			d = d*2/10 + d*2%10
		}
		sum, double = sum+d, !double
	}
	return int(code[len(code)-1]-'0') == (10-sum%10)%10
}

func orAt(f FieldConfig, at string) FieldConfig {
	if f.At == "" && f.CEL == "" {
		f.At = at
	}
	return f
}
