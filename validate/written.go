package validate

import (
	"slices"
	"strings"
)

// What stands in the configuration, as its decoder hands it on, and what to
// write instead.

func example(ch *check) string {
	for _, k := range ch.Keys {
		switch k.Kind {
		case Decimal:
			return k.Name + `: "` + orExample(k.Default, "5.0") + `"`
		case Duration:
			return k.Name + ": " + orExample(k.Default, "24h")
		case Texts:
			return k.Name + `: ["T-1"]`
		case Choice:
			return k.Name + ": " + k.Options[0]
		}
	}
	return "severity: hold"
}

// nearestCode points at the check that was probably meant.
func nearestCode(code string) string {
	var codes []string
	for _, c := range table {
		if strings.Contains(c.Code, code) || strings.Contains(code, c.Code) || alike(c.Code, code) {
			return "did you mean " + c.Code + "?"
		}
		codes = append(codes, c.Code)
	}
	return "write one of " + strings.Join(codes, ", ")
}

// alike reports whether two codes are the same but for one slip: a letter too
// many, too few or wrong, or two that changed places.
func alike(a, b string) bool {
	front := 0
	for front < min(len(a), len(b)) && a[front] == b[front] {
		front++
	}
	back := 0
	for back < min(len(a), len(b))-front && a[len(a)-1-back] == b[len(b)-1-back] {
		back++
	}
	x, y := a[front:len(a)-back], b[front:len(b)-back]
	return len(x) <= 1 && len(y) <= 1 || len(x) == 2 && len(y) == 2 && x[0] == y[1] && x[1] == y[0]
}

func orExample(s, e string) string {
	if s == "" {
		return e
	}
	return s
}

func asMap(v any) (map[string]any, bool) {
	switch m := v.(type) {
	case nil:
		return map[string]any{}, true // "critical:" with nothing after it
	case map[string]any:
		return m, true
	case Config:
		return m, true
	}
	return nil, false
}

func asTexts(v any) ([]string, bool) {
	list, ok := v.([]any)
	if !ok {
		texts, ok := v.([]string)
		return texts, ok
	}
	texts := make([]string, len(list))
	for i, e := range list {
		if texts[i], ok = e.(string); !ok {
			return nil, false
		}
	}
	return texts, true
}

func sortedKeys[V any](m map[string]V) []string {
	keys := make([]string, 0, len(m))
	for k := range m {
		keys = append(keys, k)
	}
	slices.Sort(keys)
	return keys
}
