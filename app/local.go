package app

import (
	"context"
	"errors"
	"net/http"
	"os"

	"github.com/rs/zerolog"

	"tidegate/config"
	"tidegate/ledger"
	"tidegate/store"
)

// OwnedBy and RolledBack tell apart why a data folder was not opened.
var (
	errOwned      *store.OwnedError
	errRolledBack *store.RolledBackError
)

// Refused tells whether a folder was refused because another daemon owns it
// or because it is an older copy of itself: nothing that trying again mends.
func Refused(err error) bool {
	return errors.As(err, &errOwned) || errors.As(err, &errRolledBack)
}

// Local is the data folder opened for one command, while no daemon runs. Its
// looks and acts are events like any other.
type Local struct{ app *App }

// OpenLocal takes the data folder for this process.
func OpenLocal(cfg *config.Config) (*Local, error) {
	a, err := open(cfg, Options{Log: zerolog.Nop()})
	if err != nil {
		return nil, err
	}
	return &Local{a}, nil
}

// Handler serves the API as the command socket would.
func (l *Local) Handler() http.Handler {
	h := commands{l.app.web, l.app.store}
	name := userName(os.Getuid())
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h.ServeHTTP(w, r.WithContext(context.WithValue(r.Context(), userKey{}, name)))
	})
}

// Close signs what the command did and gives the folder back.
func (l *Local) Close() error {
	_, err := l.app.store.Seal(context.Background(), l.app.key)
	return errors.Join(err, l.app.Close())
}

// Verify recomputes the ledger of a data folder. It reads beside a running
// daemon and changes nothing.
func Verify(ctx context.Context, cfg *config.Config, progress func(done, of int64)) (ledger.Verification, error) {
	keys := ""
	if b, err := os.ReadFile(publicFile(cfg.Ledger.KeyFile)); err == nil {
		keys = string(b)
	}
	return store.VerifyFolder(ctx, cfg.DataDir, store.Options{AnchorFile: cfg.Ledger.AnchorFile}, keys, progress)
}
