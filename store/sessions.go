package store

import (
	"context"
	"encoding/json"
	"fmt"
	"time"

	"tidegate/ledger"
	"tidegate/poct"
)

// BeginSession keeps a new session and records that the person signed in. What
// has not been used since `before` is forgotten.
func (s *Store) BeginSession(ctx context.Context, x poct.Session, before time.Time) error {
	actor, err := json.Marshal(x.Actor)
	if err != nil {
		return fmt.Errorf("write session: %w", err)
	}
	return s.do(ctx, func(t *tx) error {
		if _, err := t.exec(`DELETE FROM sessions WHERE used < ?`, micros(before)); err != nil {
			return fmt.Errorf("forget sessions: %w", err)
		}
		if _, err := t.exec(`INSERT INTO sessions (key, name, actor, how, bond, begun, used) VALUES (?,?,?,?,?,?,?)`,
			x.Key, x.Actor.Name, string(actor), string(x.How), x.Bond, micros(x.Begun), micros(x.Used)); err != nil {
			return fmt.Errorf("write session: %w", err)
		}
		_, err := t.event(poct.Event{Kind: poct.EventSignedIn, Actor: x.Actor.Name}, &ledger.Payload{Rule: string(x.How)})
		return err
	})
}

// Session is one session as it stands now: a user's roles and sites are those
// of this moment. poct.ErrNotFound if it has ended or its user is locked out.
func (s *Store) Session(ctx context.Context, key string) (poct.Session, error) {
	q := s.read.with(ctx)
	x := poct.Session{Key: key}
	var actor, how string
	var begun, used int64
	err := q.row(`SELECT actor, how, bond, begun, used FROM sessions WHERE key = ?`, key).Scan(&actor, &how, &x.Bond, &begun, &used)
	if isNone(err) {
		return x, fmt.Errorf("session: %w", poct.ErrNotFound)
	}
	if err != nil {
		return x, fmt.Errorf("read session: %w", err)
	}
	x.How, x.Begun, x.Used = poct.SignInWay(how), fromMicros(begun), fromMicros(used)
	if x.Actor, err = decode[poct.Actor](actor); err != nil {
		return x, fmt.Errorf("read session: %w", err)
	}
	if x.How == poct.ByPassword {
		u, err := userOf(q, x.Actor.Name)
		if err != nil {
			return x, err
		}
		if u.Disabled {
			return x, fmt.Errorf("session of a disabled user: %w", poct.ErrNotFound)
		}
		x.Actor = u.Actor()
	}
	return x, nil
}

// TouchSession keeps when a session was last used.
func (s *Store) TouchSession(ctx context.Context, key string, used time.Time) error {
	return s.do(ctx, func(t *tx) error {
		_, err := t.exec(`UPDATE sessions SET used = ? WHERE key = ? AND used < ?`, micros(used), key, micros(used))
		return err
	})
}

// EndSession ends one session; one that has ended already is no fault.
func (s *Store) EndSession(ctx context.Context, key string) error {
	return s.do(ctx, func(t *tx) error {
		_, err := t.exec(`DELETE FROM sessions WHERE key = ?`, key)
		return err
	})
}

func (t *tx) endSessions(name string) error {
	if _, err := t.exec(`DELETE FROM sessions WHERE name = ?`, name); err != nil {
		return fmt.Errorf("end sessions: %w", err)
	}
	return nil
}

const tokenColumns = `SELECT id, name, roles, sites, read_only, made, made_by, expires, revoked FROM access_tokens `

func scanToken(rows rowSet) (x poct.AccessToken, err error) {
	var roles, sites string
	var made, expires, revoked int64
	if err = rows.Scan(&x.ID, &x.Name, &roles, &sites, &x.ReadOnly, &made, &x.MadeBy, &expires, &revoked); err != nil {
		return x, err
	}
	x.Made, x.Expires, x.Revoked = fromMicros(made), fromMicros(expires), fromMicros(revoked)
	if x.Roles, err = decode[[]string](roles); err != nil {
		return x, err
	}
	x.Sites, err = decode[[]string](sites)
	return x, err
}

// AccessTokens lists every token that was made, by name, then age.
func (s *Store) AccessTokens(ctx context.Context) ([]poct.AccessToken, error) {
	all, err := collect(s.read.with(ctx), scanToken, tokenColumns+`ORDER BY name, made, id`)
	if err != nil {
		return nil, fmt.Errorf("read access tokens: %w", err)
	}
	return all, nil
}

// AccessToken is the token with this digest; poct.ErrNotFound if there is none.
// Whether it still holds, its times tell.
func (s *Store) AccessToken(ctx context.Context, key string) (poct.AccessToken, error) {
	return tokenOf(s.read.with(ctx), `WHERE key = ?`, key)
}

func tokenOf(q querier, where, arg string) (poct.AccessToken, error) {
	all, err := collect(q, scanToken, tokenColumns+where, arg)
	if err != nil {
		return poct.AccessToken{}, fmt.Errorf("read access token: %w", err)
	}
	if len(all) == 0 {
		return poct.AccessToken{}, fmt.Errorf("access token: %w", poct.ErrNotFound)
	}
	return all[0], nil
}

// tokenMore is what the event of a token tells.
type tokenMore struct {
	Token    string    `json:"token"` // its id
	What     string    `json:"what"`
	Name     string    `json:"name"`
	Roles    []string  `json:"roles"`
	Sites    []string  `json:"sites"`
	ReadOnly bool      `json:"read_only,omitempty"`
	Expires  time.Time `json:"expires"`
}

func (t *tx) tokenEvent(by, what string, x poct.AccessToken) error {
	_, err := t.event(poct.Event{Kind: poct.EventToken, Actor: by},
		&ledger.Payload{More: more(tokenMore{x.ID, what, x.Name, x.Roles, x.Sites, x.ReadOnly, x.Expires})})
	return err
}

// AddToken keeps a token by its digest.
func (s *Store) AddToken(ctx context.Context, x poct.AccessToken, key string) error {
	roles, err := json.Marshal(x.Roles)
	if err != nil {
		return fmt.Errorf("write access token: %w", err)
	}
	sites, err := json.Marshal(x.Sites)
	if err != nil {
		return fmt.Errorf("write access token: %w", err)
	}
	return s.do(ctx, func(t *tx) error {
		if _, err := t.exec(`INSERT INTO access_tokens (id, key, name, roles, sites, read_only, made, made_by, expires, revoked) VALUES (?,?,?,?,?,?,?,?,?,0)`,
			x.ID, key, x.Name, string(roles), string(sites), x.ReadOnly, micros(x.Made), x.MadeBy, micros(x.Expires)); err != nil {
			return fmt.Errorf("write access token: %w", err)
		}
		return t.tokenEvent(x.MadeBy, "made", x)
	})
}

// RevokeToken takes a token back; it is as it then stands. Taking it back a
// second time changes nothing.
func (s *Store) RevokeToken(ctx context.Context, by, id string) (x poct.AccessToken, err error) {
	err = s.do(ctx, func(t *tx) error {
		if x, err = tokenOf(t, `WHERE id = ?`, id); err != nil || !x.Revoked.IsZero() {
			return err
		}
		x.Revoked = t.at
		if _, err := t.exec(`UPDATE access_tokens SET revoked = ? WHERE id = ?`, micros(t.at), id); err != nil {
			return fmt.Errorf("revoke access token: %w", err)
		}
		return t.tokenEvent(by, "revoked", x)
	})
	return x, err
}
