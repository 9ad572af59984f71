package config

import (
	"slices"
	"time"

	"tidegate/outbound"
)

// directory checks where patients and orders come from.
func (l *loader) directory() {
	r := &l.cfg.Registry
	for _, from := range []struct{ key, value string }{{"registry.patients.from", r.Patients.From}, {"registry.orders.from", r.Orders.From}} {
		if !slices.Contains([]string{"", "registry", FromRecord}, from.value) {
			l.fault(from.key, "is no source", "write registry or record")
		}
	}
	p := &r.Patients
	if p.From != FromRecord {
		if p.Outlet != "" || p.Age != 0 {
			l.fault("registry.patients.from", "is registry, which outlet and age are not for", "write from: record, or remove them")
		}
		if r.Orders.From == FromRecord {
			l.fault("registry.orders.from", "goes with patients from there", "write patients: {from: record} too")
		}
		return
	}
	if p.Age == 0 {
		p.Age = 15 * time.Minute
	}
	if p.Age < time.Second || p.Age > 24*time.Hour {
		l.fault("registry.patients.age", "lies outside 1s to 24h", "write how long an answer counts, such as 15m")
	}
	i := slices.IndexFunc(l.cfg.Outlets, func(o outbound.Config) bool { return o.ID == p.Outlet })
	if i < 0 || l.cfg.Outlets[i].WithDefaults().Kind != "fhir" {
		l.fault("registry.patients.outlet", "names no outlet of kind fhir", "write the id of the outlet whose record system is asked")
	}
}

// Outlet is the configuration of an outlet; of the zero Config if there is none.
func (c *Config) Outlet(id string) outbound.Config {
	for _, o := range c.Outlets {
		if o.ID == id {
			return o
		}
	}
	return outbound.Config{}
}
