package web

import (
	"context"
	"crypto/rand"
	"encoding/base32"
	"errors"
	"fmt"
	"regexp"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"github.com/alexedwards/argon2id"
	"golang.org/x/text/unicode/norm"

	"tidegate/poct"
	"tidegate/review"
)

// Access keeps who may come in; *store.Store is one. Passwords come to it as
// hashes, codes and tokens as digests. Not found is poct.ErrNotFound.
type Access interface {
	Sessions

	Users(ctx context.Context) ([]poct.User, error)
	User(ctx context.Context, name string) (poct.User, error)
	// AwaitsFirst tells whether there is no user yet.
	AwaitsFirst(ctx context.Context) (bool, error)
	AddUser(ctx context.Context, by string, u poct.User, code poct.SetupCode) error
	ChangeUser(ctx context.Context, by string, u poct.User) error
	ResetUser(ctx context.Context, by string, code poct.SetupCode) error
	FirstCode(ctx context.Context, code poct.SetupCode) (kept bool, err error)
	Redeem(ctx context.Context, name, key, password string) error
	SetPassword(ctx context.Context, name, password, butSession string) error
	// PasswordHash is "" for whoever cannot sign in by password.
	PasswordHash(ctx context.Context, name string) (string, error)

	// Try counts a try before it is judged, or says how long none is taken.
	Try(ctx context.Context, keys []string, pause func(key string, n int) time.Duration) (wait time.Duration, err error)
	LetIn(ctx context.Context, own string, others ...string) error
	NotLetIn(ctx context.Context, name string) error

	AccessTokens(ctx context.Context) ([]poct.AccessToken, error)
	AccessToken(ctx context.Context, key string) (poct.AccessToken, error)
	AddToken(ctx context.Context, x poct.AccessToken, key string) error
	RevokeToken(ctx context.Context, by, id string) (poct.AccessToken, error)
}

// Passwords are judged by length alone (NIST SP 800-63B-4, 3.1.1.2: 15
// characters where nothing else is asked for, no rules of composition).
const (
	passwordLeast = 15
	passwordMost  = 256
)

const (
	codeLasts      = 24 * time.Hour
	tokenPrefix    = "tidegate_"
	tokenDaysUsual = 90
	tokenDaysMost  = 366
)

// hashing is Argon2id with 19 MiB, two passes, one lane (OWASP Password Storage
// Cheat Sheet). hashers bounds how many are computed at once: each costs 19 MiB
// and some 40 ms.
var (
	hashing = &argon2id.Params{Memory: 19 << 10, Iterations: 2, Parallelism: 1, SaltLength: 16, KeyLength: 32}
	hashers = make(chan struct{}, 2)
)

// nobodys is compared with where there is no hash, so that a name that is not
// known takes as long as one that is.
const nobodys = "$argon2id$v=19$m=19456,t=2,p=1$AAAAAAAAAAAAAAAAAAAAAA$AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA"

// oneAtATime runs f while at most one other does so.
func oneAtATime(ctx context.Context, f func() error) error {
	select {
	case hashers <- struct{}{}:
		defer func() { <-hashers }()
		return f()
	case <-ctx.Done():
		return ctx.Err()
	}
}

// plainPassword is a password in one form, however the keyboard wrote its
// accents.
func plainPassword(s string) string { return norm.NFC.String(s) }

func matches(ctx context.Context, password, hash string) (ok bool, err error) {
	known := hash != ""
	if !known {
		hash = nobodys
	}
	if len(password) > 4*passwordMost { // nobody's: not worth hashing whole
		password = ""
	}
	err = oneAtATime(ctx, func() (err error) {
		ok, err = argon2id.ComparePasswordAndHash(plainPassword(password), hash)
		return err
	})
	if err != nil {
		return false, fmt.Errorf("compare a password: %w", err)
	}
	return ok && known, nil
}

func hashOf(ctx context.Context, password string) (hash string, err error) {
	err = oneAtATime(ctx, func() (err error) {
		hash, err = argon2id.CreateHash(plainPassword(password), hashing)
		return err
	})
	if err != nil {
		return "", fmt.Errorf("hash a password: %w", err)
	}
	return hash, nil
}

// passwordFaults says what is to be put right about a new password.
func passwordFaults(password, again string) []review.Fault {
	switch n := utf8.RuneCountInString(plainPassword(password)); {
	case n < passwordLeast:
		return []review.Fault{{Field: "password", Text: fmt.Sprintf("A password has %d characters or more. Four words that have nothing to do with each other will do; any character may be used.", passwordLeast)}}
	case n > passwordMost:
		return []review.Fault{{Field: "password", Text: fmt.Sprintf("A password has at most %d characters.", passwordMost)}}
	case password != again:
		return []review.Fault{{Field: "again", Text: "The two are not alike. Write the same password twice."}}
	}
	return nil
}

// pauses lets an account be tried five times, and an address, behind which a
// whole clinic may stand, twenty; each further try waits twice as long, up to
// an hour. So fewer than fifty guesses at one account fit into a day.
func pauses(own string) func(key string, n int) time.Duration {
	return func(key string, n int) time.Duration {
		free, most := 20, 5*time.Minute
		if key == own {
			free, most = 5, time.Hour
		}
		if n < free {
			return 0
		}
		return min(time.Second<<min(n-free, 12), most)
	}
}

// tryKey names what tries are counted under, without telling it.
func tryKey(kind, text string) string { return keyOf(kind + "\x00" + text) }

// newCode is a code that a person can type: 100 bits in groups of four.
func newCode() string {
	var b [13]byte
	_, _ = rand.Read(b[:]) // never fails, by its documentation
	text := base32.StdEncoding.WithPadding(base32.NoPadding).EncodeToString(b[:])[:20]
	return strings.Join([]string{text[:4], text[4:8], text[8:12], text[12:16], text[16:]}, "-")
}

// codeKey is the digest of a code, however it was typed. Letters that are
// figures at a glance are taken for what they can only be: the code has no 0, 1
// or 8.
func codeKey(typed string) string {
	typed = strings.Map(func(r rune) rune {
		switch r {
		case '-', ' ', '\t', '\u2010', '\u2011', '\u2013':
			return -1
		case '0':
			return 'O'
		case '1':
			return 'I'
		case '8':
			return 'B'
		}
		return r
	}, strings.ToUpper(strings.TrimSpace(typed)))
	return keyOf("code " + typed)
}

// FirstCode makes a code for the first administrator and says until when it
// holds; "" if there are users already. An earlier one is void.
func (w *Server) FirstCode(ctx context.Context) (code string, until time.Time, err error) {
	if w.s.Access == nil {
		return "", time.Time{}, nil
	}
	code, until = newCode(), w.s.Now().Add(codeLasts)
	kept, err := w.s.Access.FirstCode(ctx, poct.SetupCode{Key: codeKey(code), Expires: until})
	if err != nil || !kept {
		return "", time.Time{}, err
	}
	return code, until, nil
}

// FirstAdministrator makes the first user, if there is none yet, with this
// password.
func (w *Server) FirstAdministrator(ctx context.Context, name, password string) error {
	code, _, err := w.FirstCode(ctx)
	if err != nil || code == "" {
		return err
	}
	if faults := passwordFaults(password, password); len(faults) > 0 {
		return &review.FormError{Faults: faults}
	}
	hash, err := hashOf(ctx, password)
	if err != nil {
		return err
	}
	return w.s.Access.Redeem(ctx, name, codeKey(code), hash)
}

var userNameForm = regexp.MustCompile(`^[a-z0-9][a-z0-9._-]{1,63}$`)

// userName is a name as it is kept, however it was typed.
func userName(typed string) string { return strings.ToLower(strings.TrimSpace(typed)) }

// scope is what a user or a token may: as it is written in a form.
type scope struct {
	Roles []string `json:"roles"`
	Sites []string `json:"sites"`
}

// faults checks a scope; sites that the registry does not know are refused.
func (w *Server) scopeFaults(s scope) []review.Fault {
	var out []review.Fault
	if len(s.Roles) == 0 {
		out = append(out, review.Fault{Field: "roles", Text: "Choose at least one role."})
	}
	for _, r := range s.Roles {
		if !slices.Contains(roles, r) {
			out = append(out, review.Fault{Field: "roles", Text: "Roles are " + list(roles, "and") + "."})
			break
		}
	}
	if len(s.Sites) == 0 {
		out = append(out, review.Fault{Field: "sites", Text: "Write the ids of sites, or * for all."})
	}
	book := w.s.Reader.Book()
	for _, site := range s.Sites {
		if site == "*" {
			continue
		}
		if _, known, err := book.Site(site); err == nil && !known {
			out = append(out, review.Fault{Field: "sites", Text: "The registry has no site of this id: " + site + "."})
		}
	}
	return out
}

// setupFor is a fresh code for a user.
func (w *Server) setupFor(name string) (code string, kept poct.SetupCode) {
	code = newCode()
	return code, poct.SetupCode{Key: codeKey(code), Name: name, Expires: w.s.Now().Add(codeLasts)}
}

// addUser adds a user and returns the code by which they set their password.
func (w *Server) addUser(ctx context.Context, by string, u poct.User) (poct.User, string, poct.SetupCode, error) {
	u.Name, u.Made = userName(u.Name), w.s.Now()
	faults := w.scopeFaults(scope{u.Roles, u.Sites})
	if !userNameForm.MatchString(u.Name) || u.Name == poct.System {
		faults = append([]review.Fault{{Field: "name", Text: "A name has 2 to 64 small letters, figures, points or dashes, such as n.kaya."}}, faults...)
	} else if w.hasToken(u.Name) {
		faults = append(faults, review.Fault{Field: "name", Text: "An access token in the configuration has this name. Write another: a name stands for one person."})
	}
	faults = append(faults, operatorFaults(u.Operators)...)
	if len(faults) > 0 {
		return u, "", poct.SetupCode{}, &review.FormError{Faults: faults}
	}
	code, kept := w.setupFor(u.Name)
	err := w.s.Access.AddUser(ctx, by, u, kept)
	if errors.Is(err, poct.ErrOvertaken) {
		err = &review.FormError{Faults: []review.Fault{{Field: "name", Text: "There is a user of this name."}}}
	}
	return u, code, kept, err
}

func operatorFaults(numbers []string) []review.Fault {
	for _, n := range numbers {
		if len(n) > 40 || strings.ContainsAny(n, ", \t\r\n") {
			return []review.Fault{{Field: "operators", Text: "Write operator numbers as the meters send them, with spaces or commas between."}}
		}
	}
	return nil
}

// changeUser changes what stands in the form; a nil list stays as it is.
func (w *Server) changeUser(ctx context.Context, by, name string, roles, sites, operators []string, disabled *bool) (poct.User, error) {
	u, err := w.s.Access.User(ctx, name)
	if err != nil {
		return u, err
	}
	if roles != nil {
		u.Roles = roles
	}
	if sites != nil {
		u.Sites = sites
	}
	if operators != nil {
		u.Operators = operators
	}
	if disabled != nil {
		u.Disabled = *disabled
	}
	if faults := append(w.scopeFaults(scope{u.Roles, u.Sites}), operatorFaults(u.Operators)...); len(faults) > 0 {
		return u, &review.FormError{Faults: faults}
	}
	return u, w.s.Access.ChangeUser(ctx, by, u)
}

// addToken makes an access token; the text is shown once and kept nowhere.
func (w *Server) addToken(ctx context.Context, by string, x poct.AccessToken, days int) (poct.AccessToken, string, error) {
	x.Name = strings.TrimSpace(x.Name)
	faults := w.scopeFaults(scope{x.Roles, x.Sites})
	if x.Name == "" || len(x.Name) > 80 || x.Name == poct.System || strings.ContainsFunc(x.Name, func(r rune) bool { return r < ' ' }) {
		faults = append([]review.Fault{{Field: "name", Text: "Write what uses this token, such as ward board: every look and act carries the name."}}, faults...)
	}
	if slices.Contains(x.Roles, admin) {
		faults = append(faults, review.Fault{Field: "roles", Text: "A token administers nobody. Choose another role."})
	}
	if days == 0 {
		days = tokenDaysUsual
	}
	if days < 1 || days > tokenDaysMost {
		faults = append(faults, review.Fault{Field: "days", Text: fmt.Sprintf("A token lasts 1 to %d days.", tokenDaysMost)})
	}
	if len(faults) > 0 {
		return x, "", &review.FormError{Faults: faults}
	}
	x.ID, x.Made, x.MadeBy = "t-"+random()[:10], w.s.Now(), by
	x.Expires = x.Made.Add(time.Duration(days) * 24 * time.Hour)
	token := tokenPrefix + random() + random()
	return x, token, w.s.Access.AddToken(ctx, x, keyOf(token))
}

// byMadeToken finds whoever uses a token that was made here, while it holds.
func (w *Server) byMadeToken(ctx context.Context, token string) (a poct.Actor, readOnly, ok bool) {
	if w.s.Access == nil || !strings.HasPrefix(token, tokenPrefix) {
		return a, false, false
	}
	x, err := w.s.Access.AccessToken(ctx, keyOf(token))
	if err != nil {
		if !errors.Is(err, poct.ErrNotFound) {
			w.s.Log.Error().Err(err).Msg("an access token could not be looked up")
		}
		return a, false, false
	}
	if !x.Revoked.IsZero() || !w.s.Now().Before(x.Expires) {
		return a, false, false
	}
	return x.Actor(), x.ReadOnly, true
}

// hasToken tells whether a token from the configuration has this name.
func (w *Server) hasToken(name string) bool {
	return slices.ContainsFunc(w.people, func(p digestedPerson) bool { return strings.EqualFold(p.actor.Name, name) })
}
