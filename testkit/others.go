package testkit

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"os"
	"path/filepath"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
)

// Numbers of tests that do not come over MLLP and HTTP, apart from theirs.
const (
	fromQueue  = 20_000
	fromFolder = 30_000
	fromDesk   = 40_000
)

// RunOthers starts what Run does not: a queue's publisher, a program that drops
// files, and a reviewer who discards what is held.
func (l *Load) RunOthers(ctx context.Context) {
	for _, other := range []struct {
		from int
		send func(to *Child, n int, raw []byte) error
		held bool
	}{
		{fromQueue, l.h.publish, false},
		{fromFolder, l.h.drop, false},
		{fromDesk, l.h.review, true},
	} {
		l.wg.Go(func() {
			for n := other.from; ctx.Err() == nil; n++ {
				m := l.h.Test(n, "F", "2.4")
				if other.held {
					m = Message{Raw: bytes.ReplaceAll(m.Raw, []byte("Q2411"), []byte("Q2499"))} // no such lot
				}
				l.persist(m, func(to *Child) error { return other.send(to, n, m.Raw) })
			}
		})
	}
}

// publish puts a message into the queue; the queue's word is that it is there.
func (h *House) publish(to *Child, _ int, raw []byte) error {
	c, err := nats.Connect(to.Inlets["queue"], nats.Timeout(answerWithin), nats.NoReconnect())
	if err != nil {
		return err
	}
	defer c.Close()
	js, err := jetstream.New(c)
	if err != nil {
		return err
	}
	ctx, cancel := context.WithTimeout(context.Background(), answerWithin)
	defer cancel()
	_, err = js.Publish(ctx, "results.quill", raw)
	return err
}

// drop puts a file into the folder, whole, and waits until it was taken.
func (h *House) drop(to *Child, n int, raw []byte) error {
	at := filepath.Join(h.Setup.Drop, fmt.Sprintf("test-%d.hl7", n))
	if err := os.WriteFile(at+".tmp", raw, 0o600); err != nil {
		return err
	}
	if err := os.Rename(at+".tmp", at); err != nil {
		return err
	}
	look := time.NewTicker(5 * time.Millisecond)
	defer look.Stop()
	for {
		if _, err := os.Stat(at); errors.Is(err, os.ErrNotExist) {
			return nil
		}
		select {
		case <-look.C:
		case <-to.Done():
			return errors.New("the daemon ended")
		}
	}
}

// review sends a message that will be held, and discards whatever is held.
func (h *House) review(to *Child, _ int, raw []byte) error {
	answer, err := Say(to, raw)
	if err != nil || !bytes.Contains(answer, []byte("\rMSA|AA|")) {
		return fmt.Errorf("answered %q: %w", answer, err)
	}
	status, body, err := h.Ask(to, "c.hale", http.MethodGet, "holds", nil)
	if err != nil || status != http.StatusOK {
		return fmt.Errorf("holds: %d %w", status, err)
	}
	var list struct {
		Holds []struct {
			ID      string
			Version int
		}
	}
	if err := json.Unmarshal(body, &list); err != nil {
		return err
	}
	for _, hold := range list.Holds {
		_, _, err := h.Ask(to, "c.hale", http.MethodPost, "holds/"+hold.ID+"/settle", map[string]any{
			"act": "discard", "version": hold.Version, "reason": "no such lot at this clinic",
		})
		if err != nil {
			return err
		}
	}
	return nil
}
