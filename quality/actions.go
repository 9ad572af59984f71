package quality

import "tidegate/poct"

// MarkActions marks the first control after each corrective action, both in
// order of time: every chain begins anew there. A control of the very moment
// of an action was run before it.
func MarkActions(controls []Control, actions []poct.CorrectiveAction) {
	i := 0
	for _, a := range actions {
		for i < len(controls) && !controls[i].At.After(a.At) {
			i++
		}
		if i < len(controls) {
			controls[i].Corrected = true
		}
	}
}
