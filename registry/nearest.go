package registry

import "slices"

// confusable lists signs that are taken for one another on labels and keys.
var confusable = []string{"0OoQD", "1Iil|", "2Zz", "5Ss", "6bG", "8B", "uvV", "4A", "-_ "}

// lookalikes lists the texts that differ from s in one confusable sign, in a
// fixed order.
func lookalikes(s string) []string {
	var out []string
	runes := []rune(s)
	for i, r := range runes {
		for _, group := range confusable {
			signs := []rune(group)
			if !slices.Contains(signs, r) {
				continue
			}
			for _, other := range signs {
				if other != r {
					changed := slices.Clone(runes)
					changed[i] = other
					out = append(out, string(changed))
				}
			}
		}
	}
	return out
}

// nearest is the registered number one character apart from s: first one that
// differs in a confusable sign, else the first in order. "" if none is so near,
// and for numbers of fewer than four characters, where one apart says nothing.
func nearest(s string, registered []string) string {
	if len([]rune(s)) < 4 {
		return ""
	}
	near := slices.DeleteFunc(slices.Clone(registered), func(r string) bool { return !oneApart(s, r) })
	if len(near) == 0 {
		return ""
	}
	alike := lookalikes(s)
	slices.SortFunc(near, func(a, b string) int {
		la, lb := slices.Contains(alike, a), slices.Contains(alike, b)
		switch {
		case la && !lb:
			return -1
		case lb && !la:
			return 1
		case a < b:
			return -1
		}
		return 1
	})
	return near[0]
}

// oneApart reports whether one character changed, added, left out, or two
// neighbours swapped make b of a.
func oneApart(a, b string) bool {
	x, y := []rune(a), []rune(b)
	if len(x) > len(y) {
		x, y = y, x
	}
	if len(y)-len(x) > 1 || a == b {
		return false
	}
	i := 0
	for i < len(x) && x[i] == y[i] {
		i++
	}
	if len(x) < len(y) {
		return slices.Equal(x[i:], y[i+1:])
	}
	if slices.Equal(x[i+1:], y[i+1:]) {
		return true
	}
	return i+1 < len(x) && x[i] == y[i+1] && x[i+1] == y[i] && slices.Equal(x[i+2:], y[i+2:])
}
