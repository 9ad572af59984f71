package quality

import "math"

// Rate of events among tests, with the interval of Wilson's score method,
// without continuity correction (Wilson, J Am Stat Assoc 1927;22:209).
type Rate struct {
	Events int     `json:"events"`
	Tests  int     `json:"tests"`
	Share  float64 `json:"share"` // 0 to 1
	Low    float64 `json:"low"`
	High   float64 `json:"high"`
}

// RateOf computes a rate; false if there are no tests or the counts do not fit.
// Tests are all attempts, those with an event among them.
func RateOf(events, tests int, confidence float64) (Rate, bool) {
	if tests <= 0 || events < 0 || events > tests || confidence <= 0 || confidence >= 1 {
		return Rate{}, false
	}
	z, n, p := normal(confidence), float64(tests), float64(events)/float64(tests)
	mid := p + z*z/(2*n)
	half := z * math.Sqrt(p*(1-p)/n+z*z/(4*n*n))
	r := Rate{Events: events, Tests: tests, Share: p, Low: max((mid-half)/(1+z*z/n), 0), High: min((mid+half)/(1+z*z/n), 1)}
	if events == 0 {
		r.Low = 0
	}
	if events == tests {
		r.High = 1
	}
	return r, true
}

// Count is the events and tests of one operator, lot or site.
type Count struct {
	Name   string
	Events int
	Tests  int
}

// Beside is one group's rate beside that of all others together.
type Beside struct {
	Name string `json:"name"`
	Own  Rate   `json:"own"`
	Rest Rate   `json:"rest"` // zero if there are no others
	// Apart tells that the two intervals have no value in common. It is a
	// sign to look closer, no test: of many groups some lie apart by chance.
	Apart  bool `json:"apart"`
	Higher bool `json:"higher"` // the own share is the greater one
}

// BesideRest sets each group beside all others, in the order given. Groups
// without tests are left out.
func BesideRest(groups []Count, confidence float64) []Beside {
	var events, tests int
	for _, g := range groups {
		if _, ok := RateOf(g.Events, g.Tests, confidence); ok {
			events, tests = events+g.Events, tests+g.Tests
		}
	}
	var out []Beside
	for _, g := range groups {
		own, ok := RateOf(g.Events, g.Tests, confidence)
		if !ok {
			continue
		}
		b := Beside{Name: g.Name, Own: own}
		if rest, ok := RateOf(events-g.Events, tests-g.Tests, confidence); ok {
			b.Rest = rest
			b.Apart = own.Low > rest.High || rest.Low > own.High
			b.Higher = own.Share > rest.Share
		}
		out = append(out, b)
	}
	return out
}
