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
	"strings"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"tidegate/standin"
)

// Numbers of tests that do not come over MLLP and HTTP, apart from theirs.
const (
	fromQueue  = 20_000
	fromFolder = 30_000
	fromDesk   = 40_000
	fromLate   = 50_000
	fromLink   = 60_000
	fromDock   = 70_000
)

// LateMeter is the meter whose controls come after its results.
const LateMeter = "Q3-0121"

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

// RunProtocols starts a meter that speaks LIS01 and one that speaks POCT1-A2.
// Their patients are strangers, so nothing of theirs may reach the record.
func (l *Load) RunProtocols(ctx context.Context) {
	l.wg.Go(func() {
		for n := fromLink; ctx.Err() == nil; n++ {
			at := l.h.begin.Add(time.Duration(n%100) * time.Second).Format("20060102150405")
			raw := fmt.Appendf(nil, "H|\\^&|||SEDGE5|||||||P||%s\rP|1||stranger-%d||Nobody^At^All||19500101|F\rO|1||%d|^^^INR\r"+
				"R|1|^^^INR|2.4|{INR}||N||F||124|%s|%s|S5-701\rL|1|N\r", at, n, n, at, at)
			l.persist(Message{Raw: raw}, func(to *Child) error {
				answer, err := standin.SayLIS(context.Background(), to.Inlets["link"], raw)
				return only("ACK", answer, err)
			})
		}
	})
	l.wg.Go(func() {
		for n := fromDock; ctx.Err() == nil; n++ {
			at := l.h.begin.Add(time.Duration(n%100) * time.Second).Format(time.RFC3339)
			raw := fmt.Appendf(nil, `<OBS.R01><HDR><HDR.control_id V="%d"/><HDR.version_id V="POCT1"/><HDR.creation_dttm V="%s"/></HDR>`+
				`<SVC><SVC.role_cd V="OBS"/><SVC.observation_dttm V="%s"/><SVC.reason_cd V="NEW"/><SVC.sequence_nbr V="%d"/><PT><PT.patient_id V="stranger-%d"/>`+
				`<OBS><OBS.observation_id V="INR" SN="LOCAL"/><OBS.value V="2.4" U="{INR}"/><OBS.method_cd V="M"/></OBS></PT></SVC></OBS.R01>`, n, at, at, n, n)
			l.persist(Message{Raw: raw}, func(to *Child) error {
				answer, err := standin.SayPOCT1A(context.Background(), to.Inlets["dock"], "S5-702", raw)
				return only("AA", answer, err)
			})
		}
	})
}

// only takes one answer for a yes.
func only(yes, answer string, err error) error {
	if err == nil && answer != yes {
		err = fmt.Errorf("answered %q", answer)
	}
	return err
}

// RunLate sends a result of a meter whose controls have not come, so that it is
// held, and then the controls, run before it: it is judged again by itself.
func (l *Load) RunLate() {
	l.wg.Go(func() {
		say := func(m Message) {
			m.Raw = bytes.ReplaceAll(bytes.ReplaceAll(m.Raw, []byte(Meter), []byte(LateMeter)), []byte("||118|QUILL3"), []byte("||127|QUILL3"))
			l.persist(m, func(to *Child) error {
				answer, err := Say(to, m.Raw)
				if err == nil && !bytes.Contains(answer, []byte("\rMSA|AA|")) {
					err = fmt.Errorf("answered %q", answer)
				}
				return err
			})
		}
		say(l.h.Test(fromLate, "F", "2.4"))
		for i, inr := range []string{"1.1", "3.1"} {
			at := stamp(l.h.begin.Add(-time.Minute))
			say(Message{Raw: fmt.Appendf(nil, "MSH|^~\\&|QUILL3|harbour|TIDEGATE|MILLRACE|%s||ORU^R01^ORU_R01|late-%d|P|2.5.1\r"+
				"OBR|1||%d^%s|INR^PT^99QUILL|||%s\r"+
				"OBX|1|NM|34714-6^INR^LN||%s|{INR}^^UCUM|||||F|||%s||118|QUILL3|%s^QUILL3|%s\r"+
				"OBX|2|ST|STRIPLOT^Strip lot^99QUILL||Q2411||||||F\rSPM|1|CQ-10||BLD|||||||Q|||%d\r",
				stamp(l.h.begin.Add(140*time.Minute)), i, 190_000+i, Meter, at, inr, at, Meter, at, i+1)})
		}
	})
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

// review sends a message whose lot is not known, and discards those that are held for it.
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
			ID, Cause string
			Version   int
		}
	}
	if err := json.Unmarshal(body, &list); err != nil {
		return err
	}
	for _, hold := range list.Holds {
		if !strings.HasPrefix(hold.Cause, "lot-unknown|") {
			continue // what waits for its controls is not hers to discard
		}
		_, _, err := h.Ask(to, "c.hale", http.MethodPost, "holds/"+hold.ID+"/settle", map[string]any{
			"act": "discard", "version": hold.Version, "reason": "no such lot at this clinic",
		})
		if err != nil {
			return err
		}
	}
	return nil
}
