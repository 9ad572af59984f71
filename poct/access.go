package poct

import (
	"slices"
	"strings"
	"time"
)

// Kinds of event about who comes in.
const (
	EventSignedIn EventKind = "signed-in"
	EventNotLetIn EventKind = "sign-in-refused"
	EventUser     EventKind = "user-changed"  // added, changed, given a code, or a password set
	EventToken    EventKind = "token-changed" // an access token was made or revoked
)

// User is a person who signs in here with a name and a password. The password
// is no part of it: the store alone holds its hash.
type User struct {
	Name      string    `json:"name"`                // as every act and look carries it
	Roles     []string  `json:"roles"`               // nurse clinician reviewer coordinator engineer auditor admin
	Sites     []string  `json:"sites"`               // site ids, or "*" for all
	Operators []string  `json:"operators,omitempty"` // own operator numbers
	Disabled  bool      `json:"disabled,omitempty"`
	Ready     bool      `json:"ready"` // a password is set
	Made      time.Time `json:"made"`
}

// Actor is the person behind the name.
func (u User) Actor() Actor {
	return Actor{Name: u.Name, Role: strings.Join(u.Roles, " "), Sites: u.Sites, Operator: strings.Join(u.Operators, ",")}
}

// Session is one person's sign-in on one browser.
type Session struct {
	Key   string // digest of the cookie; the cookie itself is nowhere but in the browser
	Actor Actor
	How   SignInWay
	Bond  string // of a token from the configuration: what ends the session when the token is taken back
	Begun time.Time
	Used  time.Time
}

// SignInWay is how a person showed who they are.
type SignInWay string

// Ways to sign in.
const (
	ByPassword SignInWay = "password"
	ByToken    SignInWay = "token"    // from a file that the configuration names
	ByProvider SignInWay = "provider" // an identity provider
)

// AccessToken lets a program in, as far and as long as it says. The token
// itself is shown once and kept as a digest.
type AccessToken struct {
	ID       string    `json:"id"`
	Name     string    `json:"name"` // as every act and look carries it
	Roles    []string  `json:"roles"`
	Sites    []string  `json:"sites"`
	ReadOnly bool      `json:"read_only"`
	Made     time.Time `json:"made"`
	MadeBy   string    `json:"made_by"`
	Expires  time.Time `json:"expires"`
	Revoked  time.Time `json:"revoked,omitzero"`
}

// Actor is whoever uses the token.
func (t AccessToken) Actor() Actor {
	return Actor{Name: t.Name, Role: strings.Join(t.Roles, " "), Sites: t.Sites}
}

// SetupCode lets one person set their password, once. Key is its digest.
type SetupCode struct {
	Key     string
	Name    string // of the user; "" makes the first administrator, under a name of their choice
	Expires time.Time
}

// Ran tells whether a test was run under one of the actor's own operator
// numbers; they stand in Operator with commas between.
func (a Actor) Ran(operator string) bool {
	operator = strings.TrimSpace(operator)
	return operator != "" && slices.ContainsFunc(strings.Split(a.Operator, ","), func(own string) bool {
		return strings.EqualFold(strings.TrimSpace(own), operator)
	})
}
