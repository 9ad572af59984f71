package web

import (
	"errors"
	"fmt"
	"math"
	"net/http"
	"strconv"
	"strings"
	"time"

	"tidegate/poct"
	"tidegate/review"
)

type signInView struct {
	To, Name  string
	Passwords bool   // people may sign in by name and password
	Awaits    bool   // there is no user yet
	Provider  string // what the link to the identity provider says; "" if there is none
	Faults    []faultView
}

func (w *Server) signInForm(rw http.ResponseWriter, r *http.Request, _ caller) error {
	return w.signInPage(rw, r, http.StatusOK, signInView{To: local(r.URL.Query().Get("to"))})
}

func (w *Server) signInPage(rw http.ResponseWriter, r *http.Request, status int, v signInView) error {
	if w.s.Access != nil {
		v.Passwords = true
		var err error
		if v.Awaits, err = w.s.Access.AwaitsFirst(r.Context()); err != nil {
			return err
		}
	}
	if w.provider != nil {
		v.Provider = w.provider.s.Label
	}
	return w.show(rw, r, caller{}, status, "sign-in", view{Title: "Sign in", Body: v})
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
	v := signInView{To: local(r.PostForm.Get("to")), Name: userName(r.PostForm.Get("name"))}
	if w.s.Access != nil && (v.Name != "" || r.PostForm.Get("password") != "") {
		return w.signInByPassword(rw, r, v)
	}
	actor, tie, ok := w.byToken(strings.TrimSpace(r.PostForm.Get("token")))
	if !ok {
		w.s.Log.Warn().Msg("sign-in refused: token not known")
		v.Faults = []faultView{{"token", "This token is not known here. Paste it whole, or ask whoever runs this daemon for yours."}}
		return w.signInPage(rw, r, http.StatusForbidden, v)
	}
	return w.enter(rw, r, actor, poct.ByToken, tie, v.To)
}

// enter begins a session under a cookie that is new and leads to the page that
// was asked for.
func (w *Server) enter(rw http.ResponseWriter, r *http.Request, actor poct.Actor, how poct.SignInWay, bond, to string) error {
	if c, err := r.Cookie(w.cookieName(r)); err == nil {
		w.sessions.endKey(r.Context(), keyOf(c.Value))
	}
	value, err := w.sessions.begin(r.Context(), actor, how, bond)
	if err != nil {
		return err
	}
	http.SetCookie(rw, w.cookie(r, value))
	w.s.Log.Info().Str("actor", actor.Name).Str("role", actor.Role).Str("by", string(how)).Msg("signed in")
	if to == "/" {
		to = home(caller{actor: actor})
	}
	http.Redirect(rw, r, to, http.StatusSeeOther)
	return nil
}

func (w *Server) signInByPassword(rw http.ResponseWriter, r *http.Request, v signInView) error {
	if v.Name == "" {
		v.Faults = []faultView{{"name", "Write your name as well."}}
		return w.signInPage(rw, r, http.StatusForbidden, v)
	}
	good, wait, err := w.proven(r, v.Name, func() (bool, error) {
		hash, err := w.s.Access.PasswordHash(r.Context(), v.Name)
		if err != nil {
			return false, err
		}
		return matches(r.Context(), r.PostForm.Get("password"), hash)
	})
	switch {
	case err != nil:
		return err
	case wait > 0:
		v.Faults = []faultView{{"password", tooMany(rw, wait)}}
		return w.signInPage(rw, r, http.StatusTooManyRequests, v)
	case !good:
		v.Faults = []faultView{{"password", "This name and password do not belong together. After five tries each further one waits longer. Whoever administers tidegate can give you a code for a new password."}}
		return w.signInPage(rw, r, http.StatusForbidden, v)
	}
	u, err := w.s.Access.User(r.Context(), v.Name)
	if err != nil {
		return err
	}
	return w.enter(rw, r, u.Actor(), poct.ByPassword, "", v.To)
}

// proven judges one try of somebody to show who they are. It is counted first,
// so that many at once run into the pause as well. Whether the name is known
// changes neither the answer nor what is done for it.
func (w *Server) proven(r *http.Request, name string, try func() (bool, error)) (good bool, wait time.Duration, err error) {
	ctx := r.Context()
	own, from := tryKey("account", name), tryKey("address", w.client(r).String())
	wait, err = w.s.Access.Try(ctx, []string{own, from}, pauses(own))
	if err != nil || wait > 0 {
		return false, wait, err
	}
	if good, err = try(); err != nil {
		return false, 0, err
	}
	if good {
		return true, 0, w.s.Access.LetIn(ctx, own, from)
	}
	known := name
	if _, err := w.s.Access.User(ctx, name); err != nil {
		if !errors.Is(err, poct.ErrNotFound) {
			return false, 0, err
		}
		known = ""
	}
	w.s.Log.Warn().Str("actor", known).Msg("sign-in refused: what was shown does not fit the name")
	return false, 0, w.s.Access.NotLetIn(ctx, known)
}

func tooMany(rw http.ResponseWriter, wait time.Duration) string {
	seconds := int(math.Ceil(wait.Seconds()))
	rw.Header().Set("Retry-After", strconv.Itoa(seconds))
	return "There were too many tries. Wait " + plural(seconds, "second") + ", then try again; this one was not looked at."
}

type setUpView struct {
	Name   string
	First  bool
	Least  int
	Faults []faultView
}

// setUpForm is where a person sets their password by a code.
func (w *Server) setUpForm(rw http.ResponseWriter, r *http.Request, _ caller) error {
	return w.setUpPage(rw, r, http.StatusOK, setUpView{})
}

func (w *Server) setUpPage(rw http.ResponseWriter, r *http.Request, status int, v setUpView) error {
	if w.s.Access == nil {
		return poct.ErrNotFound
	}
	var err error
	if v.First, err = w.s.Access.AwaitsFirst(r.Context()); err != nil {
		return err
	}
	v.Least = passwordLeast
	return w.show(rw, r, caller{}, status, "set-password", view{Title: "Set a password", Body: v})
}

func (w *Server) setUp(rw http.ResponseWriter, r *http.Request, _ caller) error {
	if w.s.Access == nil {
		return poct.ErrNotFound
	}
	if err := r.ParseForm(); err != nil {
		return problem{Status: 400, Title: "The form cannot be read."}
	}
	v := setUpView{Name: userName(r.PostForm.Get("name"))}
	password := r.PostForm.Get("password")
	if !userNameForm.MatchString(v.Name) || v.Name == poct.System || w.hasToken(v.Name) {
		v.Faults = append(v.Faults, faultView{"name", "A name has 2 to 64 small letters, figures, points or dashes, such as n.kaya, and is nobody else's."})
	}
	v.Faults = append(v.Faults, faultViews(passwordFaults(password, r.PostForm.Get("again")))...)
	if len(v.Faults) > 0 {
		return w.setUpPage(rw, r, http.StatusUnprocessableEntity, v)
	}
	good, wait, err := w.proven(r, v.Name, func() (bool, error) {
		hash, err := hashOf(r.Context(), password)
		if err != nil {
			return false, err
		}
		err = w.s.Access.Redeem(r.Context(), v.Name, codeKey(r.PostForm.Get("code")), hash)
		if errors.Is(err, poct.ErrNotFound) {
			return false, nil
		}
		return err == nil, err
	})
	switch {
	case err != nil:
		return err
	case wait > 0:
		v.Faults = []faultView{{"code", tooMany(rw, wait)}}
		return w.setUpPage(rw, r, http.StatusTooManyRequests, v)
	case !good:
		v.Faults = []faultView{{"code", "This code is not for this name, was used already, or is older than a day. Ask whoever administers tidegate for another; the first administrator's stands in what the daemon wrote at its last start."}}
		return w.setUpPage(rw, r, http.StatusForbidden, v)
	}
	u, err := w.s.Access.User(r.Context(), v.Name)
	if err != nil {
		return err
	}
	return w.enter(rw, r, u.Actor(), poct.ByPassword, "", "/")
}

func faultViews(faults []review.Fault) []faultView {
	var out []faultView
	for _, f := range faults {
		out = append(out, faultView{f.Field, f.Text})
	}
	return out
}

type passwordView struct {
	Least  int
	Faults []faultView
}

// passwordForm is where a person who signed in by password changes it.
func (w *Server) passwordForm(rw http.ResponseWriter, r *http.Request, c caller) error {
	return w.passwordPage(rw, r, c, http.StatusOK, nil)
}

func (w *Server) passwordPage(rw http.ResponseWriter, r *http.Request, c caller, status int, faults []faultView) error {
	if w.s.Access == nil || c.session == nil || c.session.how != poct.ByPassword {
		return problem{Status: 404, Title: "You did not sign in by a password of this program.", Detail: "Change it where it was given to you."}
	}
	return w.show(rw, r, c, status, "password", view{Title: "Your password", Body: passwordView{passwordLeast, faults}})
}

func (w *Server) password(rw http.ResponseWriter, r *http.Request, c caller) error {
	if w.s.Access == nil || c.session == nil || c.session.how != poct.ByPassword {
		return w.passwordPage(rw, r, c, http.StatusOK, nil)
	}
	if err := r.ParseForm(); err != nil {
		return problem{Status: 400, Title: "The form cannot be read."}
	}
	password := r.PostForm.Get("password")
	if faults := passwordFaults(password, r.PostForm.Get("again")); len(faults) > 0 {
		return w.passwordPage(rw, r, c, http.StatusUnprocessableEntity, faultViews(faults))
	}
	good, wait, err := w.proven(r, c.actor.Name, func() (bool, error) {
		hash, err := w.s.Access.PasswordHash(r.Context(), c.actor.Name)
		if err != nil {
			return false, err
		}
		return matches(r.Context(), r.PostForm.Get("present"), hash)
	})
	switch {
	case err != nil:
		return err
	case wait > 0:
		return w.passwordPage(rw, r, c, http.StatusTooManyRequests, []faultView{{"present", tooMany(rw, wait)}})
	case !good:
		return w.passwordPage(rw, r, c, http.StatusForbidden, []faultView{{"present", "This is not your present password."}})
	}
	hash, err := hashOf(r.Context(), password)
	if err != nil {
		return err
	}
	if err := w.s.Access.SetPassword(r.Context(), c.actor.Name, hash, c.session.key); err != nil {
		return fmt.Errorf("change a password: %w", err)
	}
	w.sessions.say(c.session, notice{Text: "Your password is changed. You are signed out everywhere else."})
	http.Redirect(rw, r, home(c), http.StatusSeeOther)
	return nil
}

func (w *Server) signOut(rw http.ResponseWriter, r *http.Request, c caller) error {
	if k, err := r.Cookie(w.cookieName(r)); err == nil {
		w.sessions.endKey(r.Context(), keyOf(k.Value))
	}
	gone := w.cookie(r, "")
	gone.MaxAge = -1
	http.SetCookie(rw, gone)
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
