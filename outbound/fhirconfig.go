package outbound

import (
	"net/netip"
	"net/url"
	"strings"
	"time"
)

// FHIR is what is written for an outlet of kind fhir alone.
type FHIR struct {
	BaseURL string `yaml:"base_url"` // https, or http on loopback
	Mode    string `yaml:"mode"`     // auto, transaction, put, single; default auto
	Auth    Auth   `yaml:"auth"`
	TLS     TLS    `yaml:"tls"`
	// SearchByPost keeps patients' identifiers out of the record system's
	// URLs, where it supports POST [type]/_search.
	SearchByPost bool `yaml:"search_by_post"`
	// INRUnit is the UCUM code sent for INR: "{INR}", or "1" where the receiver
	// takes no annotations.
	INRUnit string `yaml:"inr_unit"`
	// OwnIDs: "auto" creates under ids of ours where the record system says that
	// it takes them, "never" leaves the ids to it.
	OwnIDs string        `yaml:"own_ids"`
	IDAge  time.Duration `yaml:"id_age"` // how long ids of the record system are trusted, default 15m
	Audit  Audit         `yaml:"audit"`
}

// Auth says how to sign in. Secrets and keys stand in files of mode 0600.
type Auth struct {
	Kind         string `yaml:"kind"` // none, bearer, basic, smart
	TokenFile    string `yaml:"token_file"`
	Username     string `yaml:"username"`
	PasswordFile string `yaml:"password_file"`

	// SMART Backend Services: where tokens are had (found at the record system
	// if left out), who we are, the private key as PEM or JWK, its id, and what
	// is asked for.
	TokenURL string `yaml:"token_url"`
	ClientID string `yaml:"client_id"`
	KeyFile  string `yaml:"key_file"`
	KeyID    string `yaml:"key_id"`
	Scope    string `yaml:"scope"`
}

// usualScope is what an outlet does at a record system, in SMART scopes of
// version 2.
const usualScope = "system/Observation.crus system/DiagnosticReport.crus system/Patient.rs system/Specimen.crus " +
	"system/Provenance.crus system/Device.crs system/Organization.crs system/Substance.crs"

func (f *FHIR) withDefaults() {
	text(&f.Mode, modeAuto)
	text(&f.OwnIDs, "auto")
	text(&f.Auth.Kind, "none")
	if f.Auth.Kind == "smart" {
		text(&f.Auth.Scope, usualScope)
	}
	span(&f.IDAge, 15*time.Minute)
	f.Audit.withDefaults()
}

func (f *FHIR) validate(say sayFault) {
	oneOf(say, "mode", f.Mode, modeAuto, modeTransaction, modePut, modeSingle)
	if f.Mode == modePut && f.OwnIDs == "never" {
		say("own_ids", "mode put creates under ids of ours", "write own_ids: auto, or mode: single")
	}
	if what := badBase(f.BaseURL); what != "" {
		say("base_url", what, "write the address of the record system, for example https://record.example/fhir; http is for loopback only")
	}
	if f.INRUnit != "" && f.INRUnit != "{INR}" && f.INRUnit != "1" {
		say("inr_unit", "is not a UCUM code for INR", `write "{INR}" or "1"`)
	}
	oneOf(say, "own_ids", f.OwnIDs, "auto", "never")
	within(say, "id_age", f.IDAge, time.Second, 24*time.Hour)
	f.Auth.validate(say)
	f.TLS.validate(say)
	f.Audit.validate(say)
}

func (f *FHIR) open(c Config, s Settings) (Destination, error) { return newRecordSystem(c, s) }

func (a Auth) validate(say sayFault) {
	switch a.Kind {
	case "none":
		if a.TokenFile != "" || a.PasswordFile != "" || a.KeyFile != "" {
			say("auth.kind", "a secret is named, but the kind says none", "write bearer, basic or smart")
		}
	case "bearer":
		if a.TokenFile == "" {
			say("auth.token_file", "bearer needs a token", "write the path of a file of mode 0600 that holds it")
		}
	case "basic":
		if a.Username == "" {
			say("auth.username", "basic needs a user name", "write it here")
		}
		if a.PasswordFile == "" {
			say("auth.password_file", "basic needs a password", "write the path of a file of mode 0600 that holds it")
		}
	case "smart":
		if a.ClientID == "" {
			say("auth.client_id", "smart needs the id that the record system gave to us", "write it here")
		}
		if a.KeyFile == "" {
			say("auth.key_file", "smart needs a private key", "write the path of a file of mode 0600 with an RSA or P-384 key, PEM or JWK")
		}
		if a.KeyID == "" {
			say("auth.key_id", "smart needs the id under which our public key is published", "write the kid of the key")
		}
		if a.TokenURL != "" && badBase(a.TokenURL) != "" {
			say("auth.token_url", badBase(a.TokenURL), "write the address of the token endpoint, or leave it out to have it found")
		}
	default:
		say("auth.kind", "auth kind "+a.Kind+" does not exist", "write none, bearer, basic or smart")
	}
}

// badBase says why an address is not one to send patients' results to.
func badBase(base string) string {
	u, err := url.Parse(base)
	switch {
	case base == "":
		return "the address of the record system is missing"
	case err != nil || u.Host == "" || (u.Scheme != "http" && u.Scheme != "https"):
		return "not an absolute http or https address"
	case u.User != nil || u.RawQuery != "" || u.Fragment != "":
		return "an address here holds no credentials, query or fragment"
	}
	host := u.Hostname()
	ip, err := netip.ParseAddr(host)
	if err == nil && (ip.IsLinkLocalUnicast() || ip.IsMulticast() || ip.IsUnspecified()) {
		return "this address is of no single host"
	}
	loopback := (err == nil && ip.IsLoopback()) || strings.EqualFold(host, "localhost")
	if u.Scheme == "http" && !loopback {
		return "http off this machine would send results in the clear"
	}
	return ""
}
