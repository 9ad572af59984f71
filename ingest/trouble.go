package ingest

import (
	"sync"

	"github.com/rs/zerolog"
)

// Trouble logs what keeps an inlet from its work: a failure when it begins and
// when it changes, and once that it is over. It is safe for concurrent use.
type Trouble struct {
	Log    zerolog.Logger
	Begins string // the message with each failure
	Ends   string

	mu   sync.Mutex
	told string
}

// Is tells how it stands; nil is that nothing is in the way.
func (t *Trouble) Is(err error) {
	t.mu.Lock()
	defer t.mu.Unlock()
	text := ""
	if err != nil {
		text = err.Error()
	}
	switch {
	case text == t.told:
	case text != "":
		t.Log.Warn().Err(err).Msg(t.Begins)
	default:
		t.Log.Info().Msg(t.Ends)
	}
	t.told = text
}
