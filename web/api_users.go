package web

import (
	"net/http"
	"time"

	"tidegate/poct"
)

func accessAPI() []route {
	return []route{
		{method: "GET", path: "/api/v1/users", may: admins, do: (*Server).apiUsers, doc: docUsers},
		{method: "POST", path: "/api/v1/users", may: admins, do: (*Server).apiUsersAdd, doc: docUsersAdd},
		{method: "POST", path: "/api/v1/users/{id}", may: admins, do: (*Server).apiUsersChange, doc: docUsersChange},
		{method: "POST", path: "/api/v1/users/{id}/reset", may: admins, do: (*Server).apiUsersReset, doc: docUsersReset},
		{method: "GET", path: "/api/v1/tokens", may: admins, do: (*Server).apiTokens, doc: docTokens},
		{method: "POST", path: "/api/v1/tokens", may: admins, do: (*Server).apiTokensAdd, doc: docTokensAdd},
		{method: "POST", path: "/api/v1/tokens/{id}/revoke", may: admins, do: (*Server).apiTokensRevoke, doc: docTokensRevoke},
	}
}

var (
	docUsers       = &apiDoc{id: "users", summary: "Who may sign in with a password.", answer: jsonOf("Users"), refuses: []int{404}}
	docUsersAdd    = &apiDoc{id: "usersAdd", summary: "Add a user. They set their password by the code, once, within a day; it is told in this answer alone.", body: []content{jsonOf("NewUser")}, answer: jsonOf("UserCode"), refuses: []int{400, 404, 415, 422}}
	docUsersChange = &apiDoc{id: "usersChange", summary: "Give a user these roles, sites and operator numbers, or lock them out; what is left out stays.", body: []content{jsonOf("UserChange")}, answer: jsonOf("User"), refuses: []int{400, 404, 415, 422}}
	docUsersReset  = &apiDoc{id: "usersReset", summary: "Take a user's password and sessions away and make a code for a new password.", answer: jsonOf("UserCode"), refuses: []int{404}}

	docTokens       = &apiDoc{id: "tokens", summary: "Access tokens that were made here, without the tokens themselves.", answer: jsonOf("Tokens"), refuses: []int{404}}
	docTokensAdd    = &apiDoc{id: "tokensAdd", summary: "Make an access token. It is told in this answer alone.", body: []content{jsonOf("NewToken")}, answer: jsonOf("MadeToken"), refuses: []int{400, 404, 415, 422}}
	docTokensRevoke = &apiDoc{id: "tokensRevoke", summary: "Take an access token back.", answer: jsonOf("Token"), refuses: []int{404}}
)

// What the API takes and gives about access.
type (
	usersJSON struct {
		Users []poct.User `json:"users"`
	}
	newUserJSON struct {
		Name      string   `json:"name"`
		Roles     []string `json:"roles"`
		Sites     []string `json:"sites"`
		Operators []string `json:"operators,omitempty"`
	}
	userCodeJSON struct {
		Name    string    `json:"name"`
		Code    string    `json:"code"`
		Expires time.Time `json:"expires"`
	}
	userChangeJSON struct {
		Roles     []string `json:"roles,omitempty"`
		Sites     []string `json:"sites,omitempty"`
		Operators []string `json:"operators,omitempty"`
		Disabled  *bool    `json:"disabled,omitempty"`
	}
	tokensJSON struct {
		Tokens []poct.AccessToken `json:"tokens"`
	}
	newTokenJSON struct {
		Name     string   `json:"name"`
		Roles    []string `json:"roles"`
		Sites    []string `json:"sites"`
		ReadOnly bool     `json:"read_only,omitempty"`
		Days     int      `json:"days,omitempty"` // 90 if left out
	}
	madeTokenJSON struct {
		poct.AccessToken
		Token string `json:"token"`
	}
)

func accessSchemas() object {
	return object{
		"User": shapeOf[poct.User](), "Users": shapeOf[usersJSON](), "NewUser": shapeOf[newUserJSON](), "UserCode": shapeOf[userCodeJSON](), "UserChange": shapeOf[userChangeJSON](),
		"Token": shapeOf[poct.AccessToken](), "Tokens": shapeOf[tokensJSON](), "NewToken": shapeOf[newTokenJSON](), "MadeToken": shapeOf[madeTokenJSON](),
	}
}

func (w *Server) apiUsers(rw http.ResponseWriter, r *http.Request, _ caller) error {
	if w.s.Access == nil {
		return poct.ErrNotFound
	}
	users, err := w.s.Access.Users(r.Context())
	if err != nil {
		return err
	}
	return answer(rw, usersJSON{append([]poct.User{}, users...)})
}

// asked reads a body about access, where there is any.
func (w *Server) asked(r *http.Request, into any) error {
	if w.s.Access == nil {
		return poct.ErrNotFound
	}
	return question(r, into)
}

func (w *Server) apiUsersAdd(rw http.ResponseWriter, r *http.Request, c caller) error {
	var q newUserJSON
	if err := w.asked(r, &q); err != nil {
		return err
	}
	u, code, kept, err := w.addUser(r.Context(), c.actor.Name, poct.User{Name: q.Name, Roles: q.Roles, Sites: q.Sites, Operators: q.Operators})
	if err != nil {
		return err
	}
	return answer(rw, userCodeJSON{u.Name, code, kept.Expires})
}

func (w *Server) apiUsersChange(rw http.ResponseWriter, r *http.Request, c caller) error {
	var q userChangeJSON
	if err := w.asked(r, &q); err != nil {
		return err
	}
	u, err := w.changeUser(r.Context(), c.actor.Name, r.PathValue("id"), q.Roles, q.Sites, q.Operators, q.Disabled)
	if err != nil {
		return err
	}
	return answer(rw, u)
}

func (w *Server) apiUsersReset(rw http.ResponseWriter, r *http.Request, c caller) error {
	if w.s.Access == nil {
		return poct.ErrNotFound
	}
	code, kept, err := w.resetUser(r, c.actor.Name, r.PathValue("id"))
	if err != nil {
		return err
	}
	return answer(rw, userCodeJSON{kept.Name, code, kept.Expires})
}

func (w *Server) apiTokens(rw http.ResponseWriter, r *http.Request, _ caller) error {
	if w.s.Access == nil {
		return poct.ErrNotFound
	}
	all, err := w.s.Access.AccessTokens(r.Context())
	if err != nil {
		return err
	}
	return answer(rw, tokensJSON{append([]poct.AccessToken{}, all...)})
}

func (w *Server) apiTokensAdd(rw http.ResponseWriter, r *http.Request, c caller) error {
	var q newTokenJSON
	if err := w.asked(r, &q); err != nil {
		return err
	}
	made, token, err := w.addToken(r.Context(), c.actor.Name, poct.AccessToken{Name: q.Name, Roles: q.Roles, Sites: q.Sites, ReadOnly: q.ReadOnly}, q.Days)
	if err != nil {
		return err
	}
	return answer(rw, madeTokenJSON{made, token})
}

func (w *Server) apiTokensRevoke(rw http.ResponseWriter, r *http.Request, c caller) error {
	if w.s.Access == nil {
		return poct.ErrNotFound
	}
	x, err := w.s.Access.RevokeToken(r.Context(), c.actor.Name, r.PathValue("id"))
	if err != nil {
		return err
	}
	return answer(rw, x)
}
