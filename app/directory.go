package app

import (
	"context"
	"time"

	"tidegate/config"
	"tidegate/outbound"
	"tidegate/poct"
	"tidegate/registry"
	"tidegate/store"
	"tidegate/validate"
)

// newDirectory makes the directory of patients where they come from the record
// system, else nil.
func newDirectory(cfg *config.Config, opt Options) (*registry.Directory, error) {
	r := cfg.Registry
	if r.Patients.From != config.FromRecord {
		return nil, nil
	}
	client, refresh, err := outbound.NewClient(cfg.Outlet(r.Patients.Outlet), outbound.Settings{
		ID: r.Patients.Outlet, Now: opt.Now, Systems: r.IdentifierSystems, HTTP: opt.HTTPToOutlets,
	})
	if err != nil {
		return nil, err
	}
	return registry.NewDirectory(registry.DirectorySettings{
		Client: client, Refresh: refresh, Systems: r.IdentifierSystems, Age: r.Patients.Age,
		Orders: r.Orders.From == config.FromRecord, Now: opt.Now,
	})
}

// askDirectory has the judge look patients up in the directory.
func (a *App) askDirectory(d *registry.Directory) {
	look := a.judge.Facts
	a.judge.Facts = func(book poct.Book, r poct.Reading, received, now time.Time) (poct.Facts, error) {
		return look(d.Over(book), r, received, now)
	}
}

// askingStore asks the directory about the patient of a hold before the
// transaction that settles it.
type askingStore struct {
	*store.Store
	directory *registry.Directory
}

func (s askingStore) Settle(ctx context.Context, hold string, st poct.Settlement,
	decide func(poct.Book, poct.HoldRecord, poct.Arrival) (poct.Decision, error)) (poct.HoldRecord, error) {
	if h, err := s.Hold(ctx, hold); err == nil && st.Act != poct.ActDiscard {
		refs := []poct.PatientRef{h.Reading.Patient}
		if changed, err := validate.CorrectReading(h.Reading, st.Changes); err == nil {
			refs = append(refs, changed.Patient)
		}
		s.directory.Renew(ctx, refs)
	}
	return s.Store.Settle(ctx, hold, st, decide)
}
