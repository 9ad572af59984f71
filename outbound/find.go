package outbound

import (
	"context"
	"net/http"

	"tidegate/poct"
	"tidegate/wire/fhir"
)

// mostPartial is how often a transaction may seem half there before a person
// looks: all or nothing is the record system's promise, its index may lag.
const mostPartial = 12

// Find looks every result entry of the committed bytes up and compares.
func (r *recordSystem) Find(ctx context.Context, d poct.Delivery) Answered {
	s, err := readSent(d.Body)
	if err != nil {
		return r.stop(Refused, problemUnrendered(r.cfg.ID))
	}
	if s = r.shaped(s); s.steps {
		return r.findSteps(ctx, d, s)
	}
	there, missing := 0, 0
	remote := map[string]string{}
	for _, e := range s.entries {
		if !e.result() {
			continue
		}
		a := r.findEntry(ctx, d, e, remote)
		switch a.Class {
		case Done:
			there++
		case Absent:
			missing++
		default:
			return a
		}
	}
	if missing == 0 || there == 0 {
		r.partial.forget(d.ID)
	}
	switch {
	case there == 0:
		return r.specimenUntouched(ctx, s)
	case missing > 0 && r.partial.more(d.ID) < mostPartial:
		return Answered{Class: Unknown, Status: http.StatusOK, Note: "partly visible"}
	case missing > 0:
		return r.stop(Ambiguous, problemDiffers(r.cfg.ID))
	}
	if d.Action == poct.Withdraw {
		if a := r.noneLeft(ctx, s); a.Class != Done {
			return a
		}
	}
	if a := r.placeSpecimen(ctx, d, s, remote); a.Class != Done {
		return a
	}
	return Answered{Class: Done, Status: http.StatusOK, Remote: remote, Note: "found"}
}

// specimenUntouched answers for a transaction that has not landed: it may be
// sent again unless somebody changed the specimen that it would replace.
func (r *recordSystem) specimenUntouched(ctx context.Context, s sent) Answered {
	for _, e := range s.entries {
		if e.typ() != "Specimen" || e.IfMatch == "" {
			continue
		}
		_, tag, a := r.stored(ctx, e.ref())
		switch {
		case a.Status == http.StatusNotFound, a.Status == http.StatusGone:
			return r.stop(Refused, problemGone(r.cfg.ID))
		case a.Class != Done:
			return a
		case tag != e.IfMatch:
			return r.stop(Ambiguous, problemOvertaken(r.cfg.ID))
		}
	}
	return Answered{Class: Absent, Status: http.StatusOK}
}

// placeSpecimen learns where the specimen of a landed transaction stands: the
// next version is put onto it.
func (r *recordSystem) placeSpecimen(ctx context.Context, d poct.Delivery, s sent, remote map[string]string) Answered {
	for _, e := range s.entries {
		if e.typ() != "Specimen" {
			continue
		}
		if ref := e.ref(); ref != "" {
			_, tag, a := r.stored(ctx, ref)
			if a.Class != Done {
				return a
			}
			r.learn(remote, e, d.Result, ref, tag, "")
			continue
		}
		found, a := r.search(ctx, e.typ(), e.identifier())
		if a.Class != Done {
			return a
		}
		if len(found) == 1 {
			if stored, err := readResource(found[0].Resource); err == nil {
				r.learn(remote, e, d.Result, e.typ()+"/"+stored.ID, found[0].ETag, "")
			}
		}
	}
	return Answered{Class: Done}
}

// findEntry tells whether one entry stands at the record system as it was sent.
func (r *recordSystem) findEntry(ctx context.Context, d poct.Delivery, e sentEntry, remote map[string]string) Answered {
	if ref := e.ref(); ref != "" {
		return r.findByID(ctx, d, e, ref, remote)
	}
	return r.findByIdentifier(ctx, d, e, remote)
}

func (r *recordSystem) findByID(ctx context.Context, d poct.Delivery, e sentEntry, ref string, remote map[string]string) Answered {
	mine, err := readResource(e.Resource)
	if err != nil {
		return r.stop(Refused, problemUnrendered(r.cfg.ID))
	}
	stored, etag, a := r.stored(ctx, ref)
	switch {
	case a.Status == http.StatusNotFound && e.IfMatch == "":
		return Answered{Class: Absent, Status: a.Status}
	case a.Status == http.StatusNotFound, a.Status == http.StatusGone:
		return r.stop(Refused, problemGone(r.cfg.ID))
	case a.Class != Done:
		return a
	case e.accepts(stored, d):
		r.learn(remote, e, d.Result, ref, etag, "")
		return Answered{Class: Done}
	case e.IfMatch != "" && e.IfMatch == etag:
		return Answered{Class: Absent} // still the version that ours replaces
	case mine.sameVersion(stored):
		return r.stop(Ambiguous, problemDiffers(r.cfg.ID))
	case e.IfMatch != "":
		return r.stop(Ambiguous, problemOvertaken(r.cfg.ID))
	}
	return r.stop(Ambiguous, problemDiffers(r.cfg.ID))
}

func (r *recordSystem) findByIdentifier(ctx context.Context, d poct.Delivery, e sentEntry, remote map[string]string) Answered {
	matches, a := r.search(ctx, e.typ(), e.identifier())
	switch {
	case a.Class != Done:
		return a
	case len(matches) == 0:
		return Answered{Class: Absent}
	case len(matches) > 1:
		return r.stop(Ambiguous, problemAmbiguous(r.cfg.ID))
	}
	stored, err := readResource(matches[0].Resource)
	if err != nil {
		return Answered{Class: Unknown, Note: "match not readable"}
	}
	if !e.accepts(stored, d) {
		return r.stop(Ambiguous, problemDiffers(r.cfg.ID))
	}
	r.learn(remote, e, d.Result, e.typ()+"/"+stored.ID, matches[0].ETag, "")
	return Answered{Class: Done}
}

// noneLeft makes sure that a withdrawal covered every copy.
func (r *recordSystem) noneLeft(ctx context.Context, s sent) Answered {
	for _, e := range s.entries {
		if !e.result() || e.ownID() {
			continue
		}
		if a := r.noneStands(ctx, e); a.Class != Done {
			return a
		}
	}
	return Answered{Class: Done}
}

// noneStands makes sure that no other copy of a withdrawn result still stands:
// a lost create may have left one that no search showed at the time.
func (r *recordSystem) noneStands(ctx context.Context, e sentEntry) Answered {
	matches, a := r.search(ctx, e.typ(), e.identifier())
	if a.Class != Done {
		return a
	}
	for _, m := range matches {
		stored, err := readResource(m.Resource)
		if err != nil || stored.Status != "entered-in-error" {
			return r.stop(Ambiguous, problemAmbiguous(r.cfg.ID))
		}
	}
	return Answered{Class: Done}
}

// stored reads a resource and its version tag.
func (r *recordSystem) stored(ctx context.Context, ref string) (resource, string, Answered) {
	step, cancel := context.WithTimeout(ctx, r.cfg.Timeout)
	defer cancel()
	got, err := r.client.Read(step, "", ref)
	a := r.question(Classify(got, err), got)
	if a.Class != Done {
		return resource{}, "", a
	}
	res, err := readResource(got.Body)
	if err != nil {
		return resource{}, "", Answered{Class: Transient, Status: got.Status, Note: "not readable"}
	}
	return res, got.ETag, a
}

// read is the body of a resource.
func (r *recordSystem) read(ctx context.Context, ref string) ([]byte, Answered) {
	step, cancel := context.WithTimeout(ctx, r.cfg.Timeout)
	defer cancel()
	got, err := r.client.Read(step, "", ref)
	return got.Body, r.question(Classify(got, err), got)
}

// search lists every match of an identifier.
func (r *recordSystem) search(ctx context.Context, typ string, id fhir.Identifier) ([]fhir.Entry, Answered) {
	step, cancel := context.WithTimeout(ctx, r.cfg.Timeout)
	defer cancel()
	got, err := r.client.Search(step, "", typ, id)
	return got.Entries, r.question(Classify(got, err), got)
}

// question judges an answer to a request that changes nothing: what stays
// unknown may simply be asked again, and a refusal is about the question.
func (r *recordSystem) question(c Class, got fhir.Answer) Answered {
	a := r.answered(c, got)
	switch c {
	case Unknown, Compare, NotSent:
		a.Class = Transient
	case Refused, Configuration:
		a.Class = Configuration
		a.Problem = problemConfiguration(r.cfg.ID, got.Status)
	}
	return a
}
