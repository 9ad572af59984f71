package app

import (
	"context"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"

	"github.com/prometheus/client_golang/prometheus/promhttp"

	"tidegate/ledger"
	"tidegate/poct"
	"tidegate/registry"
	"tidegate/review"
	"tidegate/store"
	"tidegate/validate"
	"tidegate/web"
)

// newWeb gives the pages what they may see and do.
func (a *App) newWeb() (*web.Server, error) {
	var people []web.Person
	for _, t := range a.cfg.Web.Tokens {
		people = append(people, web.Person{Token: t.Secret.Reveal(), Actor: t.As()})
	}
	var checks []web.CheckInfo
	add := func(local bool, list []validate.Info) {
		for _, c := range list {
			checks = append(checks, web.CheckInfo{Number: c.Number, Code: c.Code, Title: c.Title, Asks: c.Asks, Acts: c.Acts, Desk: c.Desk, Local: local})
		}
	}
	add(false, validate.Checks())
	add(true, a.cfg.Rules().Local())
	coordinator, err := review.NewCoordinator(reader{a.store}, a.cfg.Rules(), a.opt.Now)
	if err != nil {
		return nil, err
	}
	s := web.Settings{
		Reader:      reader{a.store},
		Desk:        a.desk,
		People:      people,
		Now:         a.opt.Now,
		Log:         a.log.With().Str("stage", "pages").Logger(),
		Listen:      a.cfg.Web.Listen,
		Group:       a.opt.Group,
		Version:     a.opt.Version,
		Checks:      checks,
		Facts:       registry.Facts,
		Readiness:   a.readiness,
		Coordinator: coordinator,
		Listeners:   a.Listeners,
		Wiring:      a.wiring,
		Outlets:     a.newOutlets(),
		Inlets:      a.newInlets(),
		Registry:    a.store,
		Ledger:      ledgerRoom{a},
		Import:      a.importRows,
		Export:      a.export,
		Checkpoint:  a.checkpoint,
		Prove:       a.prove,
		Ready:       a.notReady,
		Metrics:     promhttp.HandlerFor(a.metrics.reg, promhttp.HandlerOpts{}),
	}
	a.letIn(&s)
	return web.New(s)
}

// readiness asks the gate itself whether a meter may be used now.
func (a *App) readiness(_ context.Context, serial string) (poct.Readiness, error) {
	facts, lot, err := lookUp(a.cfg).ReadyFacts(a.store.Book(), serial, a.opt.Now())
	if err != nil {
		return poct.Readiness{}, err
	}
	facts.Heard = a.store.MeterHeard(serial)
	return a.cfg.Rules().Ready(facts, lot, a.cfg.MetersUsual), nil
}

// reader shows the store to the pages in their own terms.
type reader struct{ *store.Store }

func (r reader) Holds(ctx context.Context, f web.HoldFilter) ([]poct.HoldRecord, error) {
	limit := f.Limit
	if limit == 0 {
		limit = -1
	}
	return r.Store.Holds(ctx, store.HoldFilter{Open: !f.Settled, Settled: f.Settled, Result: f.Result, After: f.After, Limit: limit})
}

func (r reader) Find(ctx context.Context, q web.Query) ([]string, error) {
	return r.Store.Find(ctx, store.Query{Text: q.Text, Patient: q.Patient, BirthDate: q.BirthDate})
}

func (r reader) Meters(ctx context.Context) ([]poct.Meter, error) {
	rows, err := r.rows(ctx, poct.Meters)
	return rows.Meters, err
}

// rows reads all sites, or all meters.
func (r reader) rows(ctx context.Context, kind poct.RegistryKind) (all poct.RegistryRows, err error) {
	for after := ""; ; {
		page, next, err := r.Registry(ctx, kind, after, 1000)
		if err != nil {
			return all, fmt.Errorf("list %s: %w", kind, err)
		}
		all.Sites = append(all.Sites, page.Sites...)
		all.Meters = append(all.Meters, page.Meters...)
		if next == "" {
			return all, nil
		}
		after = next
	}
}

// wiring tells how each inlet, outlet and channel does. An inlet is well while
// it listens and is not silent.
func (a *App) wiring() []web.Wire {
	var out []web.Wire
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
	defer cancel()
	silent, err := a.silencesOf(ctx, nil)
	if err != nil {
		a.log.Error().Err(err).Msg("who is silent cannot be told just now")
	}
	for _, i := range a.inlets {
		w := web.Wire{ID: i.id, Kind: i.kind, Well: true, Since: a.started}
		for _, s := range silent {
			if s.ID == i.id {
				w.Well, w.Since, w.Why = false, s.Since, "Nothing has come in since, longer than is usual here."
			}
		}
		out = append(out, w)
	}
	states, err := a.newOutlets().List(ctx)
	if err != nil {
		a.log.Error().Err(err).Msg("how outlets do cannot be told just now")
	}
	for _, o := range states {
		out = append(out, web.Wire{ID: o.ID, Kind: o.Kind, Well: o.State == poct.OutletOpen, Since: o.Since, Why: o.Why})
	}
	if a.notices == nil {
		return out // opened for one command
	}
	for _, h := range a.notices.Health() {
		out = append(out, web.Wire{ID: h.Channel, Kind: h.Kind, Well: h.Up, Since: h.Since, Why: h.Reason})
	}
	return out
}

// importRows takes registry rows of one kind, by CSV or as a JSON list of
// objects with the same names. A line that is refused changes nothing; the
// others are taken.
func (a *App) importRows(ctx context.Context, actor string, kind poct.RegistryKind, body io.Reader, contentType string, dryRun bool) (web.ImportReport, error) {
	if strings.HasPrefix(contentType, "application/json") {
		table, err := tableOf(body)
		if err != nil {
			return web.ImportReport{}, err
		}
		body = strings.NewReader(table)
	}
	rows, refused, err := registry.ReadCSV(kind, body)
	report := web.ImportReport{DryRun: dryRun, Refused: []web.Refusal{}}
	if err != nil {
		return web.ImportReport{DryRun: dryRun, Refused: []web.Refusal{{Line: 1, Reason: err.Error()}}}, nil
	}
	for _, r := range refused {
		report.Refused = append(report.Refused, web.Refusal{Line: r.Line, Column: r.Column, Reason: r.Reason})
	}
	if dryRun {
		report.Added, report.Changed, err = a.store.Differs(ctx, rows)
	} else {
		report.Added, report.Changed, err = a.store.Upsert(ctx, actor, rows)
	}
	return report, err
}

// export writes the auditor's pack; that it was written is an event.
func (a *App) export(ctx context.Context, actor string, ids []string, w io.Writer) error {
	if err := a.store.Exported(ctx, actor, ids); err != nil {
		return err
	}
	if _, err := a.store.Seal(ctx, a.key); err != nil { // so that the newest events are under a head
		return err
	}
	pack, err := a.store.Pack(ctx, ids...)
	if err != nil {
		return err
	}
	return ledger.WritePack(w, pack, a.key)
}

func (a *App) checkpoint(ctx context.Context) (string, error) {
	note, err := a.store.Checkpoint(ctx)
	return string(note), err
}

// prove gives the proof of an event and has checked it itself.
func (a *App) prove(ctx context.Context, index int64) (web.Proof, error) {
	p, err := a.store.Proof(ctx, index)
	if errors.Is(err, store.ErrUnsigned) {
		return web.Proof{}, fmt.Errorf("event %d: %w", index, web.ErrUnsigned)
	}
	if err != nil {
		return web.Proof{}, err
	}
	leaf := ledger.Leaf(p.Event)
	hash := ledger.HashLeaf(leaf)
	if err := ledger.CheckInclusion(p.Head, index, hash, p.Path); err != nil {
		return web.Proof{}, fmt.Errorf("event %d does not match the signed head: %w", index, err)
	}
	out := web.Proof{
		Index: index, Leaf: leaf, LeafHash: hex.EncodeToString(hash[:]), Size: p.Head.Size,
		Root: hex.EncodeToString(p.Head.Root[:]), Path: []string{}, Key: a.key.String(), Checkpoint: string(p.Checkpoint),
	}
	for _, h := range p.Path {
		out.Path = append(out.Path, hex.EncodeToString(h[:]))
	}
	return out, nil
}

// notReady lists why this daemon should get no work now.
func (a *App) notReady(ctx context.Context) []string {
	if why := a.store.NotReady(ctx); why != "" {
		return []string{why}
	}
	return nil
}

// tableOf rewrites a JSON list of objects as the CSV that a file would hold,
// so that one reader judges both.
func tableOf(body io.Reader) (string, error) {
	var rows []map[string]any
	dec := json.NewDecoder(body)
	dec.UseNumber()
	if err := dec.Decode(&rows); err != nil {
		return "", fmt.Errorf("%w: a JSON list of objects is needed", errNotTable)
	}
	return asCSV(rows)
}

var errNotTable = errors.New("registry rows cannot be read")
