package validate

import "slices"

// ProfileInfo is what a meter profile says that leaves checks unasked.
type ProfileInfo struct {
	ID       string
	NotSent  []string // poct field names, and analytes
	Specimen string
}

// Unasked is a check that the configuration leaves unasked.
type Unasked struct {
	Site    string `json:"site,omitempty"` // "" for every site
	Profile string `json:"profile,omitempty"`
	Check   string `json:"check"`
	Code    string `json:"code"`
	Why     string `json:"why"`
}

func (u Unasked) String() string {
	text := "check " + u.Check + " " + u.Code
	if u.Profile != "" {
		text += ", profile " + u.Profile
	}
	if u.Site != "" {
		text += ", site " + u.Site
	}
	return text + ": " + u.Why
}

// NotAsked lists every check that the configuration leaves unasked: at every
// site, at single sites, and for each profile. Lots without constants are not
// listed, since they are rows of the registry; each trace tells of them.
func (ru *Rules) NotAsked(profiles ...ProfileInfo) []Unasked {
	var out []Unasked
	for _, k := range ru.base {
		if why := k.unaskedEverywhere(); why != "" {
			out = append(out, Unasked{Check: k.Number, Code: k.Code, Why: why})
		}
	}
	for _, site := range sortedKeys(ru.sites) {
		for _, k := range ru.sites[site] {
			why := k.unaskedEverywhere()
			if why != "" && !ru.unaskedInGroup(k.Code) {
				out = append(out, Unasked{Site: site, Check: k.Number, Code: k.Code, Why: why})
			}
		}
	}
	for _, p := range profiles {
		for _, k := range ru.base {
			if why := k.unaskedFor(p); why != "" && k.unaskedEverywhere() == "" {
				out = append(out, Unasked{Profile: p.ID, Check: k.Number, Code: k.Code, Why: why})
			}
		}
	}
	return out
}

// unaskedInGroup reports whether the group's own setting leaves a check unasked.
func (ru *Rules) unaskedInGroup(code string) bool {
	i := slices.IndexFunc(ru.base, func(k *rule) bool { return k.Code == code })
	return i >= 0 && ru.base[i].unaskedEverywhere() != ""
}

func (k *rule) unaskedEverywhere() string {
	switch {
	case k.off:
		return switchedOff
	case k.optIn && !k.named:
		return k.Unasked
	}
	return ""
}

func (k *rule) unaskedFor(p ProfileInfo) string {
	for _, field := range k.needs {
		if slices.Contains(p.NotSent, field) {
			return notSent(field)
		}
	}
	if k.Code == "code-specimen-mismatch" && p.Specimen == "" {
		return k.Unasked
	}
	return ""
}
