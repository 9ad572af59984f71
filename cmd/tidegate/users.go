package main

import (
	"context"
	"fmt"
	"net/url"
	"strings"
	"time"

	"tidegate/poct"
)

// usersCmd lets people in. The user of this machine is their administrator:
// whoever may open the command socket owns the data folder.
type usersCmd struct {
	Add     usersAddCmd     `cmd:"" help:"Add a user and print the code by which they set their password, once."`
	List    usersListCmd    `cmd:"" help:"List who may sign in."`
	Change  usersChangeCmd  `cmd:"" help:"Give a user other roles, sites or operator numbers."`
	Disable usersDisableCmd `cmd:"" help:"Lock a user out; their sessions end."`
	Enable  usersEnableCmd  `cmd:"" help:"Let a locked-out user in again."`
	Reset   usersResetCmd   `cmd:"" help:"Take a user's password and sessions away and print a code for a new password."`
}

// scopeFlags are what a user or token may.
type scopeFlags struct {
	Role []string `placeholder:"ROLE" help:"nurse, clinician, reviewer, coordinator, engineer, auditor or admin; several with commas between."`
	Site []string `placeholder:"SITE" help:"Site ids with commas between, or * for all."`
}

type usersAddCmd struct {
	configFlag
	scopeFlags
	Name     string   `arg:"" help:"As every act carries it: small letters, figures, points, dashes."`
	Operator []string `placeholder:"NUMBER" help:"Their numbers on the meters: nobody releases what they ran."`
	JSON     bool     `help:"Print JSON."`
}

// userCode is a user with the code to set a password by.
type userCode struct {
	Name    string    `json:"name"`
	Code    string    `json:"code"`
	Expires time.Time `json:"expires"`
}

func (c *usersAddCmd) Run(ctx context.Context, s *streams) error {
	ask := map[string]any{"name": c.Name, "roles": c.Role, "sites": c.Site, "operators": c.Operator}
	var made userCode
	if err := c.ask(ctx, s, "POST", "users", ask, &made); err != nil {
		return err
	}
	return made.print(s, c.JSON)
}

func (u userCode) print(s *streams, asJSON bool) error {
	if asJSON {
		return printJSON(s.out, u)
	}
	fmt.Fprintf(s.out, "%s sets a password at /sign-in/set-password with this code, once, until %s: %s\n", u.Name, u.Expires.UTC().Format("2006-01-02 15:04 UTC"), u.Code)
	return nil
}

// ask sends one question to the daemon, or to the data folder where none runs.
func (c configFlag) ask(ctx context.Context, s *streams, method, path string, body, out any) error {
	cl, err := c.connect(ctx, s, "")
	if err != nil {
		return err
	}
	defer cl.close()
	return cl.call(ctx, method, path, body, out)
}

type usersListCmd struct {
	configFlag
	JSON bool `help:"Print JSON."`
}

func (c *usersListCmd) Run(ctx context.Context, s *streams) error {
	var answer struct {
		Users []poct.User `json:"users"`
	}
	if err := c.ask(ctx, s, "GET", "users", nil, &answer); err != nil {
		return err
	}
	if c.JSON {
		return printJSON(s.out, answer)
	}
	if len(answer.Users) == 0 {
		fmt.Fprintln(s.out, "Nobody is a user yet.")
	}
	for _, u := range answer.Users {
		state := ""
		switch {
		case u.Disabled:
			state = "  locked out"
		case !u.Ready:
			state = "  has not set a password yet"
		}
		numbers := ""
		if len(u.Operators) > 0 {
			numbers = "  operator " + strings.Join(u.Operators, ",")
		}
		fmt.Fprintf(s.out, "%-20s %-24s %s%s%s\n", u.Name, strings.Join(u.Roles, ","), strings.Join(u.Sites, ","), numbers, state)
	}
	return nil
}

type usersChangeCmd struct {
	configFlag
	scopeFlags
	Name     string   `arg:"" help:"The user."`
	Operator []string `placeholder:"NUMBER" help:"Their numbers on the meters."`
}

func (c *usersChangeCmd) Run(ctx context.Context, s *streams) error {
	ask := map[string]any{}
	for key, list := range map[string][]string{"roles": c.Role, "sites": c.Site, "operators": c.Operator} {
		if list != nil {
			ask[key] = list
		}
	}
	if len(ask) == 0 {
		return wrongUse("say what changes: --role, --site or --operator")
	}
	return changeUser(ctx, s, c.configFlag, c.Name, ask)
}

func changeUser(ctx context.Context, s *streams, c configFlag, name string, ask map[string]any) error {
	var u poct.User
	if err := c.ask(ctx, s, "POST", "users/"+url.PathEscape(name), ask, &u); err != nil {
		return err
	}
	state := "may sign in"
	if u.Disabled {
		state = "is locked out"
	}
	fmt.Fprintf(s.out, "%s %s, as %s at %s.\n", u.Name, state, strings.Join(u.Roles, ", "), strings.Join(u.Sites, ", "))
	return nil
}

type usersDisableCmd struct {
	configFlag
	Name string `arg:"" help:"The user."`
}

func (c *usersDisableCmd) Run(ctx context.Context, s *streams) error {
	return changeUser(ctx, s, c.configFlag, c.Name, map[string]any{"disabled": true})
}

type usersEnableCmd struct {
	configFlag
	Name string `arg:"" help:"The user."`
}

func (c *usersEnableCmd) Run(ctx context.Context, s *streams) error {
	return changeUser(ctx, s, c.configFlag, c.Name, map[string]any{"disabled": false})
}

type usersResetCmd struct {
	configFlag
	Name string `arg:"" help:"The user."`
	JSON bool   `help:"Print JSON."`
}

func (c *usersResetCmd) Run(ctx context.Context, s *streams) error {
	var made userCode
	if err := c.ask(ctx, s, "POST", "users/"+url.PathEscape(c.Name)+"/reset", map[string]any{}, &made); err != nil {
		return err
	}
	return made.print(s, c.JSON)
}

// tokensCmd lets programs in.
type tokensCmd struct {
	Add    tokensAddCmd    `cmd:"" help:"Make an access token and print it, once."`
	List   tokensListCmd   `cmd:"" help:"List the tokens that were made, without the tokens themselves."`
	Revoke tokensRevokeCmd `cmd:"" help:"Take a token back."`
}

type tokensAddCmd struct {
	configFlag
	scopeFlags
	Name     string `arg:"" help:"What uses it, as every look and act carries it."`
	ReadOnly bool   `help:"It looks and does nothing."`
	Days     int    `default:"90" help:"How long it holds."`
	JSON     bool   `help:"Print JSON."`
}

func (c *tokensAddCmd) Run(ctx context.Context, s *streams) error {
	var made struct {
		poct.AccessToken
		Token string `json:"token"`
	}
	ask := map[string]any{"name": c.Name, "roles": c.Role, "sites": c.Site, "read_only": c.ReadOnly, "days": c.Days}
	if err := c.ask(ctx, s, "POST", "tokens", ask, &made); err != nil {
		return err
	}
	if c.JSON {
		return printJSON(s.out, made)
	}
	fmt.Fprintf(s.err, "%s holds until %s. It is not shown again.\n", made.ID, made.Expires.UTC().Format("2006-01-02 15:04 UTC"))
	fmt.Fprintln(s.out, made.Token)
	return nil
}

type tokensListCmd struct {
	configFlag
	JSON bool `help:"Print JSON."`
}

func (c *tokensListCmd) Run(ctx context.Context, s *streams) error {
	var answer struct {
		Tokens []poct.AccessToken `json:"tokens"`
	}
	if err := c.ask(ctx, s, "GET", "tokens", nil, &answer); err != nil {
		return err
	}
	if c.JSON {
		return printJSON(s.out, answer)
	}
	if len(answer.Tokens) == 0 {
		fmt.Fprintln(s.out, "No token was made yet.")
	}
	for _, t := range answer.Tokens {
		state := "until " + t.Expires.UTC().Format("2006-01-02 15:04 UTC")
		if !t.Revoked.IsZero() {
			state = "revoked " + t.Revoked.UTC().Format("2006-01-02 15:04 UTC")
		}
		does := "reads and acts"
		if t.ReadOnly {
			does = "reads"
		}
		fmt.Fprintf(s.out, "%-14s %-20s %-14s %-20s %-16s %s\n", t.ID, t.Name, does, strings.Join(t.Roles, ","), strings.Join(t.Sites, ","), state)
	}
	return nil
}

type tokensRevokeCmd struct {
	configFlag
	ID string `arg:"" help:"The token's id, as tokens list shows it."`
}

func (c *tokensRevokeCmd) Run(ctx context.Context, s *streams) error {
	var t poct.AccessToken
	if err := c.ask(ctx, s, "POST", "tokens/"+url.PathEscape(c.ID)+"/revoke", map[string]any{}, &t); err != nil {
		return err
	}
	fmt.Fprintf(s.out, "Revoked: %s of %s.\n", t.ID, t.Name)
	return nil
}
