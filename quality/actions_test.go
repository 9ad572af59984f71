package quality_test

import (
	"slices"
	"testing"
	"time"

	"tidegate/poct"
	"tidegate/quality"
)

func TestMarkActions(t *testing.T) {
	at := func(minute int) time.Time { return time.Date(2026, 3, 5, 8, minute, 0, 0, time.UTC) }
	for _, tt := range []struct {
		name     string
		controls []int
		actions  []int
		want     []int // minutes of the marked ones
	}{
		{"none", []int{0, 10}, nil, nil},
		{"between", []int{0, 10, 20}, []int{15}, []int{20}},
		{"at the moment of a control", []int{0, 10, 20}, []int{10}, []int{20}},
		{"after the last", []int{0, 10}, []int{30}, nil},
		{"two before one control", []int{0, 40}, []int{10, 20}, []int{40}},
		{"before the first", []int{10, 20}, []int{0}, []int{10}},
	} {
		var controls []quality.Control
		for _, m := range tt.controls {
			controls = append(controls, quality.Control{At: at(m)})
		}
		var actions []poct.CorrectiveAction
		for _, m := range tt.actions {
			actions = append(actions, poct.CorrectiveAction{At: at(m)})
		}
		quality.MarkActions(controls, actions)
		var got []int
		for _, c := range controls {
			if c.Corrected {
				got = append(got, c.At.Minute())
			}
		}
		if !slices.Equal(got, tt.want) {
			t.Errorf("%s: got %v, want %v", tt.name, got, tt.want)
		}
	}
}
