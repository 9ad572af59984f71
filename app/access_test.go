package app_test

import (
	"context"
	"encoding/json"
	"net"
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidegate/app"
)

// TestPeopleComeInByPassword: the code of the first start makes an
// administrator, the user of this machine lets a colleague in through the
// command socket, and a restart signs nobody out.
func TestPeopleComeInByPassword(t *testing.T) {
	h := newHouse(t)
	ctx := t.Context()
	code, _, err := h.app.FirstCode(ctx)
	require.NoError(t, err)
	const password = "a kettle on a slow train"
	jar, err := cookiejar.New(nil)
	require.NoError(t, err)
	browser := &http.Client{Jar: jar, CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	post := func(path string, form url.Values) int {
		res, err := browser.PostForm(h.app.URL()+path, form)
		require.NoError(t, err)
		require.NoError(t, res.Body.Close())
		return res.StatusCode
	}
	require.Equal(t, http.StatusSeeOther, post("sign-in/set-password", url.Values{"name": {"n.hale"}, "code": {code}, "password": {password}, "again": {password}}))
	code, _, err = h.app.FirstCode(ctx)
	require.NoError(t, err)
	assert.Empty(t, code, "there is an administrator now")

	socket := &http.Client{Transport: &http.Transport{DialContext: func(ctx context.Context, _, _ string) (net.Conn, error) {
		return new(net.Dialer).DialContext(ctx, "unix", filepath.Join(h.cfg.DataDir, app.SocketName))
	}}}
	users := func() (names []string) {
		res, err := socket.Get("http://tidegate/api/v1/users")
		require.NoError(t, err)
		defer res.Body.Close()
		var answer struct{ Users []struct{ Name string } }
		require.NoError(t, json.NewDecoder(res.Body).Decode(&answer))
		for _, u := range answer.Users {
			names = append(names, u.Name)
		}
		return names
	}
	assert.Equal(t, []string{"n.hale"}, users())
	require.Equal(t, http.StatusOK, post("users", url.Values{"name": {"p.lund"}, "role": {"nurse"}, "sites": {"*"}}))

	u, err := url.Parse(h.app.URL())
	require.NoError(t, err)
	kept := jar.Cookies(u)
	h.end()
	h.begin()
	u, err = url.Parse(h.app.URL()) // another port: the cookie goes with it
	require.NoError(t, err)
	jar.SetCookies(u, kept)
	res, err := browser.Get(h.app.URL() + "users")
	require.NoError(t, err)
	require.NoError(t, res.Body.Close())
	assert.Equal(t, http.StatusOK, res.StatusCode, "still signed in")
	assert.Equal(t, []string{"n.hale", "p.lund"}, users())
}
