package config

import "tidegate/validate"

// NotAsked is a check that some results are not asked, by configuration or
// because this version does not have it.
type NotAsked struct {
	Check string `json:"check"`
	Code  string `json:"code"`
	Where string `json:"where"` // "everywhere", a site or a profile
	Why   string `json:"why"`
}

func notAsked(c *Config) []NotAsked {
	var profiles []validate.ProfileInfo
	for _, p := range c.Profiles {
		profiles = append(profiles, validate.ProfileInfo{ID: p.ID, NotSent: p.NotSent, Specimen: p.Specimen})
	}
	list := []NotAsked{}
	for _, u := range c.rules.NotAsked(profiles...) {
		where := "everywhere"
		switch {
		case u.Profile != "":
			where = "profile " + u.Profile
		case u.Site != "":
			where = "site " + u.Site
		}
		list = append(list, NotAsked{u.Check, u.Code, where, u.Why})
	}
	return list
}
