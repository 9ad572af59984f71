package outbound

import (
	"net/http"

	"tidegate/wire/fhir"
)

// NewClient makes a client of a FHIR outlet's record system that signs in as the
// outlet does. It reads secrets but opens no connection. refresh gets new
// credentials once the old ones were refused, and tells whether there are any.
func NewClient(cfg Config, s Settings) (client *fhir.Client, refresh func() (bool, error), err error) {
	cfg = cfg.WithDefaults()
	client, sign, err := newClient(cfg, s)
	if err != nil {
		return nil, nil, err
	}
	return client, sign.refresh, nil
}

func newClient(cfg Config, s Settings) (*fhir.Client, credentials, error) {
	hc := s.HTTP
	if hc == nil {
		trust, err := cfg.FHIR.TLS.Client()
		if err != nil {
			return nil, nil, err
		}
		hc = &http.Client{Transport: transport(cfg.InFlight, cfg.Timeout, trust)}
	}
	sign, err := newCredentials(cfg.FHIR.Auth, cfg.FHIR.BaseURL, hc, s, cfg.Timeout)
	if err != nil {
		return nil, nil, err
	}
	client, err := fhir.New(cfg.FHIR.BaseURL, fhir.Options{HTTP: hc, Authorize: sign.authorize, SearchByPost: cfg.FHIR.SearchByPost})
	return client, sign, err
}
