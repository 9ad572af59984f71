package store

import (
	"context"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidegate/poct"
)

// door opens a store with a clock that the test moves.
func door(t *testing.T) (*Store, *time.Time) {
	t.Helper()
	now := time.Date(2026, 11, 25, 8, 0, 0, 0, time.UTC)
	s, err := Open(t.TempDir(), Options{Now: func() time.Time { return now }})
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, s.Close()) })
	return s, &now
}

func kinds(t *testing.T, s *Store) map[poct.EventKind]int {
	t.Helper()
	events, err := s.Events(t.Context(), 0, 1000)
	require.NoError(t, err)
	out := map[poct.EventKind]int{}
	for _, e := range events {
		out[e.Kind]++
		assert.NotContains(t, string(e.Payload), "hash-of", "a password's hash is in no event")
	}
	return out
}

func TestTheFirstAdministrator(t *testing.T) {
	s, now := door(t)
	ctx := t.Context()
	kept, err := s.FirstCode(ctx, poct.SetupCode{Key: "old", Expires: now.Add(time.Hour)})
	require.NoError(t, err)
	assert.True(t, kept)
	_, err = s.FirstCode(ctx, poct.SetupCode{Key: "k1", Expires: now.Add(time.Hour)})
	require.NoError(t, err)

	assert.ErrorIs(t, s.Redeem(ctx, "n.kaya", "old", "hash-of-1"), poct.ErrNotFound, "a later code takes the place of an earlier one")
	*now = now.Add(time.Hour)
	assert.ErrorIs(t, s.Redeem(ctx, "n.kaya", "k1", "hash-of-1"), poct.ErrNotFound, "it has expired")
	_, err = s.FirstCode(ctx, poct.SetupCode{Key: "k2", Expires: now.Add(time.Hour)})
	require.NoError(t, err)
	require.NoError(t, s.Redeem(ctx, "n.kaya", "k2", "hash-of-1"))
	assert.ErrorIs(t, s.Redeem(ctx, "m.lund", "k2", "hash-of-2"), poct.ErrNotFound, "it is spent")

	u, err := s.User(ctx, "n.kaya")
	require.NoError(t, err)
	assert.Equal(t, poct.User{Name: "n.kaya", Roles: []string{"admin"}, Sites: []string{"*"}, Operators: []string{}, Ready: true, Made: *now}, u)
	kept, err = s.FirstCode(ctx, poct.SetupCode{Key: "k3", Expires: now.Add(time.Hour)})
	require.NoError(t, err)
	assert.False(t, kept, "there is a user now")
	assert.ErrorIs(t, s.Redeem(ctx, "m.lund", "k3", "hash-of-2"), poct.ErrNotFound)
	assert.ErrorIs(t, s.ChangeUser(ctx, "n.kaya", poct.User{Name: "n.kaya", Roles: []string{"admin"}, Disabled: true}), poct.ErrNotAllowed, "nobody could let anybody in")
	assert.ErrorIs(t, s.ChangeUser(ctx, "n.kaya", poct.User{Name: "n.kaya", Roles: []string{"nurse"}}), poct.ErrNotAllowed)
	assert.Equal(t, 1, kinds(t, s)[poct.EventUser])
}

// addUser adds a user and sets their password.
func addUser(t *testing.T, s *Store, u poct.User) {
	t.Helper()
	require.NoError(t, s.AddUser(t.Context(), "n.kaya", u, poct.SetupCode{Key: "k-" + u.Name, Name: u.Name, Expires: s.now().Add(time.Hour)}))
	require.NoError(t, s.Redeem(t.Context(), u.Name, "k-"+u.Name, "hash-of-"+u.Name))
}

func TestSessionsFollowTheirUser(t *testing.T) {
	s, now := door(t)
	ctx := t.Context()
	addUser(t, s, poct.User{Name: "l.farrow", Roles: []string{"clinician"}, Sites: []string{"harbour"}, Operators: []string{"204", "118"}})
	assert.ErrorIs(t, s.AddUser(ctx, "n.kaya", poct.User{Name: "l.farrow"}, poct.SetupCode{Name: "l.farrow"}), poct.ErrOvertaken)
	hash, err := s.PasswordHash(ctx, "l.farrow")
	require.NoError(t, err)
	assert.Equal(t, "hash-of-l.farrow", hash)

	begin := func(key string) {
		require.NoError(t, s.BeginSession(ctx, poct.Session{Key: key, Actor: poct.Actor{Name: "l.farrow", Role: "auditor"}, How: poct.ByPassword, Begun: *now, Used: *now}, now.Add(-time.Hour)))
	}
	begin("one")
	begin("two")
	x, err := s.Session(ctx, "one")
	require.NoError(t, err)
	assert.Equal(t, poct.Actor{Name: "l.farrow", Role: "clinician", Sites: []string{"harbour"}, Operator: "204,118"}, x.Actor, "what stands in the table of users counts")

	require.NoError(t, s.ChangeUser(ctx, "n.kaya", poct.User{Name: "l.farrow", Roles: []string{"nurse"}, Sites: []string{"*"}}))
	x, err = s.Session(ctx, "one")
	require.NoError(t, err)
	assert.Equal(t, "nurse", x.Actor.Role, "at once")
	require.NoError(t, s.TouchSession(ctx, "one", now.Add(time.Minute)))
	require.NoError(t, s.TouchSession(ctx, "one", *now))
	x, err = s.Session(ctx, "one")
	require.NoError(t, err)
	assert.Equal(t, now.Add(time.Minute), x.Used, "never back")

	require.NoError(t, s.SetPassword(ctx, "l.farrow", "hash-of-new", "two"))
	_, err = s.Session(ctx, "one")
	assert.ErrorIs(t, err, poct.ErrNotFound, "a new password ends the other sessions")
	_, err = s.Session(ctx, "two")
	assert.NoError(t, err)

	require.NoError(t, s.ResetUser(ctx, "n.kaya", poct.SetupCode{Key: "again", Name: "l.farrow", Expires: now.Add(time.Hour)}))
	_, err = s.Session(ctx, "two")
	assert.ErrorIs(t, err, poct.ErrNotFound)
	hash, err = s.PasswordHash(ctx, "l.farrow")
	require.NoError(t, err)
	assert.Empty(t, hash)
	require.NoError(t, s.Redeem(ctx, "l.farrow", "again", "hash-of-3"))

	begin("three")
	require.NoError(t, s.ChangeUser(ctx, "n.kaya", poct.User{Name: "l.farrow", Roles: []string{"nurse"}, Sites: []string{"*"}, Disabled: true}))
	_, err = s.Session(ctx, "three")
	assert.ErrorIs(t, err, poct.ErrNotFound)
	hash, err = s.PasswordHash(ctx, "l.farrow")
	require.NoError(t, err)
	assert.Empty(t, hash, "locked out")
	assert.Equal(t, 3, kinds(t, s)[poct.EventSignedIn])
}

func TestSessionsOutliveTheProcess(t *testing.T) {
	dir := t.TempDir()
	now := time.Date(2026, 11, 25, 8, 0, 0, 0, time.UTC)
	s, err := Open(dir, Options{Now: func() time.Time { return now }})
	require.NoError(t, err)
	require.NoError(t, s.BeginSession(context.Background(), poct.Session{Key: "k", Actor: poct.Actor{Name: "r.ito", Role: "reviewer"}, How: poct.ByProvider, Begun: now, Used: now}, now))
	require.NoError(t, s.Close())
	s, err = Open(dir, Options{Now: func() time.Time { return now }})
	require.NoError(t, err)
	defer s.Close()
	x, err := s.Session(t.Context(), "k")
	require.NoError(t, err)
	assert.Equal(t, poct.Session{Key: "k", Actor: poct.Actor{Name: "r.ito", Role: "reviewer"}, How: poct.ByProvider, Begun: now, Used: now}, x)
	require.NoError(t, s.EndSession(t.Context(), "k"))
	_, err = s.Session(t.Context(), "k")
	assert.ErrorIs(t, err, poct.ErrNotFound)
}

func TestTries(t *testing.T) {
	s, now := door(t)
	ctx := t.Context()
	pause := func(key string, n int) time.Duration {
		if key == "account" && n >= 3 {
			return time.Duration(n) * time.Second
		}
		return 0
	}
	try := func() time.Duration {
		wait, err := s.Try(ctx, []string{"account", "address"}, pause)
		require.NoError(t, err)
		return wait
	}
	for range 3 {
		assert.Zero(t, try())
	}
	assert.Equal(t, 3*time.Second, try())
	*now = now.Add(time.Second)
	assert.Equal(t, 2*time.Second, try(), "waiting is not counted as a try")
	*now = now.Add(2 * time.Second)
	assert.Zero(t, try())
	assert.Equal(t, 4*time.Second, try(), "pauses grow")
	require.NoError(t, s.LetIn(ctx, "account", "address"))
	assert.Zero(t, try())
	var n int
	require.NoError(t, s.read.with(ctx).row(`SELECT n FROM sign_in_tries WHERE key = 'address'`).Scan(&n))
	assert.Equal(t, 4, n, "a good try is no reason against the address, others stay")
	require.NoError(t, s.NotLetIn(ctx, ""))
	assert.Equal(t, 1, kinds(t, s)[poct.EventNotLetIn])
}

func TestAccessTokens(t *testing.T) {
	s, now := door(t)
	ctx := t.Context()
	made := poct.AccessToken{ID: "t1", Name: "ward board", Roles: []string{"nurse"}, Sites: []string{"harbour"}, ReadOnly: true, Made: *now, MadeBy: "n.kaya", Expires: now.Add(time.Hour)}
	require.NoError(t, s.AddToken(ctx, made, "digest"))
	got, err := s.AccessToken(ctx, "digest")
	require.NoError(t, err)
	assert.Equal(t, made, got)
	_, err = s.AccessToken(ctx, "another")
	assert.ErrorIs(t, err, poct.ErrNotFound)
	revoked, err := s.RevokeToken(ctx, "n.kaya", "t1")
	require.NoError(t, err)
	assert.Equal(t, *now, revoked.Revoked)
	_, err = s.RevokeToken(ctx, "n.kaya", "t1")
	require.NoError(t, err)
	all, err := s.AccessTokens(ctx)
	require.NoError(t, err)
	assert.Equal(t, []poct.AccessToken{revoked}, all)
	assert.Equal(t, 2, kinds(t, s)[poct.EventToken], "made and revoked; the second time nothing")
}
