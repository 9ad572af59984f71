package standin

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
)

// Targets are where the meters send to, and the record system that goes away
// in the middle of the day.
type Targets struct {
	MLLP      string // host:port
	Drop      string // folder
	NATS      string // URL
	Subject   string // default results.quill
	HTTP      string // URL of the HTTP inlet
	HTTPToken string
	Record    *Record // nil: no outage
	// Over spreads the day over a time; 0 plays as fast as it is answered.
	Over time.Duration
	// OutageFor is how long the record system stays away at least, default 2s.
	OutageFor time.Duration
}

// Told counts what each meter was answered.
type Told map[string]map[string]int

// Progress is called after each item.
type Progress func(done, total int, it Item, answer string)

// patience is how often a meter sends what was not taken, and how long it
// waits for an answer. Pauses double from one to the next.
const (
	tries     = 8
	answerFor = 30 * time.Second
)

// Play lets the meters speak: the phases one after another, within a phase
// each meter for itself. It returns what they were told once all have spoken,
// or the first error that no meter could get over.
func (d *Day) Play(ctx context.Context, to Targets, progress Progress) (Told, error) {
	p := &player{day: d, to: to, progress: progress, told: Told{}}
	for _, it := range d.Items {
		p.total += it.Times
	}
	if to.Subject == "" {
		p.to.Subject = "results.quill"
	}
	if to.OutageFor == 0 {
		p.to.OutageFor = 2 * time.Second
	}
	defer p.close()
	last := 0
	for _, it := range d.Items {
		last = max(last, it.Phase)
	}
	for phase := 1; phase <= last; phase++ {
		if err := p.phase(ctx, phase); err != nil {
			return p.told, err
		}
		if phase == d.Outage {
			p.catchUp(ctx, phase)
		}
	}
	return p.told, nil
}

// catchUp gives the record system time to take in what was kept back, so that
// what the next phase corrects and withdraws stands there already. It waits
// with patience, not for ever: that everything arrives is for others to judge.
func (p *player) catchUp(ctx context.Context, phase int) {
	want := 0
	for _, it := range p.day.Items {
		if it.Phase <= phase {
			want += it.Want.Observations
		}
	}
	end := time.NewTimer(15 * time.Second)
	defer end.Stop()
	look := time.NewTicker(20 * time.Millisecond)
	defer look.Stop()
	for p.to.Record != nil && p.to.Record.Count("Observation") < want {
		select {
		case <-look.C:
		case <-end.C:
			return
		case <-ctx.Done():
			return
		}
	}
}

type player struct {
	day      *Day
	to       Targets
	progress Progress
	total    int

	mu   sync.Mutex
	told Told
	done int
	nats *nats.Conn
}

func (p *player) close() {
	if p.nats != nil {
		p.nats.Close()
	}
}

func (p *player) phase(ctx context.Context, phase int) error {
	lanes := map[string][]Item{}
	n := 0
	for _, it := range p.day.Items {
		if it.Phase == phase {
			lane := it.Meter + " " + string(it.Way)
			lanes[lane] = append(lanes[lane], it)
			n++
		}
	}
	var back <-chan time.Time
	if phase == p.day.Outage && p.to.Record != nil {
		p.to.Record.Outage(&Fault{Kind: Status, Status: http.StatusServiceUnavailable})
		defer p.to.Record.Outage(nil)
		t := time.NewTimer(p.to.OutageFor)
		defer t.Stop()
		back = t.C
	}
	over := p.to.Over * time.Duration(n) / time.Duration(max(p.total, 1))
	errs := make(chan error, len(lanes))
	for _, items := range lanes {
		go func() { errs <- p.lane(ctx, items, over/time.Duration(len(items))) }()
	}
	var err error
	for range lanes {
		err = errors.Join(err, <-errs)
	}
	if back != nil && err == nil {
		select {
		case <-back:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
	return err
}

// lane is one meter at work.
func (p *player) lane(ctx context.Context, items []Item, pace time.Duration) error {
	var m mouth
	switch items[0].Way {
	case MLLP:
		m = &mllpMouth{addr: p.to.MLLP}
	case HTTP:
		m = httpMouth{p.to.HTTP, p.to.HTTPToken}
	case Queue:
		js, err := p.stream()
		if err != nil {
			return err
		}
		m = queueMouth{js, p.to.Subject}
	case Folder:
		m = &folderMouth{dir: p.to.Drop}
	}
	defer m.close()
	tick := time.NewTicker(max(pace, time.Microsecond))
	defer tick.Stop()
	for _, it := range items {
		sent := bytes.ReplaceAll(it.Bytes, []byte(sentAt), []byte(time.Now().In(p.day.local).Add(it.Clock).Format("20060102150405-0700")))
		for range it.Times {
			answer, err := p.say(ctx, m, it, sent)
			if err != nil {
				return fmt.Errorf("standin: meter %s: %w", it.Meter, err)
			}
			p.note(it, answer, 1)
		}
		if pace == 0 {
			continue
		}
		select {
		case <-tick.C:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
	return nil
}

// say sends until the meter is told something that ends it: taken, or refused
// for good. A negative answer and silence are reasons to send again.
func (p *player) say(ctx context.Context, m mouth, it Item, b []byte) (string, error) {
	pause := 50 * time.Millisecond
	var last error
	for range tries {
		answer, err := m.say(ctx, it, b)
		if err == nil && answer != "AE" && answer != "CE" && answer != "503" {
			return answer, nil
		}
		if err == nil {
			p.note(it, answer, 0)
			err = fmt.Errorf("told %s", answer)
		}
		last = err
		t := time.NewTimer(pause)
		select {
		case <-t.C:
		case <-ctx.Done():
			t.Stop()
			return "", ctx.Err()
		}
		pause *= 2
	}
	return "", last
}

// note counts an answer; done is 0 for one after which the meter sends again.
func (p *player) note(it Item, answer string, done int) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.told[it.Meter] == nil {
		p.told[it.Meter] = map[string]int{}
	}
	p.told[it.Meter][answer]++
	p.done += done
	if p.progress != nil {
		p.progress(p.done, p.total, it, answer)
	}
}

func (p *player) stream() (jetstream.JetStream, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.nats == nil {
		c, err := nats.Connect(p.to.NATS, nats.RetryOnFailedConnect(true), nats.MaxReconnects(20))
		if err != nil {
			return nil, fmt.Errorf("standin: %w", err)
		}
		p.nats = c
	}
	return jetstream.New(p.nats)
}

// mouth is how a meter speaks; one for each meter.
type mouth interface {
	say(ctx context.Context, it Item, b []byte) (answer string, err error)
	close()
}

// mllpMouth keeps one connection, as meters do.
type mllpMouth struct {
	addr string
	conn net.Conn
	read *bufio.Reader
}

func (m *mllpMouth) close() {
	if m.conn != nil {
		_ = m.conn.Close()
		m.conn = nil
	}
}

func (m *mllpMouth) say(ctx context.Context, _ Item, b []byte) (string, error) {
	if m.conn == nil {
		var dialer net.Dialer
		c, err := dialer.DialContext(ctx, "tcp", m.addr)
		if err != nil {
			return "", err
		}
		m.conn, m.read = c, bufio.NewReader(c)
	}
	answer, err := m.exchange(b)
	if err != nil {
		m.close()
	}
	return answer, err
}

func (m *mllpMouth) exchange(b []byte) (string, error) {
	if err := m.conn.SetDeadline(time.Now().Add(answerFor)); err != nil {
		return "", err
	}
	frame := append(append([]byte{0x0b}, b...), 0x1c, 0x0d)
	if _, err := m.conn.Write(frame); err != nil {
		return "", err
	}
	if _, err := m.read.ReadBytes(0x0b); err != nil {
		return "", err
	}
	ack, err := m.read.ReadString(0x1c)
	if err != nil {
		return "", err
	}
	if _, err := m.read.ReadByte(); err != nil {
		return "", err
	}
	for _, segment := range strings.Split(ack, "\r") {
		if fields := strings.Split(segment, "|"); fields[0] == "MSA" && len(fields) > 1 {
			return fields[1], nil
		}
	}
	return "", errors.New("an answer without MSA")
}

type httpMouth struct{ url, token string }

func (httpMouth) close() {}

func (m httpMouth) say(ctx context.Context, _ Item, b []byte) (string, error) {
	ctx, cancel := context.WithTimeout(ctx, answerFor)
	defer cancel()
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, m.url, bytes.NewReader(b))
	if err != nil {
		return "", err
	}
	req.Header.Set("Content-Type", "application/hl7-v2; charset=utf-8")
	req.Header.Set("Authorization", "Bearer "+m.token)
	res, err := http.DefaultClient.Do(req)
	if err != nil {
		return "", err
	}
	defer res.Body.Close()
	if _, err := io.Copy(io.Discard, res.Body); err != nil {
		return "", err
	}
	return fmt.Sprint(res.StatusCode), nil
}

type queueMouth struct {
	js      jetstream.JetStream
	subject string
}

func (queueMouth) close() {}

func (m queueMouth) say(ctx context.Context, _ Item, b []byte) (string, error) {
	ctx, cancel := context.WithTimeout(ctx, answerFor)
	defer cancel()
	if _, err := m.js.Publish(ctx, m.subject, b); err != nil {
		return "", err
	}
	return "stored", nil
}

// folderMouth writes beside the file and renames it when it is whole.
type folderMouth struct{ dir string }

func (*folderMouth) close() {}

// say writes a file. Results that follow a control rest on it, and files are no
// queue: so a control is watched until it was taken.
func (m *folderMouth) say(ctx context.Context, it Item, b []byte) (string, error) {
	at := filepath.Join(m.dir, it.Name)
	if err := os.WriteFile(at+".tmp", b, 0o600); err != nil {
		return "", err
	}
	if err := os.Rename(at+".tmp", at); err != nil {
		return "", err
	}
	if it.Want.End == filed {
		return "stored", taken(ctx, at)
	}
	return "stored", nil
}

func taken(ctx context.Context, path string) error {
	ctx, cancel := context.WithTimeout(ctx, answerFor)
	defer cancel()
	look := time.NewTicker(20 * time.Millisecond)
	defer look.Stop()
	for {
		if _, err := os.Stat(path); errors.Is(err, os.ErrNotExist) {
			return nil
		}
		select {
		case <-look.C:
		case <-ctx.Done():
			return fmt.Errorf("file %s was not taken", filepath.Base(path))
		}
	}
}
