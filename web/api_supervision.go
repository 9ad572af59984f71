package web

import (
	"net/http"
	"slices"
	"strconv"

	"tidegate/poct"
	"tidegate/review"
)

var (
	judges     = []string{clinician, coordinator} // answer for results in doubt
	docReady   = &apiDoc{id: "readiness", summary: "Whether a meter may be used now, until when, and if not, why and what to do.", answer: jsonOf("Readiness"), refuses: []int{404}}
	docChecks  = &apiDoc{id: "checks", summary: "The table of checks, the laboratory's own rules among them.", answer: jsonOf("Checks")}
	docDoubts  = &apiDoc{id: "lookbacks", summary: "Look-backs after failed controls and recalls of strip lots, without their results.", answer: jsonOf("LookBacks"), refuses: []int{400}, query: append([]param{{"state", "string", "closed for those where all are judged; else open ones"}}, pageParams...)}
	docDoubt   = &apiDoc{id: "lookback", summary: "One look-back with a page of the results at the caller's sites. A look.", answer: jsonOf("LookBack"), refuses: []int{400, 404}, query: pageParams}
	docJudge   = &apiDoc{id: "judgeItem", summary: "Say of one result of a look-back: stands, repeat-asked or withdraw. version is the result's version that the person saw. With carry an empty reason is the one given last.", body: []content{jsonOf("Judge")}, answer: jsonOf("LookBack"), refuses: []int{400, 404, 409, 415, 422}}
	docWiden   = &apiDoc{id: "widenLookback", summary: "Move the beginning of a failed control's look-back back, never forward.", body: []content{jsonOf("Widen")}, answer: jsonOf("LookBack"), refuses: []int{400, 404, 415, 422}}
	docCalls   = &apiDoc{id: "calls", summary: "Critical results of the caller's sites with the calls about them, oldest first.", answer: jsonOf("Calls"), query: []param{{"state", "string", "all for those of whom somebody was told too; else open ones"}}}
	docCall    = &apiDoc{id: "call", summary: "Record a call about a critical result. Reached: the value as they read it back closes it. Not reached: it stays open.", body: []content{jsonOf("Call")}, answer: jsonOf("Acknowledged"), refuses: []int{400, 404, 409, 415, 422}}
	docTake    = &apiDoc{id: "withdraw", summary: "Take a result back from every record that has it. version is the result's version that the person saw; the old value stays readable.", body: []content{jsonOf("Withdraw")}, answer: jsonOf("Result"), refuses: []int{400, 404, 409, 415, 422}}
	pageParams = []param{{"after", "string", "the last id of the page before"}, {"limit", "integer", "1 to 1000, else 100"}}
)

func supervisionAPI() []route {
	return append(outletsAPI(), []route{
		{method: "GET", path: "/api/v1/meters/{serial}/readiness", may: meterUser, do: (*Server).apiReadiness, doc: docReady},
		{method: "GET", path: "/api/v1/checks", may: signedIn, do: (*Server).apiChecks, doc: docChecks},
		{method: "GET", path: "/api/v1/lookbacks", may: qualityReaders, do: (*Server).apiLookBacks, doc: docDoubts},
		{method: "GET", path: "/api/v1/lookbacks/{id}", may: qualityReaders, do: (*Server).apiLookBack, doc: docDoubt},
		{method: "POST", path: "/api/v1/lookbacks/{id}/items/{result}", may: judges, do: (*Server).apiJudge, doc: docJudge},
		{method: "POST", path: "/api/v1/lookbacks/{id}/widen", may: judges, do: (*Server).apiWiden, doc: docWiden},
		{method: "GET", path: "/api/v1/calls", may: readers, do: (*Server).apiCalls, doc: docCalls},
		{method: "POST", path: "/api/v1/results/{id}/call", may: staff, do: (*Server).apiCall, doc: docCall},
		{method: "POST", path: "/api/v1/results/{id}/withdraw", may: staff, do: (*Server).apiWithdraw, doc: docTake},
	}...)
}

// What is asked and answered here.
type (
	lookBackList struct {
		LookBacks []poct.LookBack `json:"lookbacks"`
		Next      string          `json:"next,omitempty"` // pass as ?after=
	}
	lookBackPage struct {
		poct.LookBack
		Next string `json:"next,omitempty"`
	}
	askJudge struct {
		Judged  poct.Judged `json:"judged"`
		Version int         `json:"version"`
		Reason  string      `json:"reason,omitempty"`
		Carry   bool        `json:"carry,omitempty"`
	}
	askWiden struct {
		From   string `json:"from"`
		Reason string `json:"reason"`
	}
	callList struct {
		Calls []poct.Critical `json:"calls"`
	}
	askCall struct {
		To       string `json:"to"`
		Reached  *bool  `json:"reached"`
		ReadBack string `json:"read_back,omitempty"`
		Comment  string `json:"comment,omitempty"`
	}
	askWithdraw struct {
		Version int    `json:"version"`
		Reason  string `json:"reason"`
	}
)

func supervisionSchemas() object {
	return object{
		"Readiness": shapeOf[poct.Readiness](), "Checks": object{"type": "object", "required": []string{"checks"}, "properties": object{"checks": shapeOf[[]CheckInfo]()}},
		"LookBacks": shapeOf[lookBackList](), "LookBack": shapeOf[lookBackPage](), "Judge": shapeOf[askJudge](), "Widen": shapeOf[askWiden](),
		"Calls": shapeOf[callList](), "Call": shapeOf[askCall](), "Withdraw": shapeOf[askWithdraw](),
	}
}

func (w *Server) apiReadiness(rw http.ResponseWriter, r *http.Request, c caller) error {
	_, ready, err := w.readiness(r.Context(), c, r.PathValue("serial"))
	if err != nil {
		return err
	}
	return answer(rw, ready)
}

func (w *Server) apiChecks(rw http.ResponseWriter, _ *http.Request, _ caller) error {
	return answer(rw, map[string][]CheckInfo{"checks": none(w.s.Checks)})
}

// limitOf reads how many rows a page of the API has.
func limitOf(r *http.Request) (int, error) {
	text := r.URL.Query().Get("limit")
	if text == "" {
		return 100, nil
	}
	n, err := strconv.Atoi(text)
	if err != nil || n < 1 || n > 1000 {
		return 0, problem{Status: 400, Title: "The limit is out of range.", Detail: "Write a number from 1 to 1000."}
	}
	return n, nil
}

func (w *Server) apiLookBacks(rw http.ResponseWriter, r *http.Request, c caller) error {
	limit, err := limitOf(r)
	if err != nil {
		return err
	}
	q := r.URL.Query()
	all, err := w.s.Reader.LookBacks(r.Context(), q.Get("state") != "closed", q.Get("after"), limit)
	if err != nil {
		return err
	}
	out := lookBackList{LookBacks: []poct.LookBack{}}
	if len(all) == limit {
		out.Next = all[limit-1].ID
	}
	for _, b := range all {
		if seesLookBack(c, b) {
			b.Items = []poct.LookBackItem{}
			out.LookBacks = append(out.LookBacks, b)
		}
	}
	return answer(rw, out)
}

func (w *Server) apiLookBack(rw http.ResponseWriter, r *http.Request, c caller) error {
	limit, err := limitOf(r)
	if err != nil {
		return err
	}
	b, next, err := w.lookBackPage(r.Context(), c, r.PathValue("id"), r.URL.Query().Get("after"), limit)
	if err != nil {
		return err
	}
	return answer(rw, lookBackPage{b, next})
}

// stands answers with the look-back as it is now, without its results.
func (w *Server) stands(rw http.ResponseWriter, r *http.Request) error {
	b, err := w.s.Reader.LookBack(r.Context(), r.PathValue("id"), "", 1)
	if err != nil {
		return err
	}
	b.Items = []poct.LookBackItem{}
	return answer(rw, lookBackPage{LookBack: b})
}

func (w *Server) apiJudge(rw http.ResponseWriter, r *http.Request, c caller) error {
	var in askJudge
	if err := question(r, &in); err != nil {
		return err
	}
	j := poct.Judgement{Result: r.PathValue("result"), Version: in.Version, Judged: in.Judged, Reason: in.Reason}
	if err := w.s.Desk.JudgeItem(r.Context(), c.actor, r.PathValue("id"), j, in.Carry); err != nil {
		return err
	}
	return w.stands(rw, r)
}

func (w *Server) apiWiden(rw http.ResponseWriter, r *http.Request, c caller) error {
	var in askWiden
	if err := question(r, &in); err != nil {
		return err
	}
	from, err := askedTime(in.From, w.s.Now())
	if err != nil || in.From == "" {
		return &review.FormError{Faults: []review.Fault{{Field: "from", Text: "Write from when on results are in doubt, as 2026-10-01T08:00:00Z."}}}
	}
	if err := w.s.Desk.WidenLookBack(r.Context(), c.actor, r.PathValue("id"), from, in.Reason); err != nil {
		return err
	}
	return w.stands(rw, r)
}

func (w *Server) apiCalls(rw http.ResponseWriter, r *http.Request, c caller) error {
	all, err := w.s.Reader.Criticals(r.Context(), r.URL.Query().Get("state") != "all")
	if err != nil {
		return err
	}
	out := callList{Calls: none(slices.DeleteFunc(slices.Clone(all), func(x poct.Critical) bool { return !sees(c, x.Site) }))}
	var ids []string
	for _, x := range out.Calls {
		ids = append(ids, x.Result)
	}
	if err := w.s.Desk.Look(r.Context(), c.actor, ids, lookedAt("inr")); err != nil {
		return err
	}
	return answer(rw, out)
}

// apiCall needs to be told whether somebody was reached; apiAcknowledge takes
// it that somebody was, unless told otherwise.
func (w *Server) apiCall(rw http.ResponseWriter, r *http.Request, c caller) error {
	var in askCall
	if err := question(r, &in); err != nil {
		return err
	}
	if in.Reached == nil {
		return &review.FormError{Faults: []review.Fault{{Field: "reached", Text: "Say whether somebody was reached: true or false."}}}
	}
	return w.recordCall(rw, r, c, in)
}

func (w *Server) apiAcknowledge(rw http.ResponseWriter, r *http.Request, c caller) error {
	yes := true
	in := askCall{Reached: &yes}
	if err := question(r, &in); err != nil {
		return err
	}
	if in.Reached == nil {
		in.Reached = &yes
	}
	return w.recordCall(rw, r, c, in)
}

func (w *Server) recordCall(rw http.ResponseWriter, r *http.Request, c caller, in askCall) error {
	call := poct.CallTry{Result: r.PathValue("id"), To: in.To, Reached: *in.Reached, ReadBack: in.ReadBack, Comment: in.Comment}
	if err := w.s.Desk.Call(r.Context(), c.actor, call); err != nil {
		return err
	}
	told := ""
	if call.Reached {
		told = c.actor.Name
	}
	return answer(rw, map[string]string{"result": call.Result, "told": told})
}

func (w *Server) apiWithdraw(rw http.ResponseWriter, r *http.Request, c caller) error {
	var in askWithdraw
	if err := question(r, &in); err != nil {
		return err
	}
	if err := w.s.Desk.Withdraw(r.Context(), c.actor, r.PathValue("id"), in.Version, in.Reason); err != nil {
		return err
	}
	return w.apiResult(rw, r, c)
}
