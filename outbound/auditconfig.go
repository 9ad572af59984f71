package outbound

import (
	"strings"

	"tidegate/poct"
)

// Audit is where each sending of an outlet of kind fhir is told of: a FHIR
// server that keeps AuditEvents. Without an address nobody is told.
type Audit struct {
	BaseURL string `yaml:"base_url"` // https, or http on loopback
	Auth    Auth   `yaml:"auth"`
	TLS     TLS    `yaml:"tls"`
}

// auditScope is what is asked for there, in SMART scopes of version 2.
const auditScope = "system/AuditEvent.c"

func (a *Audit) withDefaults() {
	text(&a.Auth.Kind, "none")
	if a.Auth.Kind == "smart" {
		text(&a.Auth.Scope, auditScope)
	}
}

func (a Audit) validate(say sayFault) {
	under := func(key, what, instead string) { say("audit."+key, what, instead) }
	if a.BaseURL == "" && (a.Auth.Kind != "none" || a.TLS != TLS{}) {
		under("base_url", "a sign-in is named, but no address", "write the address of the audit repository, or leave audit out")
	}
	if what := badBase(a.BaseURL); a.BaseURL != "" && what != "" {
		under("base_url", what, "write the address of the audit repository, for example https://audit.example/fhir; http is for loopback only")
	}
	a.Auth.validate(under)
	a.TLS.validate(under)
}

// AuditAt is an outlet's audit repository, as an outlet of its own that nobody
// delivers to: for NewClient. False: it has none.
func (c Config) AuditAt() (Config, bool) {
	a := c.FHIR.Audit
	return Config{
		ID: c.ID, Kind: "fhir", Sites: c.Sites, Timeout: c.Timeout,
		FHIR: FHIR{BaseURL: a.BaseURL, Auth: a.Auth, TLS: a.TLS},
	}.WithDefaults(), a.BaseURL != ""
}

// Wrote tells whether a receipt is of a request that was to write, rather than
// of a look-up.
func Wrote(r poct.Receipt) bool { return strings.HasPrefix(r.Request, writing) }
