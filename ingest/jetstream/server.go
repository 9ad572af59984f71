package jetstream

import (
	"fmt"
	"net"
	"strconv"
	"time"

	"github.com/nats-io/nats-server/v2/server"
)

const startTime = 10 * time.Second

// startServer runs a NATS server in this process, on loopback, with its streams
// kept on disk and every message synced before it is acknowledged to the
// sender: the default syncs minutes later, and a power cut would take what was
// acknowledged meanwhile.
func startServer(c Config, dir string) (*server.Server, error) {
	// The server itself would only say after a while that it did not come up.
	probe, err := net.Listen("tcp", c.Listen)
	if err != nil {
		return nil, fmt.Errorf("the embedded stream server: %w", err)
	}
	_ = probe.Close()
	host, text, err := net.SplitHostPort(c.Listen)
	if err != nil {
		return nil, fmt.Errorf("listen: %w", err)
	}
	port, err := strconv.Atoi(text)
	if err != nil {
		return nil, fmt.Errorf("listen: %w", err)
	}
	if port == 0 {
		port = server.RANDOM_PORT
	}
	s, err := server.NewServer(&server.Options{
		ServerName: "tidegate", Host: host, Port: port, JetStream: true, StoreDir: dir, SyncAlways: true,
		MaxPayload: int32(max(c.MaxSize+64<<10, 1<<20)), //nolint:gosec // at most 64 MiB, see Validate
		NoSigs:     true, NoLog: true,
	})
	if err != nil {
		return nil, fmt.Errorf("make the embedded stream server: %w", err)
	}
	s.Start()
	if !s.ReadyForConnections(startTime) || !s.JetStreamEnabled() {
		s.Shutdown()
		s.WaitForShutdown()
		return nil, fmt.Errorf("the embedded stream server did not come up on %s with its data in %s", c.Listen, dir)
	}
	return s, nil
}
