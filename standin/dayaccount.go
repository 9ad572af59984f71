package standin

import "fmt"

// DayAccount is the sum that the day must come to.
type DayAccount struct {
	Arrivals     int
	Resends      int
	Ends         map[string]int // of arrivals, after people acted
	Readings     map[string]int // of readings, likewise
	Observations int
	Criticals    int // that a person must be told of
	LookBacks    int
}

// Account adds the script up, with what people do about it.
func (d *Day) Account() DayAccount {
	a := DayAccount{Ends: map[string]int{}, Readings: map[string]int{}}
	for _, it := range d.Items {
		end := it.Want.End
		if it.Want.Settled != "" {
			end = it.Want.Settled
		}
		a.Arrivals += it.Messages
		a.Resends += (it.Times - 1) * it.Messages
		a.Ends[end] += it.Messages
		a.Observations += it.Want.Observations
		if it.Want.Critical {
			a.Criticals++
		}
		if it.Want.LookBack {
			a.LookBacks++
		}
		if it.Want.Readings == nil {
			a.Readings[end] += it.Messages
		}
		for end, n := range it.Want.Readings {
			a.Readings[end] += n
		}
	}
	for _, act := range d.Acts {
		if act.recalls {
			a.LookBacks++
		}
	}
	return a
}

// String is the account in a line.
func (a DayAccount) String() string {
	return fmt.Sprintf("%d arrivals, %d resends, ends %v, readings %v, %d observations, %d critical, %d look-backs",
		a.Arrivals, a.Resends, a.Ends, a.Readings, a.Observations, a.Criticals, a.LookBacks)
}
