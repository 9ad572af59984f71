package web

import (
	"errors"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"tidegate/poct"
	"tidegate/review"
)

func accessPages() []route {
	return []route{
		{method: "GET", path: "/sign-in", may: anyone, page: true, do: (*Server).signInForm},
		{method: "POST", path: "/sign-in", may: anyone, page: true, do: (*Server).signIn},
		{method: "POST", path: "/sign-out", may: anyone, page: true, do: (*Server).signOut},
		{method: "GET", path: "/sign-in/set-password", may: anyone, page: true, do: (*Server).setUpForm},
		{method: "POST", path: "/sign-in/set-password", may: anyone, page: true, do: (*Server).setUp},
		{method: "GET", path: "/sign-in/provider", may: anyone, page: true, do: (*Server).toProvider},
		{method: "GET", path: "/sign-in/answer", may: anyone, page: true, do: (*Server).fromProvider},
		{method: "GET", path: "/password", may: signedIn, page: true, do: (*Server).passwordForm},
		{method: "POST", path: "/password", may: signedIn, page: true, do: (*Server).password},
		{method: "GET", path: "/users", may: admins, page: true, do: (*Server).users},
		{method: "POST", path: "/users", may: admins, page: true, do: (*Server).usersAdd},
		{method: "POST", path: "/users/{id}", may: admins, page: true, do: (*Server).usersChange},
		{method: "POST", path: "/users/{id}/reset", may: admins, page: true, do: (*Server).usersReset},
		{method: "POST", path: "/tokens", may: admins, page: true, do: (*Server).tokensAdd},
		{method: "POST", path: "/tokens/{id}/revoke", may: admins, page: true, do: (*Server).tokensRevoke},
	}
}

type usersView struct {
	Answer, Unsure string
	Users          []userRow
	Tokens         []tokenRow
	Shown          *shownOnce
	Add, AddToken  userFields // as typed, after a form that was not taken
	Days           string
	ReadOnly       bool
	Faults         []faultView
}

// shownOnce is a code or token: it stands on this one answer and nowhere else.
type shownOnce struct{ What, Text, Until, Next string }

type userRow struct {
	userFields
	State, Tone, Since string
	Disabled           bool
}

// userFields are the inputs of a form about a user or token.
type userFields struct {
	Form, Name, Sites, Operators string
	Roles                        []roleChoice
}

type roleChoice struct {
	Name string
	On   bool
}

type tokenRow struct {
	ID, Name, Roles, Sites, Does, State, Until, MadeBy string
	Holds                                              bool
}

func fieldsFor(form, name string, have, sites, operators []string) userFields {
	f := userFields{Form: form, Name: name, Sites: strings.Join(sites, " "), Operators: strings.Join(operators, " ")}
	for _, r := range roles {
		f.Roles = append(f.Roles, roleChoice{r, slices.Contains(have, r)})
	}
	return f
}

func (w *Server) users(rw http.ResponseWriter, r *http.Request, c caller) error {
	return w.usersPage(rw, r, c, http.StatusOK, usersView{})
}

func (w *Server) usersPage(rw http.ResponseWriter, r *http.Request, c caller, status int, v usersView) error {
	if w.s.Access == nil {
		return poct.ErrNotFound
	}
	users, err := w.s.Access.Users(r.Context())
	if err != nil {
		return err
	}
	tokens, err := w.s.Access.AccessTokens(r.Context())
	if err != nil {
		return err
	}
	now, may := w.s.Now(), 0
	for _, u := range users {
		row := userRow{userFields: fieldsFor("user-"+u.Name, u.Name, u.Roles, u.Sites, u.Operators), Since: clock(u.Made, now, time.UTC), Disabled: u.Disabled}
		switch {
		case u.Disabled:
			row.State, row.Tone = "locked out", "stop"
		case !u.Ready:
			row.State, row.Tone = "has not set a password yet", "hold"
		default:
			row.State, row.Tone = "may sign in", "tide"
			may++
		}
		v.Users = append(v.Users, row)
	}
	for _, t := range tokens {
		row := tokenRow{ID: t.ID, Name: t.Name, Roles: strings.Join(t.Roles, ", "), Sites: strings.Join(t.Sites, ", "), Until: clock(t.Expires, now, time.UTC), MadeBy: t.MadeBy, Does: "reads and acts", State: "holds"}
		if t.ReadOnly {
			row.Does = "reads"
		}
		switch {
		case !t.Revoked.IsZero():
			row.State = "revoked " + clock(t.Revoked, now, time.UTC)
		case !now.Before(t.Expires):
			row.State = "ended"
		default:
			row.Holds = true
		}
		v.Tokens = append(v.Tokens, row)
	}
	v.Answer = upperFirst(plural(may, "user")) + " may sign in here."
	v.Unsure = "Times are UTC. Tokens in the configuration and people of an identity provider are not among them."
	if v.Add.Form == "" {
		v.Add = fieldsFor("add", "", nil, nil, nil)
	}
	if v.AddToken.Form == "" {
		v.AddToken, v.ReadOnly, v.Days = fieldsFor("token", "", nil, nil, nil), true, strconv.Itoa(tokenDaysUsual)
	}
	v.AddToken.Roles = slices.DeleteFunc(v.AddToken.Roles, func(r roleChoice) bool { return r.Name == admin })
	return w.show(rw, r, c, status, "users", view{Title: "Users and tokens", At: "users", Body: v})
}

// usersFaults shows the page again with what is to be put right; any other
// failure goes on.
func (w *Server) usersFaults(rw http.ResponseWriter, r *http.Request, c caller, err error, v usersView, form string) error {
	var wrong *review.FormError
	if !errors.As(err, &wrong) {
		if errors.Is(err, poct.ErrNotAllowed) {
			return w.usersPage(rw, r, c, http.StatusUnprocessableEntity, usersView{Faults: []faultView{{form + "-roles", tail(err, poct.ErrNotAllowed)}}})
		}
		return err
	}
	for _, f := range wrong.Faults {
		v.Faults = append(v.Faults, faultView{form + "-" + f.Field, f.Text})
	}
	return w.usersPage(rw, r, c, http.StatusUnprocessableEntity, v)
}

// words are the parts of what was typed with spaces or commas between.
func words(s string) []string {
	return strings.FieldsFunc(s, func(r rune) bool { return r == ' ' || r == ',' || r == ';' || r == '\n' || r == '\r' || r == '\t' })
}

func (w *Server) accessForm(r *http.Request) error {
	if w.s.Access == nil {
		return poct.ErrNotFound
	}
	if err := r.ParseForm(); err != nil {
		return problem{Status: 400, Title: "The form cannot be read."}
	}
	return nil
}

func (w *Server) usersAdd(rw http.ResponseWriter, r *http.Request, c caller) error {
	if err := w.accessForm(r); err != nil {
		return err
	}
	u := poct.User{Name: r.PostForm.Get("name"), Roles: r.PostForm["role"], Sites: words(r.PostForm.Get("sites")), Operators: words(r.PostForm.Get("operators"))}
	typed := fieldsFor("add", u.Name, u.Roles, u.Sites, u.Operators)
	u, code, kept, err := w.addUser(r.Context(), c.actor.Name, u)
	if err != nil {
		return w.usersFaults(rw, r, c, err, usersView{Add: typed}, "add")
	}
	return w.usersPage(rw, r, c, http.StatusOK, usersView{Shown: w.codeShown(u.Name, code, kept.Expires)})
}

func (w *Server) codeShown(name, code string, until time.Time) *shownOnce {
	return &shownOnce{What: "Code for " + name, Text: code, Until: clock(until, w.s.Now(), time.UTC) + " UTC",
		Next: "Give it to them yourself. They open “Set a password” on the sign-in page, once."}
}

func (w *Server) usersChange(rw http.ResponseWriter, r *http.Request, c caller) error {
	if err := w.accessForm(r); err != nil {
		return err
	}
	name, disabled := r.PathValue("id"), r.PostForm.Get("disabled") != ""
	orNone := func(l []string) []string { return append([]string{}, l...) } // the form is whole: nothing chosen is none
	_, err := w.changeUser(r.Context(), c.actor.Name, name, orNone(r.PostForm["role"]), orNone(words(r.PostForm.Get("sites"))), orNone(words(r.PostForm.Get("operators"))), &disabled)
	if err != nil {
		return w.usersFaults(rw, r, c, err, usersView{}, "user-"+name)
	}
	w.sessions.say(c.session, notice{Text: "Changed: " + name + ". It holds from their next step on."})
	http.Redirect(rw, r, "/users", http.StatusSeeOther)
	return nil
}

func (w *Server) usersReset(rw http.ResponseWriter, r *http.Request, c caller) error {
	if err := w.accessForm(r); err != nil {
		return err
	}
	name := r.PathValue("id")
	code, kept, err := w.resetUser(r, c.actor.Name, name)
	if err != nil {
		return err
	}
	return w.usersPage(rw, r, c, http.StatusOK, usersView{Shown: w.codeShown(name, code, kept.Expires)})
}

// resetUser takes a user's password and sessions away and forgets their tries.
func (w *Server) resetUser(r *http.Request, by, name string) (string, poct.SetupCode, error) {
	code, kept := w.setupFor(name)
	if err := w.s.Access.ResetUser(r.Context(), by, kept); err != nil {
		return "", kept, err
	}
	return code, kept, w.s.Access.LetIn(r.Context(), tryKey("account", name))
}

func (w *Server) tokensAdd(rw http.ResponseWriter, r *http.Request, c caller) error {
	if err := w.accessForm(r); err != nil {
		return err
	}
	x := poct.AccessToken{Name: r.PostForm.Get("name"), Roles: r.PostForm["role"], Sites: words(r.PostForm.Get("sites")), ReadOnly: r.PostForm.Get("read_only") != ""}
	typed := r.PostForm.Get("days")
	days, err := strconv.Atoi(strings.TrimSpace(typed))
	if err != nil {
		days = -1 // told as a number of days that a token does not last
	}
	made, token, err := w.addToken(r.Context(), c.actor.Name, x, days)
	if err != nil {
		return w.usersFaults(rw, r, c, err, usersView{AddToken: fieldsFor("token", x.Name, x.Roles, x.Sites, nil), ReadOnly: x.ReadOnly, Days: typed}, "token")
	}
	return w.usersPage(rw, r, c, http.StatusOK, usersView{Shown: &shownOnce{What: "Token of " + made.Name, Text: token,
		Until: clock(made.Expires, w.s.Now(), time.UTC) + " UTC", Next: "Put it into a file of mode 0600 of the program that uses it. It is not shown again; whoever loses it gets a new one."}})
}

func (w *Server) tokensRevoke(rw http.ResponseWriter, r *http.Request, c caller) error {
	if err := w.accessForm(r); err != nil {
		return err
	}
	x, err := w.s.Access.RevokeToken(r.Context(), c.actor.Name, r.PathValue("id"))
	if err != nil {
		return err
	}
	w.sessions.say(c.session, notice{Text: "Revoked: the token of " + x.Name + "."})
	http.Redirect(rw, r, "/users", http.StatusSeeOther)
	return nil
}
