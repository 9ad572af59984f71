package main

import (
	"context"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"tidegate/app"
	"tidegate/poct"
	"tidegate/standin"
)

// demoReport is what `demo --once` prints.
type demoReport struct {
	Account struct {
		Arrivals int64 `json:"arrivals"`
		sixEnds
		Lost    int64 `json:"lost"`
		Resends int64 `json:"resends"`
	} `json:"account"`
	Readings     sixEnds `json:"readings"`
	RecordSystem struct {
		Observations int `json:"observations"`
		Duplicates   int `json:"duplicates"`
	} `json:"record_system"`
	Ledger struct {
		Size     int64 `json:"size"`
		Verified bool  `json:"verified"`
	} `json:"ledger"`
	People    int            `json:"people"` // acts that were done
	Told      map[string]int `json:"told"`   // notifications by kind
	LookBacks struct {
		Open   int `json:"open"`
		Closed int `json:"closed"`
	} `json:"lookbacks"`
	Seconds float64 `json:"seconds"`
}

// sixEnds counts arrivals or readings at rest.
type sixEnds struct {
	Delivered int64 `json:"delivered"`
	Filed     int64 `json:"filed"`
	Held      int64 `json:"held"`
	Duplicate int64 `json:"duplicate"`
	Ignored   int64 `json:"ignored"`
	Discarded int64 `json:"discarded"`
}

func endsOf(e poct.Ends) sixEnds {
	return sixEnds{e.Delivered, e.Filed, e.Held, e.Duplicate, e.Ignored, e.Discarded}
}

func (e sixEnds) sum() int64 {
	return e.Delivered + e.Filed + e.Held + e.Duplicate + e.Ignored + e.Discarded
}

func (e sixEnds) are(want map[string]int) bool {
	return e == sixEnds{
		int64(want["delivered"]), int64(want["filed"]), int64(want["held"]),
		int64(want["duplicate"]), int64(want["ignored"]), int64(want["discarded"]),
	}
}

// report stops the daemon, verifies what it left behind and prints the
// account; it ends with exit code 1 if that does not add up.
func (c *demoCmd) report(ctx context.Context, s *streams, d *demo, began time.Time) error {
	a, err := d.app.Account(ctx)
	if err != nil {
		return err
	}
	scan := d.record.Scan()
	r := demoReport{People: d.people.Done(), Told: d.duty.Told()}
	if r.LookBacks.Open, r.LookBacks.Closed, err = d.people.LookBacks(ctx, "c.hale"); err != nil {
		return err
	}
	if err := d.stop(); err != nil {
		return err
	}
	v, err := app.Verify(ctx, d.cfg, nil)
	if err != nil {
		return err
	}
	r.Account.Arrivals, r.Account.Lost, r.Account.Resends = a.Arrivals, a.Lost, a.Resends
	r.Account.sixEnds, r.Readings = endsOf(a.Ends), endsOf(a.Readings)
	r.RecordSystem.Observations, r.RecordSystem.Duplicates = scan.Observations, scan.Duplicates()
	r.Ledger.Size, r.Ledger.Verified = v.Size, v.Verified
	r.Seconds = time.Since(began).Seconds()
	if c.JSON {
		err = printJSON(s.out, r)
	} else {
		r.print(s)
	}
	if err == nil && !r.addsUp(d.day) {
		fmt.Fprintf(s.err, "This does not add up. By the script: %s.\n", d.day.Account())
		return problems()
	}
	return err
}

// addsUp tells whether nothing is lost, nothing doubled, nothing tampered
// with, arrivals and readings have the ends that the script says, people did
// all they were to do, and the record system holds just what it should.
func (r demoReport) addsUp(day *standin.Day) bool {
	want := day.Account()
	return r.Account.Lost == 0 && r.Account.Arrivals == int64(want.Arrivals) && r.Account.sum() == r.Account.Arrivals &&
		r.Account.Resends == int64(want.Resends) && r.Account.are(want.Ends) && r.Readings.are(want.Readings) &&
		r.RecordSystem.Duplicates == 0 && r.RecordSystem.Observations == want.Observations && r.Ledger.Verified &&
		r.People == len(day.Acts) && r.LookBacks.Open+r.LookBacks.Closed == want.LookBacks
}

func (r demoReport) print(s *streams) {
	fmt.Fprintf(s.out, "came in       %6d arrivals, %d resends answered again\n", r.Account.Arrivals, r.Account.Resends)
	for _, l := range []struct {
		name               string
		arrivals, readings int64
	}{
		{"delivered", r.Account.Delivered, r.Readings.Delivered}, {"filed", r.Account.Filed, r.Readings.Filed},
		{"held", r.Account.Held, r.Readings.Held}, {"duplicate", r.Account.Duplicate, r.Readings.Duplicate},
		{"ignored", r.Account.Ignored, r.Readings.Ignored}, {"discarded", r.Account.Discarded, r.Readings.Discarded},
	} {
		fmt.Fprintf(s.out, "  %-10s  %6d arrivals %6d readings\n", l.name, l.arrivals, l.readings)
	}
	fmt.Fprintf(s.out, "lost          %6d\n", r.Account.Lost)
	fmt.Fprintf(s.out, "record system %6d observations, %d duplicates\n", r.RecordSystem.Observations, r.RecordSystem.Duplicates)
	fmt.Fprintf(s.out, "people        %6d acts; %d look-backs judged, %d open\n", r.People, r.LookBacks.Closed, r.LookBacks.Open)
	fmt.Fprintf(s.out, "told          %6s\n", listed(r.Told))
	word := "verified"
	if !r.Ledger.Verified {
		word = "NOT verified"
	}
	fmt.Fprintf(s.out, "ledger        %6d events, %s\n", r.Ledger.Size, word)
	fmt.Fprintf(s.out, "took          %6.1f s\n", r.Seconds)
}

// listed writes counts in the order of their names.
func listed(counts map[string]int) string {
	var out []string
	for _, name := range slices.Sorted(maps.Keys(counts)) {
		out = append(out, fmt.Sprintf("%d %s", counts[name], name))
	}
	return strings.Join(out, ", ")
}
