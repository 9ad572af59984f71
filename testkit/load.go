package testkit

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"net"
	"net/http"
	"sync"
	"sync/atomic"
	"time"
)

// Book is what senders were told: the messages with a positive answer, in the
// order of the answers. Safe for concurrent use.
type Book struct {
	mu    sync.Mutex
	acked []Message
}

// Note keeps a message that was positively acknowledged.
func (b *Book) Note(m Message) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.acked = append(b.acked, m)
}

// Acked lists what was acknowledged.
func (b *Book) Acked() []Message {
	b.mu.Lock()
	defer b.mu.Unlock()
	return append([]Message(nil), b.acked...)
}

// Load is meters that send without a pause and send again what was not
// acknowledged, as long as it takes.
type Load struct {
	Book
	h    *House
	next atomic.Int64
	wg   sync.WaitGroup

	place sync.Mutex
	to    *Child
	moved chan struct{} // closed when to changes
}

// NewLoad has no daemon to send to yet.
func NewLoad(h *House) *Load { return &Load{h: h, moved: make(chan struct{})} }

// Aim sends to a child from now on.
func (l *Load) Aim(c *Child) {
	l.place.Lock()
	defer l.place.Unlock()
	l.to = c
	close(l.moved)
	l.moved = make(chan struct{})
}

func (l *Load) target() (*Child, <-chan struct{}) {
	l.place.Lock()
	defer l.place.Unlock()
	return l.to, l.moved
}

// Run starts senders over MLLP and over HTTP. When ctx ends each finishes the
// test it is at: what was begun is acknowledged in the end.
func (l *Load) Run(ctx context.Context, overMLLP, overHTTP int) {
	for i := range overMLLP + overHTTP {
		var s sender = &overTCP{}
		if i >= overMLLP {
			s = &overWeb{token: l.h.Setup.PushToken}
		}
		l.wg.Go(func() {
			defer s.close()
			for ctx.Err() == nil {
				for _, m := range l.h.Life(int(l.next.Add(1) - 1)) {
					l.Deliver(s, m)
				}
			}
		})
	}
}

// Wait returns when every sender has finished.
func (l *Load) Wait() { l.wg.Wait() }

// Tests begun so far.
func (l *Load) Tests() int { return int(l.next.Load()) }

// Deliver sends one message until it is acknowledged.
func (l *Load) Deliver(s sender, m Message) {
	l.persist(m, func(to *Child) error { return s.send(to, m.Raw) })
}

// persist tries until it succeeds, and then notes the message.
func (l *Load) persist(m Message, try func(to *Child) error) {
	again := time.NewTicker(10 * time.Millisecond)
	defer again.Stop()
	for {
		to, moved := l.target()
		if to != nil && try(to) == nil {
			l.Note(m)
			return
		}
		select {
		case <-moved:
		case <-again.C:
		}
	}
}

// sender delivers bytes to a daemon; nil means a positive answer.
type sender interface {
	send(to *Child, raw []byte) error
	close()
}

const answerWithin = 10 * time.Second

// overTCP speaks the minimal lower layer protocol on one connection.
type overTCP struct {
	conn net.Conn
	to   *Child
}

func (s *overTCP) close() {
	if s.conn != nil {
		_ = s.conn.Close()
		s.conn = nil
	}
}

func (s *overTCP) send(to *Child, raw []byte) error {
	answer, err := s.say(to, raw)
	if err == nil && !bytes.Contains(answer, []byte("\rMSA|AA|")) {
		err = fmt.Errorf("answered %q", answer)
	}
	return err
}

// say returns the acknowledgement, whatever it says.
func (s *overTCP) say(to *Child, raw []byte) (answer []byte, err error) {
	defer func() {
		if err != nil {
			s.close()
		}
	}()
	if s.to != to {
		s.close()
	}
	if s.conn == nil {
		if s.conn, err = net.DialTimeout("tcp", to.Inlets["bench"], answerWithin); err != nil {
			return nil, err
		}
		s.to = to
	}
	if err = s.conn.SetDeadline(time.Now().Add(answerWithin)); err != nil {
		return nil, err
	}
	if _, err = s.conn.Write(append(append([]byte{0x0b}, raw...), 0x1c, 0x0d)); err != nil {
		return nil, err
	}
	buf := make([]byte, 4096)
	for !bytes.HasSuffix(answer, []byte{0x1c, 0x0d}) {
		n, err := s.conn.Read(buf)
		if err != nil {
			return nil, err
		}
		answer = append(answer, buf[:n]...)
	}
	return answer, nil
}

// overWeb posts to the HTTP inlet.
type overWeb struct {
	token  string
	client http.Client
}

func (s *overWeb) close() { s.client.CloseIdleConnections() }

func (s *overWeb) send(to *Child, raw []byte) error {
	status, answer, err := s.say(to, raw)
	if err == nil && status/100 != 2 {
		err = fmt.Errorf("answered %d %s", status, answer)
	}
	return err
}

func (s *overWeb) say(to *Child, raw []byte) (status int, answer []byte, err error) {
	s.client.Timeout = answerWithin
	req, err := http.NewRequest(http.MethodPost, "http://"+to.Inlets["push"]+"/messages", bytes.NewReader(raw))
	if err != nil {
		return 0, nil, err
	}
	req.Header.Set("Authorization", "Bearer "+s.token)
	req.Header.Set("Content-Type", "application/hl7-v2")
	res, err := s.client.Do(req)
	if err != nil {
		return 0, nil, err
	}
	defer res.Body.Close()
	answer, err = io.ReadAll(res.Body)
	return res.StatusCode, answer, err
}

// Say sends over MLLP on a connection of its own and returns the answer.
func Say(to *Child, raw []byte) ([]byte, error) {
	s := &overTCP{}
	defer s.close()
	return s.say(to, raw)
}

// Post sends to the HTTP inlet and returns status and body of the answer.
func (h *House) Post(to *Child, raw []byte) (int, []byte, error) {
	s := &overWeb{token: h.Setup.PushToken}
	defer s.close()
	return s.say(to, raw)
}

// SendControls sends the meter's controls and waits until they are judged.
func (l *Load) SendControls() {
	s := &overTCP{}
	defer s.close()
	for _, m := range l.h.Controls() {
		l.Deliver(s, m)
	}
}
