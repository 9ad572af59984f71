package probe

import (
	"context"
	"encoding/json"
	"fmt"
	"maps"
	"strings"

	"tidegate/outbound"
	"tidegate/poct"
	"tidegate/wire/fhir"
)

// live takes a result through its whole life with the outlet as it is
// configured, and, where that fails and other settings were worked out, once
// more with those.
func (p *probe) live(ctx context.Context) {
	if p.life(ctx, "life", p.cfg, "") {
		return
	}
	cfg, differs := p.suggested()
	if !differs || p.ways.stale != Works || ctx.Err() != nil {
		return // no setting would mend it
	}
	if p.life(ctx, "life with the settings below", cfg, "/again") {
		p.good(Told, "With the settings below, a result was filed, corrected and withdrawn.")
	}
}

// life files, files again, corrects and withdraws by the daemon's own code.
func (p *probe) life(ctx context.Context, step string, cfg outbound.Config, suffix string) bool {
	p.at(step, "filing a result as the daemon does")
	s, err := p.sender(ctx, cfg)
	if err != nil {
		p.lacks(Needed, "The outlet cannot be opened: "+err.Error()+".", "Mend its configuration.")
		return false
	}
	defer s.stop()
	l := &living{p: p, s: s, r: rekeyed(p.result(whole), suffix), odd: rekeyed(p.result(offScale), suffix)}
	p.writing(parts(l.r)...)
	p.writing(parts(l.odd)...)
	if !l.file(ctx) {
		return false
	}
	ok := l.again(ctx)
	ok = l.comparator(ctx) && ok
	p.at(step, "correcting it")
	ok = l.correct(ctx) && ok
	p.at(step, "withdrawing it")
	ok = l.withdraw(ctx) && ok
	p.at(step, "looking it up at the end")
	if !l.once(ctx, "At the end") || !ok {
		return false
	}
	p.ways.lived = Works
	return true
}

// rekeyed is the same measurement under another key.
func rekeyed(r poct.Result, suffix string) poct.Result {
	r.ID += strings.ReplaceAll(suffix, "/", "-")
	r.Reading.Sequence += suffix
	r.Key = r.Reading.Key()
	return r
}

// living is one result on its way through life.
type living struct {
	p      *probe
	s      *sender
	r, odd poct.Result // odd is the one off scale
	remote map[string]string
	oddAt  map[string]string
}

// file creates the result and reads it back.
func (l *living) file(ctx context.Context) bool {
	out := l.s.deliver(ctx, poct.Delivery{Result: l.r, Action: poct.Create})
	if !out.done() {
		l.p.lacks(Needed, "The result was not filed. "+out.why(), "See the transcript, and the settings below.")
		return false
	}
	l.remote = out.Remote
	l.p.settled(l.r, out.Remote)
	l.p.good(Needed, "A result was filed: %s.", strings.Join(places(l.r, out.Remote), ", "))
	l.p.readBack(ctx, l.r, out.row, nil)
	l.provenance(ctx)
	return true
}

// provenance asks whether the one that was sent along points to the result.
func (l *living) provenance(ctx context.Context) {
	ref := l.remote["observation/inr"]
	var found answer
	if !l.p.until(ctx, func() bool {
		found = l.p.ask(ctx, "search Provenance by target", nil, func(ctx context.Context, request string) (fhir.Answer, error) {
			return l.p.client.Pointing(ctx, request, "Provenance", "target", ref)
		})
		return !found.done() || len(found.Entries) > 0
	}) || !found.done() {
		l.p.ways.provenance = Ignored
		l.p.lacks(Wanted, "No Provenance was found that points to the result: "+found.said()+".", "Ask whether Provenance is kept. The trace here does not depend on it.")
		return
	}
	l.p.ways.provenance = Works
	l.p.good(Wanted, "A Provenance points to the result.")
}

// again files the same once more, as after a crash that lost the receipt.
func (l *living) again(ctx context.Context) bool {
	out := l.s.deliver(ctx, poct.Delivery{Result: l.r, Action: poct.Create})
	if !out.done() {
		l.p.lacks(Needed, "The same result, sent once more, was not recognised. "+out.why(), "See the transcript, and the settings below.")
		return false
	}
	return l.once(ctx, "Sent once more, the result")
}

// once counts what stands under the result's identifiers.
func (l *living) once(ctx context.Context, when string) bool {
	ok := true
	for _, one := range parts(l.r) {
		if one.typ == "Specimen" {
			continue
		}
		n := 0
		shown := l.p.until(ctx, func() bool {
			n = len(l.p.search(ctx, one.typ, one.identifier()).Entries)
			return n > 0
		})
		if !shown || n != 1 {
			ok = false
			l.p.lacks(Needed, fmt.Sprintf("%s: a search for the identifier of %s finds %d instead of 1.", when, one.title, n),
				"Read the transcript; a record that shows a result twice must not go live.")
		}
	}
	if ok {
		l.p.good(Needed, "%s is found exactly once under each identifier.", whenIt(when))
	}
	return ok
}

func whenIt(when string) string {
	if when == "At the end" {
		return "At the end the result"
	}
	return when
}

// comparator files the result off scale and reads it back.
func (l *living) comparator(ctx context.Context) bool {
	out := l.s.deliver(ctx, poct.Delivery{Result: l.odd, Action: poct.Create})
	if !out.done() {
		l.p.lacks(Needed, "A result below the measuring range (<0.8) was not filed. "+out.why(),
			"Have comparators of quantities taken; without them such a result would have to wait for a person.")
		return false
	}
	l.oddAt = out.Remote
	l.p.settled(l.odd, out.Remote)
	l.p.readBack(ctx, l.odd, out.row, []string{"valueQuantity", "interpretation"})
	return true
}

// correct sends the next version onto the one that stands.
func (l *living) correct(ctx context.Context) bool {
	l.r = next(l.r, "2.60", "INR was 2.50; connection test")
	out := l.s.deliver(ctx, poct.Delivery{Result: l.r, Action: poct.Correct, Remote: maps.Clone(l.remote)})
	if !out.done() {
		l.p.lacks(Needed, "The correction was not taken. "+out.why(), "Have updates of Observation and DiagnosticReport allowed to us, with versions.")
		return false
	}
	l.remote = out.Remote
	return l.p.stored(ctx, l.r, out.Remote, "corrected", "2.60")
}

// withdraw takes back both results.
func (l *living) withdraw(ctx context.Context) bool {
	ok := true
	for _, w := range []struct {
		r      *poct.Result
		remote map[string]string
		value  string
	}{{&l.r, l.remote, "2.60"}, {&l.odd, l.oddAt, "0.8"}} {
		if w.remote == nil {
			continue
		}
		*w.r = next(*w.r, "", "Connection test ended")
		out := l.s.deliver(ctx, poct.Delivery{Result: *w.r, Action: poct.Withdraw, Remote: maps.Clone(w.remote)})
		if !out.done() {
			ok = false
			l.p.lacks(Needed, "The withdrawal was not taken. "+out.why(), "Have the status entered-in-error taken by PUT.")
			continue
		}
		ok = l.p.stored(ctx, *w.r, out.Remote, "entered-in-error", w.value) && ok
	}
	return ok
}

// stored reads the Observation of INR and the report once more.
func (p *probe) stored(ctx context.Context, r poct.Result, remote map[string]string, status, inr string) bool {
	ok := true
	for _, one := range parts(r) {
		if one.typ == "Specimen" {
			continue
		}
		got := p.read(ctx, remote[one.key])
		var res struct {
			Status string                      `json:"status"`
			Value  struct{ Value json.Number } `json:"valueQuantity"`
		}
		if err := json.Unmarshal(got.Body, &res); err != nil || !got.done() {
			ok = false
			p.lacks(Needed, one.title+" could not be read again: "+got.said()+".", "Read the transcript.")
			continue
		}
		if res.Status != status {
			ok = false
			p.lacks(Needed, fmt.Sprintf("%s should have the status %s, and has another.", one.title, status), "Find out what the record system makes of it.")
		}
		if one.key == "observation/inr" && !sameNumber(res.Value.Value.String(), inr) {
			ok = false
			p.lacks(Needed, one.title+" should say "+inr+", and does not.", "Find out what the record system makes of it.")
		}
	}
	if ok {
		p.good(Needed, "The version with status %s stands as sent.", status)
	}
	return ok
}

// settled notes where the parts of a result stand.
func (p *probe) settled(r poct.Result, remote map[string]string) {
	for _, one := range parts(r) {
		p.stands(one, remote[one.key])
	}
}

func places(r poct.Result, remote map[string]string) []string {
	var out []string
	for _, one := range parts(r) {
		if ref := remote[one.key]; ref != "" {
			out = append(out, ref)
		}
	}
	return out
}
