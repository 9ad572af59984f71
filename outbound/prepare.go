package outbound

import (
	"context"

	"tidegate/poct"
)

// Prepare finds the patient, renders the transaction, and makes sure that what
// it refers to is there.
func (r *recordSystem) Prepare(ctx context.Context, d poct.Delivery) ([]byte, map[string]string, Answered) {
	patient, a := r.patient(ctx, d.Result.Patient)
	if a.Class != Done {
		return nil, nil, a
	}
	body, a := r.render(ctx, d, patient)
	if a.Class != Done {
		return nil, nil, a
	}
	s, err := readSent(body)
	if err != nil {
		return nil, nil, r.unrendered(d, err)
	}
	if a := r.ensure(ctx, s); a.Class != Done {
		return nil, nil, a
	}
	return body, map[string]string{"patient": patient}, Answered{Class: Done}
}

func (r *recordSystem) unrendered(d poct.Delivery, err error) Answered {
	r.s.Log.Error().Str("outlet", r.cfg.ID).Str("result", d.Result.ID).Err(err).Msg("result not rendered")
	return r.stop(Refused, problemUnrendered(r.cfg.ID))
}
