package web

import (
	"encoding/json"
	"errors"
	"net/http"
	"runtime/debug"
	"strings"

	"tidegate/poct"
	"tidegate/review"
)

// csp lets a page load its own style, script, font and icon and nothing else:
// no inline script or style, no frame, no form to elsewhere.
const csp = "default-src 'none'; style-src 'self'; script-src 'self'; font-src 'self'; img-src 'self'; connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"

// maxBody bounds what a request may carry, far above a registry of a region.
const maxBody = 32 << 20

// mux registers the table.
func (w *Server) mux() *http.ServeMux {
	m := http.NewServeMux()
	for _, r := range table() {
		m.HandleFunc(r.method+" "+r.path, w.serve(r))
	}
	m.HandleFunc("/", func(rw http.ResponseWriter, r *http.Request) {
		w.fail(rw, r, route{page: !strings.HasPrefix(r.URL.Path, "/api/")}, caller{}, problem{Status: 404, Title: "Nothing is at this address."})
	})
	return m
}

// guard sets the headers every answer carries, refuses posts from other
// origins, and turns a panic into a plain answer and a log line without data.
func (w *Server) guard(next http.Handler) http.Handler {
	cross := http.NewCrossOriginProtection()
	cross.SetDenyHandler(http.HandlerFunc(func(rw http.ResponseWriter, r *http.Request) {
		w.fail(rw, r, route{}, caller{}, problem{Status: 403, Title: "This request came from another site's page.", Detail: "Open tidegate itself and do it there."})
	}))
	guarded := cross.Handler(next)
	return http.HandlerFunc(func(rw http.ResponseWriter, r *http.Request) {
		h := rw.Header()
		h.Set("Content-Security-Policy", csp)
		h.Set("Referrer-Policy", "no-referrer")
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("Cross-Origin-Opener-Policy", "same-origin")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		h.Set("Permissions-Policy", "camera=(), geolocation=(), microphone=()")
		h.Set("Cache-Control", "no-store")
		if w.secure(r) {
			h.Set("Strict-Transport-Security", "max-age=31536000")
		}
		r.Body = http.MaxBytesReader(rw, r.Body, maxBody)
		if why := w.turnedAway(r); why != nil {
			w.fail(rw, r, route{}, caller{}, *why)
			return
		}
		defer func() {
			if p := recover(); p != nil {
				if p == http.ErrAbortHandler {
					panic(p)
				}
				// The value of a panic may quote what was being handled: the place is enough.
				w.s.Log.Error().Str("route", r.Pattern).Bytes("stack", debug.Stack()).Msg("a page stopped half way")
				w.fail(rw, r, route{}, caller{}, problem{Status: 500, Title: "This page could not be made.", Detail: "It has been logged. Nothing was changed."})
			}
		}()
		guarded.ServeHTTP(rw, r)
	})
}

// turnedAway says why a request is not looked at: it crossed a network
// unprotected, or too many came from its address.
func (w *Server) turnedAway(r *http.Request) *problem {
	from := w.client(r)
	switch {
	case r.URL.Path == "/healthz" || r.URL.Path == "/readyz": // asked by whoever supervises, and told nothing else
		return nil
	case w.open(r):
		return &problem{Status: 403, Title: "These pages are read over TLS alone.", Detail: "Use the address that begins with https. Whoever runs the proxy: it must be listed in web.behind and send X-Forwarded-Proto: https."}
	case from.IsValid() && !w.byPlace.allow(from.String()):
		return &problem{Status: 429, Title: "Too many requests came from this address.", Detail: "Wait a minute, then go on."}
	}
	return nil
}

// asKey marks a request as coming from a person who is known already.
type asKey struct{}

// serve finds out who asks, whether their role may, and runs the handler.
func (w *Server) serve(r route) http.HandlerFunc {
	return func(rw http.ResponseWriter, req *http.Request) {
		c, known := w.caller(req, !r.quiet)
		if as, ok := req.Context().Value(asKey{}).(poct.Actor); ok {
			c, known = caller{actor: as}, true
		}
		switch {
		case r.may == nil:
		case known && !w.byPerson.allow(c.actor.Name):
			w.fail(rw, req, r, c, problem{Status: 429, Title: "Too many requests came in your name.", Detail: "Wait a minute, then go on."})
			return
		case !known && r.page:
			to := "/sign-in"
			if req.Method == http.MethodGet && req.URL.Path != "/" {
				to += "?to=" + req.URL.Path // ids only: no patient data
			}
			http.Redirect(rw, req, to, http.StatusSeeOther)
			return
		case !known:
			rw.Header().Set("WWW-Authenticate", `Bearer realm="tidegate"`)
			w.fail(rw, req, r, c, problem{Status: 401, Title: "This needs an access token.", Detail: "Send the header Authorization: Bearer, followed by your token."})
			return
		case !c.can(r.may):
			w.s.Log.Warn().Str("actor", c.actor.Name).Str("role", c.actor.Role).Str("route", req.Pattern).Msg("refused: not for this role")
			w.fail(rw, req, r, c, problem{Status: 403, Title: "This is not open to your role.", Detail: "Your role is " + c.actor.Role + "; this is for " + list(r.may, "or") + ". Ask your coordinator."})
			return
		case c.readOnly && !r.reads():
			w.fail(rw, req, r, c, problem{Status: 403, Title: "This token only reads.", Detail: "Ask whoever administers tidegate for one that may act."})
			return
		}
		if err := r.do(w, rw, req, c); err != nil {
			w.fail(rw, req, r, c, w.toProblem(req, err))
		}
	}
}

// caller reads a bearer token or a session. A request with a token that is
// not known is nobody, whatever its cookie says.
func (w *Server) caller(r *http.Request, touch bool) (caller, bool) {
	if h := r.Header.Get("Authorization"); h != "" {
		token, bearer := strings.CutPrefix(h, "Bearer ")
		token = strings.TrimSpace(token)
		if actor, _, ok := w.byToken(token); ok && bearer {
			return caller{actor: actor}, true
		}
		actor, readOnly, ok := w.byMadeToken(r.Context(), token)
		return caller{actor: actor, readOnly: readOnly}, bearer && ok
	}
	k, err := r.Cookie(w.cookieName(r))
	if err != nil {
		return caller{}, false
	}
	s, kept, ok := w.sessions.of(r.Context(), k.Value, touch)
	if !ok || kept.How == poct.ByToken && !w.bound(kept.Bond) {
		return caller{}, false
	}
	return caller{actor: kept.Actor, session: s}, true
}

// problem is an RFC 9457 problem report; as an error it ends a handler.
type problem struct {
	Type   string         `json:"type"`
	Title  string         `json:"title"`
	Status int            `json:"status"`
	Detail string         `json:"detail,omitempty"`
	Code   string         `json:"code,omitempty"` // stable name: overtaken, not-allowed, forbidden ...
	Faults []review.Fault `json:"faults,omitempty"`
}

func (p problem) Error() string { return p.Title }

// toProblem is the one place where an error becomes words for a user. What it
// does not know is ours: logged with its route, told without detail.
func (w *Server) toProblem(r *http.Request, err error) problem {
	var p problem
	var form *review.FormError
	var size *http.MaxBytesError
	switch {
	case errors.As(err, &p):
		return p
	case errors.As(err, &form):
		return problem{Status: 422, Code: "form", Title: "Something is still to be put right.", Detail: form.Error(), Faults: form.Faults}
	case errors.As(err, &size):
		return problem{Status: 413, Title: "This is more than can be taken at once.", Detail: "Send it in parts of at most 32 MiB."}
	case errors.Is(err, poct.ErrNotFound):
		return problem{Status: 404, Code: "not-found", Title: "Nothing here has this id.", Detail: "It may belong to a site that is not yours."}
	case errors.Is(err, poct.ErrOvertaken):
		return problem{Status: 409, Code: "overtaken", Title: "Somebody else settled this meanwhile.", Detail: "Nothing of yours was sent. Read it again before you act."}
	case errors.Is(err, poct.ErrNotAllowed):
		return problem{Status: 422, Code: "not-allowed", Title: "This act is not allowed for this check.", Detail: tail(err, poct.ErrNotAllowed)}
	case errors.Is(err, poct.ErrForbidden):
		return problem{Status: 403, Code: "forbidden", Title: "This is not yours to settle.", Detail: tail(err, poct.ErrForbidden)}
	case errors.Is(err, ErrUnsigned):
		return problem{Status: 404, Code: "unsigned", Title: "This event is not under a signed head yet.", Detail: "Ask again in a minute."}
	case r.Context().Err() != nil:
		return problem{Status: 503, Title: "The request was given up before it was answered."}
	}
	w.s.Log.Error().Err(err).Str("route", r.Pattern).Msg("a request could not be answered")
	return problem{Status: 500, Title: "This could not be answered.", Detail: "It has been logged. What was on its way goes on by itself."}
}

// tail is what the rules wrote for a person around a sentinel, with or without
// the sentinel's own text before it; "" if there is nothing.
func tail(err, sentinel error) string {
	for e := err; e != nil; e = errors.Unwrap(e) {
		if errors.Unwrap(e) == sentinel {
			return sentence(strings.TrimPrefix(e.Error(), sentinel.Error()+": "))
		}
	}
	return ""
}

func (w *Server) fail(rw http.ResponseWriter, r *http.Request, in route, c caller, p problem) {
	if in.page {
		w.problemPage(rw, r, c, p)
		return
	}
	if p.Code != "" {
		p.Type = "urn:tidegate:problem:" + p.Code
	} else { // RFC 9457 4.2.1: a problem without a type of its own is titled by its status
		p.Type, p.Detail, p.Title = "about:blank", strings.TrimSpace(p.Title+" "+p.Detail), http.StatusText(p.Status)
	}
	rw.Header().Set("Content-Type", "application/problem+json")
	rw.WriteHeader(p.Status)
	_ = json.NewEncoder(rw).Encode(p) // the caller is gone if this fails
}

// list joins words with commas and a last word between.
func list(words []string, last string) string {
	switch n := len(words); n {
	case 0:
		return ""
	case 1:
		return words[0]
	default:
		return strings.Join(words[:n-1], ", ") + " " + last + " " + words[n-1]
	}
}
