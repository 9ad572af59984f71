package web

import (
	"context"
	"net/http"
	"net/url"
	"time"

	"tidegate/poct"
	"tidegate/review"
)

// Coordinator answers about controls, lots, agreement and training;
// *review.Coordinator is one. Each answer is for what the actor may see.
type Coordinator interface {
	Chart(ctx context.Context, actor poct.Actor, meter, stripLot string, from, to time.Time) (review.Chart, error)
	RecordAction(ctx context.Context, actor poct.Actor, meter, what, control string) (poct.CorrectiveAction, error)
	NewLot(ctx context.Context, actor poct.Actor, site, lot string) (review.NewLot, error)
	ReadBackLot(ctx context.Context, actor poct.Actor, site, lot, isi, mnpt string) (poct.ReadBack, error)
	DecideLot(ctx context.Context, actor poct.Actor, site, lot, decision, reason string) (poct.Acceptance, error)
	Compare(ctx context.Context, actor poct.Actor, site, lot string, from, to time.Time, within time.Duration) (review.Comparison, error)
	DeviceErrors(ctx context.Context, actor poct.Actor, by, site string, from, to time.Time) (review.DeviceErrors, error)
	TimeInRange(ctx context.Context, actor poct.Actor, p poct.PatientRef, low, high string, from, to time.Time) (review.TimeInRange, error)
}

var _ Coordinator = (*review.Coordinator)(nil)

var (
	qualityReaders = []string{clinician, reviewer, coordinator, auditor}
	careReaders    = []string{clinician, coordinator, auditor}
	deciders       = []string{coordinator}
)

func qualityAPI() []route {
	return []route{
		{method: "GET", path: "/api/v1/quality/controls/{meter}", may: qualityReaders, do: (*Server).apiChart, doc: docChart},
		{method: "POST", path: "/api/v1/quality/controls/{meter}/actions", may: deciders, do: (*Server).apiAction, doc: docAction},
		{method: "GET", path: "/api/v1/quality/lots/{lot}", may: qualityReaders, do: (*Server).apiLot, doc: docLot},
		{method: "POST", path: "/api/v1/quality/lots/{lot}/read-back", may: staff, do: (*Server).apiReadBack, doc: docReadBack},
		{method: "POST", path: "/api/v1/quality/lots/{lot}/decide", may: deciders, do: (*Server).apiDecideLot, doc: docDecideLot},
		{method: "GET", path: "/api/v1/quality/comparison", may: qualityReaders, do: (*Server).apiComparison, doc: docComparison},
		{method: "GET", path: "/api/v1/quality/device-errors", may: qualityReaders, do: (*Server).apiDeviceErrors, doc: docDeviceErrors},
		{method: "POST", path: "/api/v1/quality/time-in-range", may: careReaders, do: (*Server).apiTimeInRange, doc: docTimeInRange, asks: true},
	}
}

var (
	spanParams = []param{{"from", "string", "RFC 3339, or a date: the start of that day in UTC"}, {"to", "string", "likewise; now if left out"}}

	docChart = &apiDoc{id: "controlChart", summary: "The control chart of one meter and strip lot: runs, ranges, mean and SD where they are stated, the rules that fired. 30 days unless told.",
		query: append([]param{{"lot", "string", "strip lot; the one run last if left out"}}, spanParams...), answer: jsonOf("Chart"), refuses: []int{400, 404}}
	docAction = &apiDoc{id: "recordAction", summary: "Record what was done to a meter after its controls failed; its charts begin anew there.",
		body: []content{jsonOf("Action")}, answer: jsonOf("CorrectiveAction"), refuses: []int{400, 404, 415, 422}}
	docLot = &apiDoc{id: "newLot", summary: "What the acceptance of a strip lot at a site rests on: shipment, controls, constants, paired patients, and what is still needed. A look.",
		query: []param{{"site", "string", "the site"}}, answer: jsonOf("NewLot"), refuses: []int{404}}
	docReadBack = &apiDoc{id: "readBack", summary: "A lot's ISI and MNPT as this person typed them from the box.",
		body: []content{jsonOf("ReadBackLot")}, answer: jsonOf("ReadBack"), refuses: []int{400, 404, 415, 422}}
	docDecideLot = &apiDoc{id: "decideLot", summary: "Accept or refuse a strip lot at a site. Accepting needs all evidence, and constants typed by somebody else.",
		body: []content{jsonOf("DecideLot")}, answer: jsonOf("Acceptance"), refuses: []int{400, 404, 415, 422}}
	docComparison = &apiDoc{id: "comparison", summary: "How meters and the laboratory agree on the same patients: differences, limits of agreement, lines, shares within. 90 days unless told. A look.",
		query:  append([]param{{"site", "string", "the site; all if left out"}, {"lot", "string", "strip lot; any if left out"}, {"within", "string", "how far apart the two may be, such as 4h"}}, spanParams...),
		answer: jsonOf("Comparison"), refuses: []int{400, 404}}
	docDeviceErrors = &apiDoc{id: "deviceErrors", summary: "How often tests ended in a device error, with 95 % intervals, each group beside all others. 90 days unless told.",
		query: append([]param{{"by", "string", "operator, site, meter or strip_lot"}, {"site", "string", "the site; all if left out"}}, spanParams...), answer: jsonOf("DeviceErrors"), refuses: []int{400, 404, 422}}
	docTimeInRange = &apiDoc{id: "timeInRange", summary: "How long a patient's INR lay in a range, by straight lines between results. A report, never a reason to hold. A look.",
		body: []content{jsonOf("AskTimeInRange")}, answer: jsonOf("TimeInRange"), refuses: []int{400, 415, 422}}
)

// qualitySchemas are the shapes of what is asked and answered here, by name.
func qualitySchemas() object {
	return object{
		"Chart": shapeOf[review.Chart](), "Action": shapeOf[askAction](), "CorrectiveAction": shapeOf[poct.CorrectiveAction](),
		"NewLot": shapeOf[review.NewLot](), "ReadBackLot": shapeOf[askReadBack](), "ReadBack": shapeOf[poct.ReadBack](),
		"DecideLot": shapeOf[askDecision](), "Acceptance": shapeOf[poct.Acceptance](), "Comparison": shapeOf[review.Comparison](),
		"DeviceErrors": shapeOf[review.DeviceErrors](), "AskTimeInRange": shapeOf[askTimeInRange](), "TimeInRange": shapeOf[review.TimeInRange](),
	}
}

// coordinator is who answers, or not found where there is none.
func (w *Server) coordinator() (Coordinator, error) {
	if w.s.Coordinator == nil {
		return nil, poct.ErrNotFound
	}
	return w.s.Coordinator, nil
}

// span reads from and to of a query; days back if they are left out.
func (w *Server) span(q url.Values, days int) (from, to time.Time, err error) {
	if to, err = askedTime(q.Get("to"), w.s.Now()); err != nil {
		return from, to, err
	}
	from, err = askedTime(q.Get("from"), to.AddDate(0, 0, -days))
	return from, to, err
}

func askedTime(text string, other time.Time) (time.Time, error) {
	if text == "" {
		return other, nil
	}
	for _, layout := range []string{time.RFC3339, time.DateOnly} {
		if t, err := time.Parse(layout, text); err == nil {
			return t, nil
		}
	}
	return time.Time{}, problem{Status: 400, Title: "A time cannot be read.", Detail: "Write it as 2026-10-01, or as 2026-10-01T08:00:00Z."}
}

func (w *Server) apiChart(rw http.ResponseWriter, r *http.Request, c caller) error {
	by, err := w.coordinator()
	if err != nil {
		return err
	}
	from, to, err := w.span(r.URL.Query(), 30)
	if err != nil {
		return err
	}
	ch, err := by.Chart(r.Context(), c.actor, r.PathValue("meter"), r.URL.Query().Get("lot"), from, to)
	if err != nil {
		return err
	}
	return answer(rw, ch)
}

type askAction struct {
	What    string `json:"what"`
	Control string `json:"control,omitempty"`
}

func (w *Server) apiAction(rw http.ResponseWriter, r *http.Request, c caller) error {
	by, err := w.coordinator()
	if err != nil {
		return err
	}
	var ask askAction
	if err := question(r, &ask); err != nil {
		return err
	}
	a, err := by.RecordAction(r.Context(), c.actor, r.PathValue("meter"), ask.What, ask.Control)
	if err != nil {
		return err
	}
	return answer(rw, a)
}

func (w *Server) apiLot(rw http.ResponseWriter, r *http.Request, c caller) error {
	by, err := w.coordinator()
	if err != nil {
		return err
	}
	n, err := by.NewLot(r.Context(), c.actor, r.URL.Query().Get("site"), r.PathValue("lot"))
	if err != nil {
		return err
	}
	return answer(rw, n)
}

type askReadBack struct {
	Site string `json:"site"`
	ISI  string `json:"isi"`
	MNPT string `json:"mnpt"`
}

func (w *Server) apiReadBack(rw http.ResponseWriter, r *http.Request, c caller) error {
	by, err := w.coordinator()
	if err != nil {
		return err
	}
	var ask askReadBack
	if err := question(r, &ask); err != nil {
		return err
	}
	b, err := by.ReadBackLot(r.Context(), c.actor, ask.Site, r.PathValue("lot"), ask.ISI, ask.MNPT)
	if err != nil {
		return err
	}
	return answer(rw, b)
}

type askDecision struct {
	Site     string `json:"site"`
	Decision string `json:"decision"`
	Reason   string `json:"reason"`
}

func (w *Server) apiDecideLot(rw http.ResponseWriter, r *http.Request, c caller) error {
	by, err := w.coordinator()
	if err != nil {
		return err
	}
	var ask askDecision
	if err := question(r, &ask); err != nil {
		return err
	}
	a, err := by.DecideLot(r.Context(), c.actor, ask.Site, r.PathValue("lot"), ask.Decision, ask.Reason)
	if err != nil {
		return err
	}
	return answer(rw, a)
}

// pairsWithin is how far the two of a pair may be apart if nobody says (ours).
const pairsWithin = 4 * time.Hour

func (w *Server) apiComparison(rw http.ResponseWriter, r *http.Request, c caller) error {
	by, err := w.coordinator()
	if err != nil {
		return err
	}
	q := r.URL.Query()
	from, to, err := w.span(q, 90)
	if err != nil {
		return err
	}
	within, err := spanWithin(q.Get("within"))
	if err != nil {
		return err
	}
	cmp, err := by.Compare(r.Context(), c.actor, q.Get("site"), q.Get("lot"), from, to, within)
	if err != nil {
		return err
	}
	return answer(rw, cmp)
}

func (w *Server) apiDeviceErrors(rw http.ResponseWriter, r *http.Request, c caller) error {
	by, err := w.coordinator()
	if err != nil {
		return err
	}
	q := r.URL.Query()
	from, to, err := w.span(q, 90)
	if err != nil {
		return err
	}
	e, err := by.DeviceErrors(r.Context(), c.actor, q.Get("by"), q.Get("site"), from, to)
	if err != nil {
		return err
	}
	return answer(rw, e)
}

// askTimeInRange stands in a body: a patient's number never stands in a URL.
type askTimeInRange struct {
	Authority string `json:"authority,omitempty"`
	Patient   string `json:"patient"`
	Low       string `json:"low,omitempty"`
	High      string `json:"high,omitempty"`
	From      string `json:"from,omitempty"`
	To        string `json:"to,omitempty"`
}

func (w *Server) apiTimeInRange(rw http.ResponseWriter, r *http.Request, c caller) error {
	by, err := w.coordinator()
	if err != nil {
		return err
	}
	var ask askTimeInRange
	if err := question(r, &ask); err != nil {
		return err
	}
	from, to, err := w.span(url.Values{"from": {ask.From}, "to": {ask.To}}, 365)
	if err != nil {
		return err
	}
	t, err := by.TimeInRange(r.Context(), c.actor, poct.PatientRef{Authority: ask.Authority, ID: ask.Patient}, ask.Low, ask.High, from, to)
	if err != nil {
		return err
	}
	return answer(rw, t)
}
