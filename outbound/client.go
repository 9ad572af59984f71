package outbound

import (
	"fmt"

	"tidegate/wire/fhir"
)

// Client is a client of the FHIR server behind an outlet of kind fhir, with
// the address, TLS and sign-in that its deliveries have. It is for whoever
// asks beside them: the probe before go-live. It reads secrets but opens no
// connection.
func Client(cfg Config, s Settings) (*fhir.Client, error) {
	cfg = cfg.WithDefaults()
	if cfg.Kind != "fhir" {
		return nil, fmt.Errorf("outlet %s is of kind %s; only one of kind fhir is a FHIR server", cfg.ID, cfg.Kind)
	}
	r, err := newRecordSystem(cfg, s)
	if err != nil {
		return nil, fmt.Errorf("outlet %s: %w", cfg.ID, err)
	}
	return r.client, nil
}
