package outbound

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"tidegate/fault"
	"tidegate/mapping"
	"tidegate/poct"
)

// queue is a JetStream stream. The stream's own acknowledgement is waited for:
// without it nothing says that the result was kept. What is published twice
// has the same Nats-Msg-Id; the stream drops it within its window of
// duplicates, and a consumer tells it by the header after that.
type queue struct {
	*letters
	id      string
	timeout time.Duration
	to      publisher
}

// publisher publishes one message. Errors are those of package jetstream;
// errNotSent before anything left.
type publisher interface {
	publish(ctx context.Context, m *nats.Msg, id string) (*jetstream.PubAck, error)
	close()
}

// errNotSent: no byte of the message left this machine.
var errNotSent = errors.New("no connection")

// Send publishes the committed bytes.
func (q *queue) Send(ctx context.Context, d poct.Delivery) Answered {
	step, cancel := context.WithTimeout(ctx, q.timeout)
	defer cancel()
	m := &nats.Msg{Data: d.Body, Header: nats.Header{
		"Content-Type":     {q.mediaType()},
		"Tidegate-Outlet":  {q.id},
		"Tidegate-Result":  {mapping.StableID(d.Result, "report").String()},
		"Tidegate-Version": {fmt.Sprint(d.Result.Version)},
		"Tidegate-Action":  {string(d.Action)},
	}}
	ack, err := q.to.publish(step, m, name(d))
	fault.Point("outbound.sent")
	if err != nil {
		return q.failed(err)
	}
	a := Answered{Class: Done, Remote: map[string]string{"sequence": fmt.Sprintf("%s/%d", ack.Stream, ack.Sequence)}}
	if ack.Duplicate {
		a.Note = "the stream has it already"
	}
	return a
}

// Codes of a JetStream server's errors (its errors.json) that are about the
// message itself.
const (
	messageTooLarge jetstream.ErrorCode = 10054
)

// failed says what an error means. What is wrong with stream or subject is
// wrong for all: the destination rests, and nothing is held for it.
func (q *queue) failed(err error) Answered {
	var api *jetstream.APIError
	switch {
	case errors.Is(err, nats.ErrAuthorization) || errors.Is(err, nats.ErrAuthExpired) || errors.Is(err, nats.ErrAuthRevoked):
		return Answered{Class: SignIn, Note: "the credentials are not taken"}
	case errors.Is(err, errNotSent):
		return Answered{Class: NotSent, Note: "no connection"}
	case errors.Is(err, nats.ErrMaxPayload):
		return Answered{Class: Refused, Note: "too large", Problem: problemRefused(q.id, "it is larger than the server takes")}
	case errors.Is(err, jetstream.ErrNoStreamResponse):
		return Answered{Class: Transient, Note: "no stream takes this subject"}
	case errors.As(err, &api) && api.ErrorCode == messageTooLarge:
		return Answered{Class: Refused, Note: "too large", Problem: problemRefused(q.id, "it is larger than the stream takes")}
	case errors.As(err, &api):
		return Answered{Class: Transient, Status: api.Code, Note: fmt.Sprintf("the stream says %d", api.ErrorCode)}
	}
	return Answered{Class: Unknown, Note: "no acknowledgement of the stream"}
}

// Close ends the connection.
func (q *queue) Close() error {
	q.to.close()
	return nil
}

// natsStream is the connection to a NATS server.
type natsStream struct {
	cfg     JetStream
	id      string
	timeout time.Duration

	mu sync.Mutex
	nc *nats.Conn // nil until connected
	js jetstream.JetStream
}

func (n *natsStream) publish(ctx context.Context, m *nats.Msg, id string) (*jetstream.PubAck, error) {
	nc, js, err := n.connect()
	if err != nil {
		return nil, err
	}
	m.Subject = n.cfg.Subject
	got, err := js.PublishMsg(ctx, m, jetstream.WithMsgID(id), jetstream.WithExpectStream(n.cfg.Stream), jetstream.WithRetryAttempts(0))
	var api *jetstream.APIError
	if err != nil && !errors.As(err, &api) && !errors.Is(err, jetstream.ErrNoStreamResponse) && !errors.Is(err, nats.ErrMaxPayload) {
		n.drop(nc) // a connection that brings no answers is no use
	}
	return got, err
}

// connect opens the connection where there is none. The client's own way of
// connecting again would hide how things stand.
func (n *natsStream) connect() (*nats.Conn, jetstream.JetStream, error) {
	n.mu.Lock()
	defer n.mu.Unlock()
	if n.nc != nil && n.nc.IsConnected() {
		return n.nc, n.js, nil
	}
	opts := []nats.Option{nats.Name("tidegate outlet " + n.id), nats.NoReconnect(), nats.Timeout(min(n.timeout, 5*time.Second))}
	if n.cfg.CredsFile != "" {
		opts = append(opts, nats.UserCredentials(n.cfg.CredsFile))
	}
	if n.cfg.TLS != nil {
		c, err := n.cfg.TLS.Client() // the NATS client fills in the host that it dials
		if err != nil {
			return nil, nil, fmt.Errorf("%w: %w", errNotSent, err)
		}
		opts = append(opts, nats.Secure(c))
	}
	nc, err := nats.Connect(n.cfg.URL, opts...)
	if err != nil {
		return nil, nil, fmt.Errorf("%w: %w", errNotSent, err)
	}
	js, err := jetstream.New(nc)
	if err != nil {
		nc.Close()
		return nil, nil, fmt.Errorf("%w: %w", errNotSent, err)
	}
	n.nc, n.js = nc, js
	return nc, js, nil
}

// drop closes a connection, unless it was replaced already.
func (n *natsStream) drop(nc *nats.Conn) {
	n.mu.Lock()
	defer n.mu.Unlock()
	nc.Close()
	if n.nc == nc {
		n.nc, n.js = nil, nil
	}
}

func (n *natsStream) close() {
	n.mu.Lock()
	nc := n.nc
	n.mu.Unlock()
	if nc != nil {
		n.drop(nc)
	}
}
