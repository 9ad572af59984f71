package notify

import (
	"context"
	"errors"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
)

// stream publishes notices under one subject. The stream behind it is the
// receiver's: it is neither made nor changed here.
type stream struct {
	cfg Config
	nc  *nats.Conn // nil until connected; used by one goroutine
	js  jetstream.JetStream
}

// send publishes once and waits for the stream's own acknowledgement, without
// which nothing says that the notice was kept.
func (s *stream) send(ctx context.Context, id string, body []byte) error {
	if err := s.connect(); err != nil {
		return err
	}
	opts := []jetstream.PublishOpt{jetstream.WithMsgID(id), jetstream.WithRetryAttempts(0)}
	if s.cfg.Stream != "" {
		opts = append(opts, jetstream.WithExpectStream(s.cfg.Stream))
	}
	_, err := s.js.Publish(ctx, s.cfg.Subject, body, opts...)
	var api *jetstream.APIError
	switch {
	case err == nil:
		return nil
	case errors.Is(err, jetstream.ErrNoStreamResponse):
		return &failure{class: Misplaced, text: "no stream takes this subject"}
	case errors.As(err, &api):
		return &failure{class: Failing, text: api.Description}
	}
	s.close() // a connection that brings no answers is no use
	return &failure{class: Unreachable, text: err.Error()}
}

// connect opens the connection where there is none. The client's own way of
// connecting again would hide how things stand.
func (s *stream) connect() error {
	if s.nc != nil && s.nc.IsConnected() {
		return nil
	}
	s.close()
	opts := []nats.Option{nats.Name("tidegate channel " + s.cfg.ID), nats.NoReconnect(), nats.Timeout(s.cfg.Timeout)}
	if s.cfg.CredsFile != "" {
		opts = append(opts, nats.UserCredentials(s.cfg.CredsFile))
	}
	nc, err := nats.Connect(s.cfg.URL, opts...)
	switch {
	case errors.Is(err, nats.ErrAuthorization) || errors.Is(err, nats.ErrAuthExpired):
		return &failure{class: Denied, text: "the credentials are not taken"}
	case err != nil:
		return &failure{class: Unreachable, text: err.Error()}
	}
	js, err := jetstream.New(nc)
	if err != nil {
		nc.Close()
		return &failure{class: Unreachable, text: err.Error()}
	}
	s.nc, s.js = nc, js
	return nil
}

func (s *stream) close() {
	if s.nc != nil {
		s.nc.Close()
		s.nc, s.js = nil, nil
	}
}
