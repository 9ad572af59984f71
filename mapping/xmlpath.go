package mapping

import (
	"regexp"
	"strconv"
	"strings"
)

// xpath is the part of XPath 1.0's abbreviated syntax that places need:
//
//	/export/test/@time   from the top of the file
//	inr/@value           from the record
//	note/text() .        an element's own text; . is the record's
//	obs[2] obs[@code='INR'] obs[code="INR"]   chosen among several
type xpath struct {
	top       bool
	steps     []xstep
	attribute string // the last step, if it is one
}

type xstep struct {
	name string
	nth  int // from 1; 0 for all
	// chosen by an attribute, or by the text of a child element.
	attribute, child, value string
}

var (
	xmlName   = `[\pL_][\pL\pN._-]*`
	stepForm  = regexp.MustCompile(`^(?:` + xmlName + `:)?(` + xmlName + `)((?:\[[^\]]*\])*)$`)
	chosenBy  = regexp.MustCompile(`^(@?)(?:` + xmlName + `:)?(` + xmlName + `)\s*=\s*(?:'([^']*)'|"([^"]*)")$`)
	attribute = regexp.MustCompile(`^@(?:` + xmlName + `:)?(` + xmlName + `)$`)
)

// parseXPath reads a path; ok is false for what is no part of the subset.
func parseXPath(at string) (p xpath, ok bool) {
	rest, top := strings.CutPrefix(at, "/")
	if p.top = top; rest == "" {
		return p, false
	}
	steps := splitSteps(rest)
	for i, s := range steps {
		last := i == len(steps)-1
		m := attribute.FindStringSubmatch(s)
		switch {
		case last && m != nil:
			p.attribute = m[1]
			continue
		case last && s == "text()" && (len(steps) > 1 || !top):
			continue // the element's own text is what is read in any case
		case i == 0 && s == "." && !top:
			continue
		}
		step, ok := parseStep(s)
		if !ok {
			return p, false
		}
		p.steps = append(p.steps, step)
	}
	return p, !top || len(p.steps) > 0
}

// splitSteps divides at slashes outside brackets.
func splitSteps(s string) []string {
	var out []string
	from, depth := 0, 0
	for i := range len(s) {
		switch {
		case s[i] == '[':
			depth++
		case s[i] == ']':
			depth--
		case s[i] == '/' && depth == 0:
			out, from = append(out, s[from:i]), i+1
		}
	}
	return append(out, s[from:])
}

func parseStep(s string) (xstep, bool) {
	m := stepForm.FindStringSubmatch(s)
	if m == nil {
		return xstep{}, false
	}
	step := xstep{name: m[1]}
	if m[2] == "" {
		return step, true
	}
	inner := strings.TrimSpace(m[2][1 : len(m[2])-1])
	if n, err := strconv.Atoi(inner); err == nil {
		step.nth = n
		return step, n > 0
	}
	c := chosenBy.FindStringSubmatch(inner)
	if c == nil {
		return step, false
	}
	if step.value = c[3] + c[4]; c[1] == "@" {
		step.attribute = c[2]
	} else {
		step.child = c[2]
	}
	return step, true
}

// from lists the elements that the steps lead to.
func (p xpath) from(start *xmlNode) []*xmlNode {
	here := []*xmlNode{start}
	for _, s := range p.steps {
		var next []*xmlNode
		for _, n := range here {
			next = append(next, s.of(n)...)
		}
		here = next
	}
	return here
}

// of lists the children that one step leads to.
func (s xstep) of(n *xmlNode) []*xmlNode {
	var out []*xmlNode
	for _, k := range n.kids {
		if k.name != s.name || !s.chosen(k) {
			continue
		}
		out = append(out, k)
	}
	if s.nth > 0 {
		if s.nth > len(out) {
			return nil
		}
		return out[s.nth-1 : s.nth]
	}
	return out
}

func (s xstep) chosen(n *xmlNode) bool {
	switch {
	case s.attribute != "":
		for _, a := range n.attributes {
			if a.name == s.attribute {
				return a.text == s.value
			}
		}
		return false
	case s.child != "":
		for _, k := range n.kids {
			if k.name == s.child && k.text == s.value {
				return true
			}
		}
		return false
	}
	return true
}
