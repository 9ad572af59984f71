package web

import (
	"context"
	"errors"
	"net/http"

	"tidegate/poct"
)

// Outlets tells how each outlet does, and lets people pause and resume them.
type Outlets interface {
	List(ctx context.Context) ([]poct.OutletState, error)
	Pause(ctx context.Context, actor poct.Actor, outlet, reason string) error
	Resume(ctx context.Context, actor poct.Actor, outlet, reason string) error
}

var (
	turners    = []string{engineer, coordinator}
	docOutlets = &apiDoc{id: "outlets", summary: "How each outlet does: its backlog, since when the oldest of it waits, and who paused it and why.", answer: jsonOf("Outlets")}
	docPause   = &apiDoc{id: "pauseOutlet", summary: "Keep what is released for an outlet back until it is resumed, also over a restart. The reason has ten characters or more.", body: []content{jsonOf("TurnOutlet")}, answer: jsonOf("Outlet"), refuses: []int{400, 404, 409, 415, 422}}
	docResume  = &apiDoc{id: "resumeOutlet", summary: "Let go, in order, what was kept back.", body: []content{jsonOf("TurnOutlet")}, answer: jsonOf("Outlet"), refuses: []int{400, 404, 409, 415, 422}}
)

func outletsAPI() []route {
	return []route{
		{method: "GET", path: "/api/v1/outlets", may: countings, do: (*Server).apiOutlets, doc: docOutlets},
		{method: "POST", path: "/api/v1/outlets/{id}/pause", may: turners, do: (*Server).apiPause, doc: docPause},
		{method: "POST", path: "/api/v1/outlets/{id}/resume", may: turners, do: (*Server).apiResume, doc: docResume},
	}
}

type (
	outletList struct {
		Outlets []poct.OutletState `json:"outlets"`
	}
	askTurn struct {
		Reason string `json:"reason"`
	}
)

func outletSchemas() object {
	return object{"Outlets": shapeOf[outletList](), "Outlet": shapeOf[poct.OutletState](), "TurnOutlet": shapeOf[askTurn]()}
}

// outlets lists them; an error where this server was not told of any.
func (w *Server) outlets(ctx context.Context) ([]poct.OutletState, error) {
	if w.s.Outlets == nil {
		return nil, poct.ErrNotFound
	}
	return w.s.Outlets.List(ctx)
}

func (w *Server) apiOutlets(rw http.ResponseWriter, r *http.Request, _ caller) error {
	all, err := w.outlets(r.Context())
	if err != nil {
		return err
	}
	return answer(rw, outletList{none(all)})
}

func (w *Server) apiPause(rw http.ResponseWriter, r *http.Request, c caller) error {
	return w.turnOutlet(rw, r, c, Outlets.Pause)
}

func (w *Server) apiResume(rw http.ResponseWriter, r *http.Request, c caller) error {
	return w.turnOutlet(rw, r, c, Outlets.Resume)
}

func (w *Server) turnOutlet(rw http.ResponseWriter, r *http.Request, c caller, turn func(Outlets, context.Context, poct.Actor, string, string) error) error {
	var in askTurn
	if err := question(r, &in); err != nil {
		return err
	}
	if w.s.Outlets == nil {
		return poct.ErrNotFound
	}
	id := r.PathValue("id")
	err := turn(w.s.Outlets, r.Context(), c.actor, id, in.Reason)
	if errors.Is(err, poct.ErrSoAlready) {
		return problem{Status: 409, Code: "so-already", Title: "The outlet is so already.", Detail: "Nothing was changed. Read how it does before you act."}
	}
	if err != nil {
		return err
	}
	all, err := w.outlets(r.Context())
	if err != nil {
		return err
	}
	for _, o := range all {
		if o.ID == id {
			return answer(rw, o)
		}
	}
	return poct.ErrNotFound
}
