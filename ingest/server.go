package ingest

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"net"
	"sync"
	"time"

	"github.com/rs/zerolog"
)

// Session is one connection of a Server.
type Session interface {
	// Run serves the connection until it ends, and closes it. What it does for
	// a message goes by work, which outlives the order to stop for a while.
	Run(work context.Context)
	// Drain lets the message in hand be finished, and then ends Run.
	Drain()
	// Cut ends Run now.
	Cut()
}

// DrainTime is how long sessions may take to finish what they have in hand
// once they are told to stop.
const DrainTime = 5 * time.Second

// Server takes connections and runs a session for each, up to a number at a
// time. It is used once.
type Server struct {
	Max     int // connections at a time
	Log     zerolog.Logger
	Session func(net.Conn) Session
	// Refused is told of a connection that found no room, once for each time
	// that the room runs out; may be nil.
	Refused func(peer string)
	// Connections is told whenever a connection opens or closes; may be nil.
	Connections func(open int)

	mu       sync.Mutex
	sessions map[Session]struct{}
	draining bool
	full     bool // the last connection was refused for want of room
}

// Bind listens on an address, with keep-alive probes that find a peer that is
// gone within a minute or so.
func Bind(addr string) (net.Listener, error) {
	keepAlive := net.KeepAliveConfig{Enable: true, Idle: 30 * time.Second, Interval: 10 * time.Second, Count: 3}
	return (&net.ListenConfig{KeepAliveConfig: keepAlive}).Listen(context.Background(), "tcp", addr)
}

// Serve takes connections until ctx is done. Then it takes no more, has the
// sessions drained within DrainTime, and returns when the last has ended.
func (s *Server) Serve(ctx context.Context, ln net.Listener) error {
	s.sessions = map[Session]struct{}{}
	if s.Connections == nil {
		s.Connections = func(int) {}
	}
	work, abandon := context.WithCancel(context.WithoutCancel(ctx))
	defer abandon()
	var open sync.WaitGroup
	stopped := make(chan struct{})
	defer context.AfterFunc(ctx, func() { close(stopped); s.drain(ln) })()

	err := s.acceptAll(work, ln, stopped, &open)
	s.drain(ln)
	late := time.AfterFunc(DrainTime, func() { abandon(); s.cut() })
	open.Wait()
	late.Stop()
	return err
}

// acceptAll takes connections until the listener is closed.
func (s *Server) acceptAll(work context.Context, ln net.Listener, stopped <-chan struct{}, open *sync.WaitGroup) error {
	pause := time.Duration(0)
	for {
		conn, err := ln.Accept()
		switch {
		case errors.Is(err, net.ErrClosed):
			return nil
		case err != nil:
			// Such as no file descriptors left: serve those that are open, try again.
			pause = min(max(2*pause, 5*time.Millisecond), time.Second)
			s.Log.Error().Err(err).Dur("pause", pause).Msg("no connection could be taken")
			select {
			case <-stopped:
			case <-time.After(pause):
			}
			continue
		}
		pause = 0
		if one := s.admit(conn); one != nil {
			open.Go(func() { defer s.leave(one); one.Run(work) })
		}
	}
}

// admit makes a session of a connection, or closes it if there is no room.
func (s *Server) admit(conn net.Conn) Session {
	s.mu.Lock()
	room := len(s.sessions) < s.Max && !s.draining
	first := !room && !s.full && !s.draining
	s.full = !room
	var one Session
	if room {
		one = s.Session(conn)
		s.sessions[one] = struct{}{}
		s.Connections(len(s.sessions))
	}
	s.mu.Unlock()
	if room {
		return one
	}
	_ = conn.Close() // refused: nothing was read
	if first && s.Refused != nil {
		s.Refused(conn.RemoteAddr().String())
	}
	return nil
}

func (s *Server) leave(one Session) {
	s.mu.Lock()
	defer s.mu.Unlock()
	delete(s.sessions, one)
	s.Connections(len(s.sessions))
}

func (s *Server) drain(ln net.Listener) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.draining = true
	_ = ln.Close() // the second time it is closed already
	for one := range s.sessions {
		one.Drain()
	}
}

func (s *Server) cut() {
	s.mu.Lock()
	defer s.mu.Unlock()
	for one := range s.sessions {
		one.Cut()
	}
}

// handshakeTime bounds a TLS handshake.
const handshakeTime = 10 * time.Second

// Handshake settles who is at the other end of a TLS connection. The name is
// that of the peer's certificate, or its address where there is none.
func Handshake(work context.Context, conn *tls.Conn) (peer string, err error) {
	ctx, done := context.WithTimeout(work, handshakeTime)
	defer done()
	if err := conn.HandshakeContext(ctx); err != nil {
		return "", fmt.Errorf("TLS handshake: %w", err)
	}
	if certs := conn.ConnectionState().PeerCertificates; len(certs) > 0 && certs[0].Subject.CommonName != "" {
		return certs[0].Subject.CommonName, nil
	}
	return conn.RemoteAddr().String(), nil
}
