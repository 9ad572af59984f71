package outbound

import (
	"context"
	"net/http"

	"tidegate/poct"
	"tidegate/wire/fhir"
)

// Prepare finds the patient, renders what is to be written, and makes sure that
// what it refers to is there.
func (r *recordSystem) Prepare(ctx context.Context, d poct.Delivery) ([]byte, map[string]string, Answered) {
	caps, a := r.capabilities(ctx)
	if a.Class != Done {
		return nil, nil, a
	}
	p, a := r.plan(caps)
	if a.Class != Done {
		return nil, nil, a
	}
	patient, a := r.patient(ctx, d.Result.Patient)
	if a.Class != Done {
		return nil, nil, a
	}
	t, a := r.render(ctx, d, patient, p)
	if a.Class != Done || t == nil {
		return nil, nil, a
	}
	known, a := r.ensure(ctx, t.sent)
	if a.Class != Done {
		return nil, nil, a
	}
	final := t.sent.linked(known, t.more)
	body := final.bundle()
	r.parsed.put(d.ID, body, final)
	return body, merged(t.remote, map[string]string{"patient": patient}), Answered{Class: Done}
}

// capabilities is what the record system said it can do. What it does not say
// it cannot.
func (r *recordSystem) capabilities(ctx context.Context) (fhir.Caps, Answered) {
	if caps := r.caps.Load(); caps != nil {
		return *caps, Answered{Class: Done}
	}
	step, cancel := context.WithTimeout(ctx, r.cfg.Timeout)
	defer cancel()
	caps, got, err := r.client.Capabilities(step, "")
	switch a := r.question(Classify(got, err), got); {
	case a.Class == Done:
		r.caps.Store(&caps)
	case a.Class == Configuration: // it has no such statement
		return fhir.Caps{}, Answered{Class: Done}
	case got.Status == http.StatusOK && r.cfg.FHIR.Mode != modeAuto: // it has one that nobody can read
		return fhir.Caps{}, Answered{Class: Done}
	default:
		return fhir.Caps{}, a
	}
	return caps, Answered{Class: Done}
}

func (r *recordSystem) unrendered(d poct.Delivery, err error) Answered {
	r.s.Log.Error().Str("result", d.Result.ID).Err(err).Msg("result not rendered")
	return r.stop(Refused, problemUnrendered(r.cfg.ID))
}
