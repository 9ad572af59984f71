package outbound

import (
	"context"
	"net/http"
	"sync/atomic"

	"tidegate/poct"
	"tidegate/wire/fhir"
)

// Modes of writing a result. Auto takes the first of the others that the
// CapabilityStatement (hl7.org/fhir/R4/capabilitystatement.html) offers; what
// it leaves out is not offered.
const (
	modeAuto        = "auto"
	modeTransaction = "transaction" // all or nothing
	modePut         = "put"         // one by one, under ids of ours
	modeSingle      = "single"      // one by one, created unless the identifier is there
)

// plan is how results are written at present.
type plan struct {
	caps  fhir.Caps
	steps bool
	own   bool
}

// plan chooses by configuration, CapabilityStatement, and what was found to be
// otherwise. No way at all is a matter for the one who wires.
func (r *recordSystem) plan(caps fhir.Caps) (plan, Answered) {
	f := r.cfg.FHIR
	own := f.OwnIDs != "never" && takesOurIDs(caps) && !r.habits.noOwnIDs.Load()
	conditional := createsOnCondition(caps) && !r.habits.noCondition.Load()
	p := plan{caps: caps, own: own}
	switch f.Mode {
	case modeTransaction:
	case modeSingle:
		p.steps, p.own = true, false
		if f.OwnIDs == "never" { // not even for a Provenance, whatever is promised
			p.caps = promised(caps, false)
		}
	case modePut:
		p.steps, p.own, p.caps = true, true, promised(caps, true)
	default:
		p.steps = !caps.Transaction || r.habits.noTransaction.Load()
		if !own && !conditional {
			return plan{}, r.stop(Configuration, problemNoWay(r.cfg.ID))
		}
	}
	return p, Answered{Class: Done}
}

func takesOurIDs(caps fhir.Caps) bool {
	return caps.Resources["Observation"].UpdateCreate && caps.Resources["DiagnosticReport"].UpdateCreate
}

func createsOnCondition(caps fhir.Caps) bool {
	return caps.Resources["Observation"].ConditionalCreate && caps.Resources["DiagnosticReport"].ConditionalCreate
}

// promised is a statement with ids of ours taken or not: the operator says so.
func promised(caps fhir.Caps, ownIDs bool) fhir.Caps {
	out := caps
	out.Resources = map[string]fhir.ResourceCaps{}
	for typ, c := range caps.Resources {
		out.Resources[typ] = c
	}
	for _, typ := range []string{"Observation", "DiagnosticReport", "Specimen", "Provenance"} {
		c := out.Resources[typ]
		c.UpdateCreate = ownIDs
		out.Resources[typ] = c
	}
	return out
}

// habits are what the record system was found to do, whatever its statement
// says, since this process began.
type habits struct {
	noTransaction, noCondition, noOwnIDs atomic.Bool
	noneMatch                            atomic.Int32 // noneMatchUnknown and so on
	trying                               atomic.Bool  // somebody finds out about If-None-Match
}

const (
	noneMatchUnknown = iota
	noneMatchHonoured
	noneMatchIgnored
)

// shaped is a bundle in the form that the record system was found to take: the
// content is as committed.
func (r *recordSystem) shaped(s sent) sent {
	switch {
	case r.habits.noOwnIDs.Load():
		s = s.taken()
	case r.habits.noCondition.Load():
		s = s.given()
	}
	s.steps = s.steps || r.habits.noTransaction.Load()
	return s
}

// turned notes from a refusal that the record system does not do what it was
// taken to do, and says so. True: another form is worth a try at once, since
// this one surely stored nothing.
func (r *recordSystem) turned(got fhir.Answer, s sent) bool {
	caps := fhir.Caps{}
	if known := r.caps.Load(); known != nil {
		caps = *known
	}
	f, h := r.cfg.FHIR, &r.habits
	unsupported := got.Status == http.StatusMethodNotAllowed || got.Has("not-supported")
	conditional := got.Status == http.StatusPreconditionFailed && got.Has("not-supported")
	free := f.Mode == modeAuto || f.Mode == modeTransaction
	switch {
	case !s.steps && h.noTransaction.Load(): // known by now
		return true
	case conditional && s.creates("", "*") && free && f.OwnIDs != "never" && takesOurIDs(caps) && !h.noOwnIDs.Load():
		return r.turn(&h.noCondition, "it takes no conditional creates; results go under ids of ours")
	case conditional:
	case unsupported && s.creates("*", "") && free && createsOnCondition(caps) && !h.noCondition.Load():
		return r.turn(&h.noOwnIDs, "it takes no ids of ours; results are created unless their identifier is there")
	case !s.steps && (unsupported || got.Status == http.StatusNotFound) && f.Mode == modeAuto:
		turned := r.turn(&h.noTransaction, "it takes no transactions; resources go one by one")
		h.noOwnIDs.Store(false) // it was not that
		return turned
	}
	return false
}

// turn notes a habit; the request that showed it was of the old form, also
// where another one showed it first.
func (r *recordSystem) turn(habit *atomic.Bool, what string) bool {
	if habit.Swap(true) {
		return true
	}
	r.s.Log.Warn().Msg("the record system does not do what its CapabilityStatement says: " + what)
	return true
}

// creates tells whether results are created with one of these conditions.
func (s sent) creates(ifNoneMatch, other string) bool {
	for _, e := range s.entries {
		if e.result() && (ifNoneMatch != "" && e.IfNoneMatch == ifNoneMatch || other != "" && e.IfNoneExist != "") {
			return true
		}
	}
	return false
}

// unseen makes sure before a create under an id of ours that nothing stands
// there. Where If-None-Match is known to be honoured the create itself does.
func (r *recordSystem) unseen(ctx context.Context, d poct.Delivery, e sentEntry) Answered {
	if e.IfNoneMatch != "*" || d.Intent || r.habits.noneMatch.Load() == noneMatchHonoured {
		return Answered{Class: Done}
	}
	_, _, a := r.stored(ctx, e.ref())
	switch {
	case a.Status == http.StatusNotFound:
		return Answered{Class: Done}
	case a.Class == Done:
		return Answered{Class: Compare, Status: a.Status, Note: "something stands there already"}
	case a.Status == http.StatusGone:
		return r.stop(Refused, problemGone(r.cfg.ID))
	}
	return a
}

// findOut learns whether If-None-Match is honoured: it puts the provenance that
// was just created once more, the same bytes under the same id, with the
// condition. Honoured, nothing happens; ignored, it gets a second version that
// says the same. Nobody reads a dose off a provenance.
func (r *recordSystem) findOut(ctx context.Context, s sent, there map[string]string) {
	h := &r.habits
	if h.noneMatch.Load() != noneMatchUnknown || !s.creates("*", "") || h.trying.Swap(true) {
		return
	}
	defer h.trying.Store(false)
	for _, e := range s.entries {
		if e.typ() != "Provenance" || e.ref() == "" {
			continue
		}
		step, cancel := context.WithTimeout(ctx, r.cfg.Timeout)
		defer cancel()
		got, err := r.client.Put(step, "", e.ref(), pointed(e.Resource, there), fhir.Match{IfNoneMatch: "*"})
		switch {
		case err != nil || got.Status >= 500 || got.Status == http.StatusTooManyRequests || got.Status == http.StatusUnauthorized:
			return // no answer to the question: another time
		case got.Status == http.StatusPreconditionFailed || got.Status == http.StatusConflict:
			h.noneMatch.Store(noneMatchHonoured)
		default:
			h.noneMatch.Store(noneMatchIgnored)
			r.s.Log.Warn().Int("status", got.Status).Msg("the record system does not honour If-None-Match: each create is looked up before it")
		}
		return
	}
}
