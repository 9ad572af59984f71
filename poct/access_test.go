package poct_test

import (
	"testing"

	"github.com/stretchr/testify/assert"

	"tidegate/poct"
)

func TestRan(t *testing.T) {
	for name, tc := range map[string]struct {
		own, operator string
		ran           bool
	}{
		"own number":           {"118", "118", true},
		"one of several":       {"118,204", "204", true},
		"spaces and case":      {" a7 , 204", "A7 ", true},
		"another's":            {"118,204", "20", false},
		"the meter told none":  {"118", "", false},
		"the person has none":  {"", "118", false},
		"neither":              {"", "", false},
		"an empty among them":  {"118,,204", " ", false},
		"not a part of number": {"1180", "118", false},
	} {
		t.Run(name, func(t *testing.T) {
			assert.Equal(t, tc.ran, poct.Actor{Operator: tc.own}.Ran(tc.operator))
		})
	}
}
