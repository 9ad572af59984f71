package app

import (
	"context"
	"os"

	"tidegate/audit"
	"tidegate/outbound"
)

// storeFor is the store of an outlet's worker: where it has an audit
// repository, each receipt is kept together with what that is to be told.
func (a *App) storeFor(o outbound.Config) outbound.Store {
	if _, ok := o.AuditAt(); !ok {
		return a.store
	}
	host, _ := os.Hostname() // without one it is left out
	return audit.Recording{Store: a.store, Where: audit.Where{
		RecordURL: o.FHIR.BaseURL, Host: host, Systems: a.cfg.Registry.IdentifierSystems,
	}}
}

// newAudits makes a worker for each outlet with an audit repository.
func (a *App) newAudits() ([]runner, error) {
	var out []runner
	for _, o := range a.cfg.Outlets {
		if _, ok := o.AuditAt(); !ok {
			continue
		}
		w, err := audit.New(audit.Settings{
			Outlet: o, Outbox: a.store, Log: a.log.With().Str("audit", o.ID).Logger(), Now: a.opt.Now, HTTP: a.opt.HTTPToOutlets,
		})
		if err != nil {
			return nil, err
		}
		out = append(out, runner{"audit " + o.ID, w.Run})
	}
	return out, nil
}

// audits tells what audit repositories have not been told.
func (s *scrape) audits(ctx context.Context) error {
	backlogs, err := s.app.store.AuditBacklogs(ctx)
	if err != nil {
		return err
	}
	known := map[string]bool{}
	for _, b := range backlogs {
		known[b.Outlet] = true
		s.gauge(gaugeAudits, float64(b.Waiting), b.Outlet)
		s.gauge(gaugeAuditsOldest, s.age(b.Oldest), b.Outlet)
		s.gauge(gaugeAuditsRefused, float64(b.Refused), b.Outlet)
	}
	for _, o := range s.app.cfg.Outlets {
		if _, ok := o.AuditAt(); ok && !known[o.ID] {
			s.gauge(gaugeAudits, 0, o.ID)
			s.gauge(gaugeAuditsOldest, 0, o.ID)
			s.gauge(gaugeAuditsRefused, 0, o.ID)
		}
	}
	return nil
}
