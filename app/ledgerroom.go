package app

import (
	"context"
	"encoding/hex"
	"errors"
	"os"
	"strings"

	"tidegate/ledger"
	"tidegate/poct"
	"tidegate/web"
)

// ledgerRoom shows the ledger to the pages.
type ledgerRoom struct{ app *App }

// State reads the newest signed head and the anchor as they are now.
func (l ledgerRoom) State(ctx context.Context) (web.LedgerState, error) {
	size, err := l.app.store.Size(ctx)
	if err != nil {
		return web.LedgerState{}, err
	}
	out := web.LedgerState{Size: size, Origin: l.app.key.Origin(), Key: l.app.key.String()}
	note, err := l.app.store.Checkpoint(ctx)
	switch {
	case err == nil:
		body, _, _ := strings.Cut(string(note), "\n\n") // the signatures follow
		head, err := ledger.ParseText(body + "\n")
		if err != nil {
			return out, err
		}
		out.Signed, out.Root = head.Size, hex.EncodeToString(head.Root[:])
	case !errors.Is(err, poct.ErrNotFound):
		return out, err
	}
	out.Anchor = l.anchor()
	return out, nil
}

// anchor is what stands outside; nil where nothing does or it cannot be read:
// a seal that fails for it is told by the sealer.
func (l ledgerRoom) anchor() *web.AnchorState {
	file := l.app.cfg.Ledger.AnchorFile
	if file == "" {
		return nil
	}
	text, err := os.ReadFile(file)
	if err != nil {
		return nil
	}
	head, err := ledger.ParseText(string(text))
	if err != nil {
		return nil
	}
	out := &web.AnchorState{Size: head.Size, Root: hex.EncodeToString(head.Root[:])}
	if info, err := os.Stat(file); err == nil {
		out.Written = info.ModTime()
	}
	return out
}

func (l ledgerRoom) Looks(ctx context.Context, actor, about string, before int64, limit int) ([]poct.Event, int64, error) {
	return l.app.store.Looks(ctx, actor, about, before, limit)
}

// Verify recomputes the ledger of the data folder beside the running daemon.
func (l ledgerRoom) Verify(ctx context.Context, progress func(done, of int64)) (ledger.Verification, error) {
	return Verify(ctx, l.app.cfg, progress)
}
