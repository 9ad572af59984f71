package main

import (
	"context"
	"fmt"
	"maps"
	"net"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"tidegate/config"
	"tidegate/standin"
)

// simulateReport is the closing account.
type simulateReport struct {
	standin.FleetReport
	Became       *standin.Became `json:"became"` // null: no daemon could be asked
	RecordSystem *recordAccount  `json:"record_system,omitempty"`
	Wrong        []string        `json:"wrong"`     // lost or doubled
	Otherwise    []string        `json:"otherwise"` // ended otherwise than the meters expected
	AddsUp       bool            `json:"adds_up"`
}

type recordAccount struct {
	Observations int `json:"observations"`
	Duplicates   int `json:"duplicates"`
}

// compare waits until the daemon has nothing under way, and holds its account
// against what was sent.
func (r *simulateReport) compare(ctx context.Context, d *daemon, before *standin.Became, record *fakeRecord) error {
	r.AddsUp = r.Total.GaveUp == 0
	if !r.AddsUp {
		r.Wrong = append(r.Wrong, fmt.Sprintf("%s never answered", count(r.Total.GaveUp, "message")))
	}
	if before != nil {
		after, err := d.until(ctx, settleAfter, func(b *standin.Became) bool {
			// A file that came again is a resend only once it was taken.
			return b.Unfinished <= before.Unfinished && b.Arrivals >= before.Arrivals+r.Want.Arrivals && b.Resends >= before.Resends+r.Want.Resends
		})
		if err != nil {
			return err
		}
		b := grown(*before, *after)
		r.Became = &b
		wrong, otherwise := r.Want.Compare(b)
		r.Wrong, r.Otherwise = append(r.Wrong, wrong...), append(r.Otherwise, otherwise...)
	}
	if record.served() {
		scan := record.system.Scan()
		r.RecordSystem = &recordAccount{scan.Observations, scan.Duplicates()}
		if scan.Duplicates() > 0 {
			r.Wrong = append(r.Wrong, fmt.Sprintf("the record system holds %s", count(scan.Duplicates(), "duplicate")))
		}
		if before != nil && before.Arrivals == 0 && len(r.Otherwise) == 0 && r.Want.Arrivals == r.Want.ArrivalsMost && scan.Observations != r.Want.Observations {
			r.Wrong = append(r.Wrong, fmt.Sprintf("the record system holds %d observations, %d expected", scan.Observations, r.Want.Observations))
		}
	}
	r.AddsUp = len(r.Wrong) == 0
	return nil
}

// How long the daemon may take to come to rest, before and after.
const (
	settleBefore = 5 * time.Second
	settleAfter  = 60 * time.Second
)

// atRest is the account before anything is sent; nil if nobody can be asked.
func (d *daemon) atRest(ctx context.Context) (*standin.Became, error) {
	if d == nil {
		return nil, nil
	}
	return d.until(ctx, settleBefore, func(b *standin.Became) bool { return b.Unfinished == 0 })
}

// until asks for the account until it is as wanted, or the time is over.
func (d *daemon) until(ctx context.Context, limit time.Duration, wanted func(*standin.Became) bool) (*standin.Became, error) {
	end := time.Now().Add(limit)
	tick := time.NewTicker(50 * time.Millisecond)
	defer tick.Stop()
	for {
		b, err := d.account(ctx)
		if err != nil || wanted(b) || time.Now().After(end) {
			return b, err
		}
		<-tick.C
	}
}

// grown is by how much an account has grown.
func grown(before, after standin.Became) standin.Became {
	ends := map[string]int{}
	for end, n := range after.Ends {
		if n -= before.Ends[end]; n != 0 {
			ends[end] = n
		}
	}
	return standin.Became{
		Arrivals: after.Arrivals - before.Arrivals, Resends: after.Resends - before.Resends, Lost: after.Lost - before.Lost,
		Unfinished: after.Unfinished - before.Unfinished, Ends: ends,
	}
}

func (r *simulateReport) print(s *streams) {
	line := func(name string, l standin.FleetLine) {
		fmt.Fprintf(s.out, "%-24s %9d %9d %9d %9d %9d\n", name, l.Messages, l.Sendings, l.Answered, l.Unclear, l.GaveUp)
	}
	head := func(what string) {
		fmt.Fprintf(s.out, "%-24s %9s %9s %9s %9s %9s\n", what, "messages", "sendings", "answered", "no answer", "gave up")
	}
	head("by meter")
	for _, k := range slices.Sorted(maps.Keys(r.Kinds)) {
		line(k, r.Kinds[k])
	}
	line("all", r.Total)
	fmt.Fprintln(s.out)
	head("by fault")
	for _, k := range slices.Sorted(maps.Keys(r.Faults)) {
		line(k, r.Faults[k])
	}
	w := r.Want
	fmt.Fprintf(s.out, "\nsent in %.1f s; it must have become %s arrivals (%s), %s resends\n",
		r.Seconds, fromTo(w.Arrivals, w.ArrivalsMost), sums(w.Ends), fromTo(w.Resends, w.ResendsMost))
	if r.Became == nil {
		fmt.Fprintln(s.out, "No daemon could be asked for its account; name it with --api and --token-file, or run where its data folder is.")
	} else {
		fmt.Fprintf(s.out, "the daemon's account grew by   %d arrivals (%s), %d resends\n", r.Became.Arrivals, sums(r.Became.Ends), r.Became.Resends)
	}
	if r.RecordSystem != nil {
		fmt.Fprintf(s.out, "the record system holds        %d observations, %d duplicates\n", r.RecordSystem.Observations, r.RecordSystem.Duplicates)
	}
	for _, o := range r.Otherwise {
		fmt.Fprintf(s.out, "otherwise than expected: %s\n", o)
	}
	for _, w := range r.Wrong {
		fmt.Fprintf(s.out, "WRONG: %s\n", w)
	}
	switch {
	case !r.AddsUp:
		fmt.Fprintln(s.out, "The account does NOT add up.")
	case r.Became == nil:
		fmt.Fprintln(s.out, "Every message was answered.")
	default:
		fmt.Fprintln(s.out, "The account adds up: nothing lost, nothing doubled.")
	}
}

func fromTo(low, high int) string {
	if low == high {
		return fmt.Sprint(low)
	}
	return fmt.Sprintf("%d to %d", low, high)
}

func sums(ends map[string]int) string {
	var out []string
	for _, end := range slices.Sorted(maps.Keys(ends)) {
		if ends[end] != 0 {
			out = append(out, fmt.Sprintf("%d %s", ends[end], end))
		}
	}
	return strings.Join(out, ", ")
}

// fakeRecord is the stand-in record system, if one is served.
type fakeRecord struct {
	system *standin.Record
	server *http.Server
}

func (r *fakeRecord) served() bool { return r != nil && r.system != nil }

func (r *fakeRecord) close() {
	if r.served() {
		_ = r.server.Close() // its daemon sends elsewhere, or not at all
	}
}

// record serves the stand-in at the address of the first FHIR outlet.
func (c *simulateCmd) record(cfg *config.Config, reg *standin.FleetRegistry) (*fakeRecord, error) {
	if !c.Record {
		return nil, nil
	}
	for _, o := range cfg.Outlets {
		if o.FHIR.BaseURL == "" {
			continue
		}
		u, err := url.Parse(o.FHIR.BaseURL)
		if err != nil || u.Scheme != "http" || !ofThisMachine(o.FHIR.BaseURL) {
			return nil, wrongUse("outlet %s sends to %s; the stand-in serves http on this machine alone", o.ID, o.FHIR.BaseURL)
		}
		token := ""
		if o.FHIR.Auth.TokenFile != "" {
			if token, err = fileText(o.FHIR.Auth.TokenFile); err != nil {
				return nil, wrongUse("read the token of outlet %s: %w", o.ID, err)
			}
		}
		ln, err := net.Listen("tcp", u.Host)
		if err != nil {
			return nil, wrongUse("a record system is there already, or the port is taken: %w", err)
		}
		r := &fakeRecord{system: standin.NewRecord(standin.Options{Token: token, Patients: reg.FleetPatients()})}
		r.server = &http.Server{Handler: http.StripPrefix(strings.TrimSuffix(u.Path, "/"), r.system), ReadHeaderTimeout: 10 * time.Second}
		go func() { _ = r.server.Serve(ln) }() // ends with close
		return r, nil
	}
	return nil, wrongUse("--record: no outlet of the configuration is of kind fhir")
}
