package web

import (
	"net/http"
	"strings"
)

type signInView struct {
	To     string
	Faults []faultView
}

func (w *Server) signInForm(rw http.ResponseWriter, r *http.Request, c caller) error {
	return w.show(rw, r, caller{}, http.StatusOK, "sign-in", view{Title: "Sign in", Body: signInView{To: local(r.URL.Query().Get("to"))}})
}

// local keeps an address only if it is one of ours.
func local(to string) string {
	if !strings.HasPrefix(to, "/") || strings.HasPrefix(to, "//") || strings.ContainsAny(to, "\\?#\r\n") {
		return "/"
	}
	return to
}

func (w *Server) signIn(rw http.ResponseWriter, r *http.Request, _ caller) error {
	if err := r.ParseForm(); err != nil {
		return problem{Status: 400, Title: "The form cannot be read."}
	}
	to := local(r.PostForm.Get("to"))
	actor, ok := w.byToken(strings.TrimSpace(r.PostForm.Get("token")))
	if !ok {
		w.s.Log.Warn().Msg("sign-in refused: token not known")
		return w.show(rw, r, caller{}, http.StatusForbidden, "sign-in", view{Title: "Sign in", Body: signInView{To: to,
			Faults: []faultView{{"token", "This token is not known here. Paste it whole, or ask whoever runs this daemon for yours."}}}})
	}
	if to == "/" {
		to = home(caller{actor: actor})
	}
	w.sessions.end(r)
	http.SetCookie(rw, w.sessions.begin(actor))
	w.s.Log.Info().Str("actor", actor.Name).Str("role", actor.Role).Msg("signed in")
	http.Redirect(rw, r, to, http.StatusSeeOther)
	return nil
}

func (w *Server) signOut(rw http.ResponseWriter, r *http.Request, c caller) error {
	w.sessions.end(r)
	http.SetCookie(rw, &http.Cookie{Name: cookieName, Path: "/", MaxAge: -1, HttpOnly: true, SameSite: http.SameSiteLaxMode})
	if c.actor.Name != "" {
		w.s.Log.Info().Str("actor", c.actor.Name).Msg("signed out")
	}
	http.Redirect(rw, r, "/sign-in", http.StatusSeeOther)
	return nil
}

// stay extends a session: the caller was touched by asking.
func (w *Server) stay(rw http.ResponseWriter, _ *http.Request, _ caller) error {
	rw.WriteHeader(http.StatusNoContent)
	return nil
}

func (w *Server) keys(rw http.ResponseWriter, r *http.Request, c caller) error {
	return w.show(rw, r, c, http.StatusOK, "keys", view{Title: "Keys", Body: nil})
}

// live is what a page asks for by itself, every so often: counts, no patient.
// It keeps no session alive.
func (w *Server) live(rw http.ResponseWriter, r *http.Request, c caller) error {
	out := struct {
		Waiting   int `json:"waiting"`
		Criticals int `json:"criticals"`
		Left      int `json:"left"` // seconds until this session ends by itself; -1: none
	}{Left: -1}
	if c.can(readers) {
		out.Waiting, out.Criticals = w.counts(r.Context(), c)
	}
	if c.session != nil {
		out.Left = int(w.sessions.left(c.session).Seconds())
	}
	return answer(rw, out)
}
