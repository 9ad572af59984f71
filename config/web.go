package config

import (
	"crypto/tls"
	"fmt"
	"maps"
	"net"
	"net/netip"
	"net/url"
	"os"
	"slices"
	"strings"

	"tidegate/poct"
)

// Web is the pages and the HTTP API.
type Web struct {
	Listen string `yaml:"listen,omitempty"` // 127.0.0.1:8460 if left out; beyond this machine only with tls or behind
	// TLS is the pages' own certificate; it is read anew when it changes.
	TLS *WebTLS `yaml:"tls,omitempty"`
	// Behind names the proxies that bring TLS and say whom a request is from.
	Behind *Behind `yaml:"behind,omitempty"`
	OIDC   *OIDC   `yaml:"oidc,omitempty"`
	Limits Limits  `yaml:"limits,omitempty"`
	Tokens []Token `yaml:"tokens,omitempty"`
}

// WebTLS are PEM files.
type WebTLS struct {
	CertFile string `yaml:"cert_file"` // with the certificates in between
	KeyFile  string `yaml:"key_file"`
}

// Behind is what stands before the pages.
type Behind struct {
	Proxies  []string       `yaml:"proxies"` // addresses or networks: 192.0.2.10, 192.0.2.0/28
	Prefixes []netip.Prefix `yaml:"-"`
}

// OIDC lets people in whom an identity provider knows: OpenID Connect, code
// flow with PKCE.
type OIDC struct {
	Issuer           string `yaml:"issuer"`
	ClientID         string `yaml:"client_id"`
	ClientSecretFile string `yaml:"client_secret_file,omitempty"`
	Address          string `yaml:"address"` // of the pages, as browsers know it; the provider is told address/sign-in/answer
	Label            string `yaml:"label,omitempty"`
	ClaimName        string `yaml:"claim_name,omitempty"` // preferred_username if left out
	ClaimRoles       string `yaml:"claim_roles"`
	// Roles are ours by what stands in claim_roles; whoever has none is not let in.
	Roles         map[string]string `yaml:"roles"`
	ClaimSites    string            `yaml:"claim_sites,omitempty"`
	Sites         []string          `yaml:"sites,omitempty"` // everybody's, where claim_sites is left out
	ClaimOperator string            `yaml:"claim_operator,omitempty"`
	ClientSecret  Secret            `yaml:"-"`
}

// Limits are requests a minute.
type Limits struct {
	PerAddress int `yaml:"per_address,omitempty"` // 6000 if left out
	PerPerson  int `yaml:"per_person,omitempty"`  // 3000 if left out
}

// Token lets a person or program in.
type Token struct {
	Actor     string   `yaml:"actor"`
	Role      string   `yaml:"role"`
	Sites     []string `yaml:"sites"`
	Operator  string   `yaml:"operator,omitempty"` // their own operator number: nobody may release what they ran
	TokenFile string   `yaml:"token_file"`
	Secret    Secret   `yaml:"-"`
}

// As is the person behind the token.
func (t Token) As() poct.Actor {
	return poct.Actor{Name: t.Actor, Role: t.Role, Sites: t.Sites, Operator: t.Operator}
}

func (w *Web) defaults() {
	if w.Listen == "" {
		w.Listen = "127.0.0.1:8460"
	}
	if w.Limits.PerAddress == 0 {
		w.Limits.PerAddress = 6000
	}
	if w.Limits.PerPerson == 0 {
		w.Limits.PerPerson = 3000
	}
	if o := w.OIDC; o != nil {
		if o.ClaimName == "" {
			o.ClaimName = "preferred_username"
		}
		if o.Label == "" {
			o.Label = "Sign in with your work account"
		}
	}
}

func (l *loader) web() {
	w := &l.cfg.Web
	l.behind()
	l.webTLS()
	host, port, err := net.SplitHostPort(w.Listen)
	switch {
	case err != nil || port == "":
		l.fault("web.listen", "is not an address and a port", "write 127.0.0.1:8460, or another address of this machine")
	case !loopback(host) && w.TLS == nil && w.Behind == nil:
		l.fault("web.listen", "is reachable from other machines, and nothing protects what is sent",
			"write web.tls with cert_file and key_file; or web.behind with the proxies that bring TLS; or 127.0.0.1 and a port, such as 127.0.0.1:8460")
	}
	if w.Limits.PerAddress < 0 || w.Limits.PerPerson < 0 {
		l.fault("web.limits", "is below nought", "write requests a minute, such as per_address: 6000")
	}
	l.oidc()
	l.tokens()
}

func loopback(host string) bool {
	ip, err := netip.ParseAddr(host)
	return err == nil && ip.Unmap().IsLoopback() || host == "localhost"
}

func (l *loader) behind() {
	b := l.cfg.Web.Behind
	if b == nil {
		return
	}
	if len(b.Proxies) == 0 {
		l.fault("web.behind.proxies", "names no proxy", "write its address, such as 192.0.2.10: what others say about whom a request is from is not believed")
	}
	for i, text := range b.Proxies {
		key := fmt.Sprintf("web.behind.proxies[%d]", i)
		p, err := netip.ParsePrefix(text)
		if a, err2 := netip.ParseAddr(text); err2 == nil {
			p, err = netip.PrefixFrom(a, a.BitLen()), nil
		}
		switch {
		case err != nil || p.Masked() != p:
			l.fault(key, "is no address or network", "write an address such as 192.0.2.10, or a network such as 192.0.2.0/28")
		case p.Bits() == 0:
			l.fault(key, "is every address there is", "write the proxy's own address")
		default:
			b.Prefixes = append(b.Prefixes, p)
		}
	}
}

func (l *loader) webTLS() {
	t := l.cfg.Web.TLS
	if t == nil {
		return
	}
	for _, f := range []struct {
		name string
		path *string
	}{{"cert_file", &t.CertFile}, {"key_file", &t.KeyFile}} {
		key := "web.tls." + f.name
		if *f.path == "" {
			l.fault(key, "is missing", "write the path of a PEM file")
			return
		}
		l.path(f.path)
		info, err := os.Stat(*f.path)
		if err == nil && f.name == "key_file" {
			err = private(info)
		}
		if err != nil {
			l.fault(key, "the file "+reason(err), "write the path of a PEM file; of the key, one of mode 0600")
			return
		}
	}
	if _, err := tls.LoadX509KeyPair(t.CertFile, t.KeyFile); err != nil {
		l.fault("web.tls.cert_file", "certificate and key are not a pair in PEM", "write the certificate, then those in between, in one file, and its own key in the other")
	}
}

func (l *loader) oidc() {
	o := l.cfg.Web.OIDC
	if o == nil {
		return
	}
	need := func(key, value, instead string) {
		if value == "" {
			l.fault("web.oidc."+key, "is missing", instead)
		}
	}
	need("client_id", o.ClientID, "write the name under which the provider knows tidegate")
	need("claim_roles", o.ClaimRoles, "write the claim that lists a person's groups, such as groups")
	if !secureURL(o.Issuer) {
		l.fault("web.oidc.issuer", "is no address that begins with https", "write the provider's issuer, as its own configuration tells it")
	}
	if u, err := url.Parse(o.Address); err != nil || !secureURL(o.Address) || strings.Trim(u.Path, "/") != "" {
		l.fault("web.oidc.address", "is not where browsers reach these pages", "write https, the host, and nothing after it, such as https://tidegate.millrace.example; tell the provider that address with /sign-in/answer behind it")
	}
	if o.ClientSecretFile != "" {
		o.ClientSecret = l.secret("web.oidc.client_secret_file", &o.ClientSecretFile)
	}
	if len(o.Roles) == 0 {
		l.fault("web.oidc.roles", "lets nobody in", "write a role for each group, such as {tide-reviewers: reviewer}")
	}
	for _, group := range slices.Sorted(maps.Keys(o.Roles)) {
		if !slices.Contains(roles, o.Roles[group]) {
			l.fault("web.oidc.roles."+group, "is no role", "write one of "+strings.Join(roles, ", "))
		}
	}
	if (len(o.Sites) == 0) == (o.ClaimSites == "") {
		l.fault("web.oidc.sites", "the sites must come from one place", `write sites for everybody, such as ["*"], or claim_sites, not both`)
	}
}

// secureURL tells whether what is sent there is hidden, or stays here.
func secureURL(text string) bool {
	u, err := url.Parse(text)
	return err == nil && u.Host != "" && u.User == nil && u.RawQuery == "" && u.Fragment == "" &&
		(u.Scheme == "https" || u.Scheme == "http" && loopback(u.Hostname()))
}

func (l *loader) tokens() {
	c := l.cfg
	seen := map[string]int{}
	for i := range c.Web.Tokens {
		t := &c.Web.Tokens[i]
		key := fmt.Sprintf("web.tokens[%d]", i)
		if strings.TrimSpace(t.Actor) == "" || len(t.Actor) > 80 {
			l.fault(key+".actor", "names nobody", "write who uses this token: every act and look carries the name")
		}
		if t.Actor == poct.System {
			l.fault(key+".actor", "is the name of the program itself", "write the name of a person")
		}
		if !slices.Contains(roles, t.Role) {
			l.fault(key+".role", "is no role", "write one of "+strings.Join(roles, ", "))
		}
		if len(t.Sites) == 0 {
			l.fault(key+".sites", "names no site", `write site ids, or ["*"] for all`)
		}
		if t.TokenFile == "" {
			l.fault(key+".token_file", "is missing", "write the path of a file of mode 0600 that holds the token")
			continue
		}
		t.Secret = l.secret(key+".token_file", &t.TokenFile)
		if first, ok := seen[t.Secret.text]; ok && !t.Secret.IsZero() {
			l.fault(key+".token_file", fmt.Sprintf("holds the same token as web.tokens[%d]", first), "give each person a token of their own")
			continue
		}
		seen[t.Secret.text] = i
	}
}

// webSites checks the sites that tokens and people of a provider are let in
// for.
func (l *loader) webSites() {
	for i, t := range l.cfg.Web.Tokens {
		for j, site := range t.Sites {
			l.knownSite(fmt.Sprintf("web.tokens[%d].sites[%d]", i, j), site)
		}
	}
	if o := l.cfg.Web.OIDC; o != nil {
		for j, site := range o.Sites {
			l.knownSite(fmt.Sprintf("web.oidc.sites[%d]", j), site)
		}
	}
}
