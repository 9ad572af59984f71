package mapping

import (
	"slices"
	"strings"
)

// codedKind is one code of results as it was seen, where each analyte has a
// record of its own.
type codedKind struct {
	code, text    string
	values, units []string
	means         string
}

// coded is where a field stands that is sent as a result of its own; not set if
// no code means it.
func coded(value, code string, kinds []*codedKind, field string) FieldConfig {
	for _, k := range kinds {
		if k.means == field {
			return FieldConfig{At: value, Where: map[string]Values{code: {k.code}}}
		}
	}
	return FieldConfig{}
}

// coded lists the analytes by the codes that mean them, at the place of codes.
func (g *drafted) coded(at string, kinds []*codedKind) {
	for _, analyte := range analytes {
		r := ResultConfig{Analyte: analyte, LOINC: sendAs[analyte]}
		key, name, units, several := g.resultKey(), strings.ToUpper(analyte), []string(nil), 0
		for _, k := range kinds {
			if k.means != analyte {
				continue
			}
			several++
			r.Where = map[string]Values{at: append(r.Where[at], k.code)}
			units = append(units, k.units...)
			g.errorCodes(k.values)
			known, isCode := analyteCodes[k.code]
			switch {
			case isCode && known.specimen != "capillary":
				g.doubt(key, "the meter sends %s, %s in %s; the draft files it as capillary, %s", k.code, name, known.specimen, r.LOINC)
			case !isCode:
				g.doubt(key, "%s is no LOINC code; that it is %s in a fingerstick is taken from its name", k.code, name)
			}
		}
		switch {
		case several > 0:
			slices.Sort(units)
			r.Units = g.units(key, analyte, slices.Compact(units))
		case analyte == "inr":
			g.doubt("results", "no code for INR was found; write the code that the meter sends")
			r.Where, r.Units = map[string]Values{at: {"INR"}}, map[string]string{"{INR}": "{INR}"}
		default:
			continue
		}
		if several > 1 {
			g.doubt(key, "several codes are taken for %s; make sure that one test does not send two of them", name)
		}
		g.cfg.Results = append(g.cfg.Results, r)
	}
}
