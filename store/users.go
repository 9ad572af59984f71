package store

import (
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"time"

	"tidegate/ledger"
	"tidegate/poct"
)

const adminRole = "admin"

const userColumns = `SELECT name, roles, sites, operators, disabled, password <> '', made FROM users `

func scanUser(rows rowSet) (u poct.User, err error) {
	var roles, sites, operators string
	var made int64
	if err = rows.Scan(&u.Name, &roles, &sites, &operators, &u.Disabled, &u.Ready, &made); err != nil {
		return u, err
	}
	u.Made = fromMicros(made)
	for text, list := range map[*string]*[]string{&roles: &u.Roles, &sites: &u.Sites, &operators: &u.Operators} {
		if *list, err = decode[[]string](*text); err != nil {
			return u, err
		}
	}
	return u, nil
}

// Users lists everybody who may sign in with a password, by name.
func (s *Store) Users(ctx context.Context) ([]poct.User, error) {
	users, err := collect(s.read.with(ctx), scanUser, userColumns+`ORDER BY name`)
	if err != nil {
		return nil, fmt.Errorf("read users: %w", err)
	}
	return users, nil
}

// User is one user; poct.ErrNotFound if there is none of this name.
func (s *Store) User(ctx context.Context, name string) (poct.User, error) {
	return userOf(s.read.with(ctx), name)
}

func userOf(q querier, name string) (poct.User, error) {
	users, err := collect(q, scanUser, userColumns+`WHERE name = ?`, name)
	if err != nil {
		return poct.User{}, fmt.Errorf("read user: %w", err)
	}
	if len(users) == 0 {
		return poct.User{}, fmt.Errorf("user %s: %w", name, poct.ErrNotFound)
	}
	return users[0], nil
}

// PasswordHash is the hash of an enabled user's password, "" if there is no
// such user or no password is set: whoever asks treats both alike.
func (s *Store) PasswordHash(ctx context.Context, name string) (string, error) {
	var hash string
	err := s.read.with(ctx).row(`SELECT password FROM users WHERE name = ? AND NOT disabled`, name).Scan(&hash)
	if err != nil && !isNone(err) {
		return "", fmt.Errorf("read a password's hash: %w", err)
	}
	return hash, nil
}

// userMore is what the event of a user's change tells.
type userMore struct {
	User      string   `json:"user"`
	What      string   `json:"what"`
	Roles     []string `json:"roles,omitempty"`
	Sites     []string `json:"sites,omitempty"`
	Operators []string `json:"operators,omitempty"`
	Disabled  bool     `json:"disabled,omitempty"`
}

func (t *tx) userEvent(by, what string, u poct.User) error {
	_, err := t.event(poct.Event{Kind: poct.EventUser, Actor: by},
		&ledger.Payload{More: more(userMore{u.Name, what, u.Roles, u.Sites, u.Operators, u.Disabled})})
	return err
}

// AddUser adds a user who sets their password by this code.
// poct.ErrOvertaken if the name is taken.
func (s *Store) AddUser(ctx context.Context, by string, u poct.User, code poct.SetupCode) error {
	return s.do(ctx, func(t *tx) error {
		if _, err := userOf(t, u.Name); err == nil {
			return fmt.Errorf("user %s: %w", u.Name, poct.ErrOvertaken)
		}
		if err := t.writeUser(u, ""); err != nil {
			return err
		}
		if err := t.writeCode(code); err != nil {
			return err
		}
		return t.userEvent(by, "added", u)
	})
}

func (t *tx) writeUser(u poct.User, password string) error {
	text := func(list []string) string {
		b, _ := json.Marshal(append([]string{}, list...)) // a list of texts: cannot fail
		return string(b)
	}
	if _, err := t.exec(`INSERT INTO users (name, roles, sites, operators, disabled, password, made) VALUES (?,?,?,?,?,?,?)
		ON CONFLICT (name) DO UPDATE SET roles = excluded.roles, sites = excluded.sites, operators = excluded.operators, disabled = excluded.disabled`,
		u.Name, text(u.Roles), text(u.Sites), text(u.Operators), u.Disabled, password, micros(t.at)); err != nil {
		return fmt.Errorf("write user: %w", err)
	}
	return nil
}

func (t *tx) writeCode(c poct.SetupCode) error {
	if _, err := t.exec(`INSERT OR REPLACE INTO setup_codes (name, key, expires) VALUES (?,?,?)`, c.Name, c.Key, micros(c.Expires)); err != nil {
		return fmt.Errorf("write code: %w", err)
	}
	return nil
}

// ChangeUser gives a user these roles, sites and numbers, or locks them out,
// which ends their sessions. poct.ErrNotAllowed if no administrator would be left.
func (s *Store) ChangeUser(ctx context.Context, by string, u poct.User) error {
	return s.do(ctx, func(t *tx) error {
		if _, err := userOf(t, u.Name); err != nil {
			return err
		}
		if u.Disabled || !slices.Contains(u.Roles, adminRole) {
			if err := t.anotherAdmin(u.Name); err != nil {
				return err
			}
		}
		if err := t.writeUser(u, ""); err != nil {
			return err
		}
		if u.Disabled {
			if err := t.endSessions(u.Name); err != nil {
				return err
			}
		}
		return t.userEvent(by, "changed", u)
	})
}

// anotherAdmin refuses to take away the last administrator.
func (t *tx) anotherAdmin(name string) error {
	users, err := collect[poct.User](t, scanUser, userColumns)
	if err != nil {
		return fmt.Errorf("read users: %w", err)
	}
	admin := func(u poct.User) bool { return !u.Disabled && slices.Contains(u.Roles, adminRole) }
	if !slices.ContainsFunc(users, func(u poct.User) bool { return u.Name == name && admin(u) }) {
		return nil
	}
	if slices.ContainsFunc(users, func(u poct.User) bool { return u.Name != name && admin(u) }) {
		return nil
	}
	return fmt.Errorf("%w: nobody else is an administrator; make somebody one first", poct.ErrNotAllowed)
}

// ResetUser takes a user's password and sessions away; they set a new one by
// this code.
func (s *Store) ResetUser(ctx context.Context, by string, code poct.SetupCode) error {
	return s.do(ctx, func(t *tx) error {
		u, err := userOf(t, code.Name)
		if err != nil {
			return err
		}
		if _, err := t.exec(`UPDATE users SET password = '' WHERE name = ?`, u.Name); err != nil {
			return fmt.Errorf("take a password away: %w", err)
		}
		if err := t.endSessions(u.Name); err != nil {
			return err
		}
		if err := t.writeCode(code); err != nil {
			return err
		}
		return t.userEvent(by, "given a code", u)
	})
}

// FirstCode keeps a code for the first administrator, in place of an earlier
// one; false if there are users already.
func (s *Store) FirstCode(ctx context.Context, code poct.SetupCode) (kept bool, err error) {
	err = s.do(ctx, func(t *tx) error {
		n, err := t.users()
		if err != nil || n > 0 {
			return err
		}
		kept = true
		return t.writeCode(code)
	})
	return kept, err
}

func (t *tx) users() (n int64, err error) {
	if err := t.row(`SELECT count(*) FROM users`).Scan(&n); err != nil {
		return 0, fmt.Errorf("count users: %w", err)
	}
	return n, nil
}

// AwaitsFirst tells whether there is no user yet, so that a code makes one.
func (s *Store) AwaitsFirst(ctx context.Context) (bool, error) {
	var n int64
	if err := s.read.with(ctx).row(`SELECT count(*) FROM users`).Scan(&n); err != nil {
		return false, fmt.Errorf("count users: %w", err)
	}
	return n == 0, nil
}

// Redeem sets a password by a code, which is spent with it. Where there are no
// users, it makes the first administrator. poct.ErrNotFound if the code is not
// this name's, is spent or has expired.
func (s *Store) Redeem(ctx context.Context, name, key, password string) error {
	return s.do(ctx, func(t *tx) error {
		n, err := t.users()
		if err != nil {
			return err
		}
		of := name
		if n == 0 {
			of = ""
		}
		var have string
		var expires int64
		err = t.row(`SELECT key, expires FROM setup_codes WHERE name = ?`, of).Scan(&have, &expires)
		if err != nil && !isNone(err) {
			return fmt.Errorf("read code: %w", err)
		}
		if err != nil || have != key || !t.at.Before(fromMicros(expires)) {
			return fmt.Errorf("code: %w", poct.ErrNotFound)
		}
		u := poct.User{Name: name, Roles: []string{adminRole}, Sites: []string{"*"}}
		if n > 0 {
			if u, err = userOf(t, name); err != nil {
				return err
			}
			if u.Disabled {
				return fmt.Errorf("code of a disabled user: %w", poct.ErrNotFound)
			}
		} else if err := t.writeUser(u, ""); err != nil {
			return err
		}
		if _, err := t.exec(`DELETE FROM setup_codes WHERE name = ?`, of); err != nil {
			return fmt.Errorf("spend code: %w", err)
		}
		return t.setPassword(u, password)
	})
}

// SetPassword is a person's own change of their password; every session but
// the one with this key ends.
func (s *Store) SetPassword(ctx context.Context, name, password, but string) error {
	return s.do(ctx, func(t *tx) error {
		u, err := userOf(t, name)
		if err != nil {
			return err
		}
		if _, err := t.exec(`DELETE FROM sessions WHERE name = ? AND how = 'password' AND key <> ?`, name, but); err != nil {
			return fmt.Errorf("end sessions: %w", err)
		}
		return t.setPassword(u, password)
	})
}

func (t *tx) setPassword(u poct.User, password string) error {
	if _, err := t.exec(`UPDATE users SET password = ? WHERE name = ?`, password, u.Name); err != nil {
		return fmt.Errorf("set a password: %w", err)
	}
	return t.userEvent(u.Name, "set a password", u)
}

// Try counts a try to sign in under each of these keys, before it is judged,
// so that many at once cannot run past the count. pause says how long the n-th
// failed try under a key is followed by none; while one lasts, nothing is
// counted and the rest of it is returned.
func (s *Store) Try(ctx context.Context, keys []string, pause func(key string, n int) time.Duration) (wait time.Duration, err error) {
	err = s.do(ctx, func(t *tx) error {
		wait = 0
		counts := map[string]int{}
		for _, key := range keys {
			var n int
			var last int64
			if err := t.row(`SELECT n, last FROM sign_in_tries WHERE key = ?`, key).Scan(&n, &last); err != nil && !isNone(err) {
				return fmt.Errorf("read tries: %w", err)
			}
			counts[key] = n
			wait = max(wait, pause(key, n)-t.at.Sub(fromMicros(last)))
		}
		if wait > 0 {
			return nil
		}
		if _, err := t.exec(`DELETE FROM sign_in_tries WHERE last < ?`, micros(t.at.Add(-triesKept))); err != nil {
			return fmt.Errorf("forget old tries: %w", err)
		}
		for _, key := range keys {
			if _, err := t.exec(`INSERT OR REPLACE INTO sign_in_tries (key, n, last) VALUES (?,?,?)`, key, counts[key]+1, micros(t.at)); err != nil {
				return fmt.Errorf("count a try: %w", err)
			}
		}
		return nil
	})
	return wait, err
}

// triesKept is how long after the last one tries are remembered.
const triesKept = 24 * time.Hour

// NotLetIn records a refused try. name is the user's, "" for an unknown one:
// what was typed may be a password in the wrong field.
func (s *Store) NotLetIn(ctx context.Context, name string) error {
	return s.do(ctx, func(t *tx) error {
		_, err := t.event(poct.Event{Kind: poct.EventNotLetIn, Actor: name}, nil)
		return err
	})
}

// LetIn forgets the tries under a person's key and takes back the count of
// this one under the others.
func (s *Store) LetIn(ctx context.Context, own string, others ...string) error {
	return s.do(ctx, func(t *tx) error {
		if _, err := t.exec(`DELETE FROM sign_in_tries WHERE key = ?`, own); err != nil {
			return fmt.Errorf("forget tries: %w", err)
		}
		for _, key := range others {
			if _, err := t.exec(`UPDATE sign_in_tries SET n = max(n - 1, 0) WHERE key = ?`, key); err != nil {
				return fmt.Errorf("take back a try: %w", err)
			}
		}
		return nil
	})
}
