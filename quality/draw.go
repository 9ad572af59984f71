package quality

import (
	"slices"
	"time"

	"tidegate/poct"
)

// ChartSettings say how the control chart of one meter and strip lot is drawn.
type ChartSettings struct {
	// OwnRuns takes mean and SD from each material's first MinRuns runs of those
	// given, and judges only the ones after them: a mean that follows its runs
	// shows no drift. Else they come from the rows of the registry.
	OwnRuns bool
	Event   time.Duration // controls within this time are one run
	Newest  int           // judge at most so many newest runs of each material; 0: all
	Rules   Rules
}

// Drawn is a control chart.
type Drawn struct {
	Points    []Point          // oldest first
	Materials []string         // in the order in which they came first
	Bases     map[string]Basis // of the materials that are judged
	Why       map[string]error // and why the others are not
}

// Draw judges filed control results, oldest first, of one meter and strip lot.
// Rows are those of their control lots; the one for this strip lot goes before
// the one for every lot. Chains begin anew after each corrective action.
func Draw(past []poct.Past, rows []poct.ControlLot, stripLot string, actions []poct.CorrectiveAction, s ChartSettings) Drawn {
	d := Drawn{Bases: map[string]Basis{}, Why: map[string]error{}}
	byMaterial := map[string][]Control{}
	for _, c := range ControlsOf(past, s.Event) {
		if len(byMaterial[c.Material]) == 0 {
			d.Materials = append(d.Materials, c.Material)
		}
		byMaterial[c.Material] = append(byMaterial[c.Material], c)
	}
	var judged []Control
	for _, material := range d.Materials {
		list := byMaterial[material]
		row, _ := RowFor(material, rows, stripLot)
		basis, err := BasisOf(row)
		if s.OwnRuns {
			first := list[:min(len(list), MinRuns)]
			values := make([]poct.Number, len(first))
			for i, c := range first {
				values[i] = c.Value
				d.Points = append(d.Points, Point{Control: c})
			}
			basis, err = OwnRuns(values)
			list = list[len(first):]
		}
		if err != nil {
			d.Why[material] = err
		} else {
			d.Bases[material] = basis
		}
		if s.Newest > 0 {
			list = list[max(0, len(list)-s.Newest):]
		}
		judged = append(judged, list...)
	}
	slices.SortStableFunc(judged, func(a, b Control) int { return a.At.Compare(b.At) })
	// Marked only now: a control that is not judged must not take a mark along.
	MarkActions(judged, actions)
	offset := len(d.Points)
	for _, p := range Judge(judged, d.Bases, s.Rules) {
		for i := range p.Fired {
			for j := range p.Fired[i].Points {
				p.Fired[i].Points[j] += offset
			}
		}
		d.Points = append(d.Points, p)
	}
	return d
}

// RowFor is the registry row of a material on a strip lot: the one for this
// lot, else the one for every lot.
func RowFor(material string, rows []poct.ControlLot, stripLot string) (row poct.ControlLot, ok bool) {
	for _, r := range rows {
		if Material(r.Lot, r.Level) == material && (r.StripLot == stripLot || r.StripLot == "" && !ok) {
			row, ok = r, true
		}
	}
	return row, ok
}
