package app

import (
	"context"
	"strings"
	"time"

	"tidegate/web"
)

// FirstCode makes the code by which the first administrator sets a password,
// and says until when it holds; "" if there are users.
func (a *App) FirstCode(ctx context.Context) (code string, until time.Time, err error) {
	return a.web.FirstCode(ctx)
}

// FirstAdministrator makes the first user, if there is none yet, with this
// password: for a demonstration, whose password may be printed.
func (a *App) FirstAdministrator(ctx context.Context, name, password string) error {
	return a.web.FirstAdministrator(ctx, name, password)
}

// letIn fills in who may come in, and from where.
func (a *App) letIn(s *web.Settings) {
	w := a.cfg.Web
	s.Access = a.store
	s.Limits = web.Limits{Address: w.Limits.PerAddress, Person: w.Limits.PerPerson}
	if w.TLS != nil {
		s.TLS = &web.TLSFiles{Cert: w.TLS.CertFile, Key: w.TLS.KeyFile}
	}
	if w.Behind != nil {
		s.Behind = w.Behind.Prefixes
	}
	if o := w.OIDC; o != nil {
		s.Provider = &web.Provider{
			Issuer: o.Issuer, ClientID: o.ClientID, ClientSecret: o.ClientSecret.Reveal(), Address: o.Address, Label: o.Label,
			ClaimName: o.ClaimName, ClaimRoles: o.ClaimRoles, Roles: o.Roles,
			ClaimSites: o.ClaimSites, Sites: o.Sites, ClaimOperator: o.ClaimOperator,
		}
	}
}

// administers tells whether a command is about who may come in: the user of
// this machine, who owns the data folder, is their administrator.
func administers(path string) bool {
	for _, about := range []string{"/api/v1/users", "/api/v1/tokens"} {
		if path == about || strings.HasPrefix(path, about+"/") {
			return true
		}
	}
	return false
}
