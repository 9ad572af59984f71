package ingest_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"tidegate/ingest"
)

// Loopback is 127.0.0.0/8 (RFC 1122 3.2.1.3) and ::1 (RFC 4291 2.5.3);
// localhost names it (RFC 6761 6.3). 192.0.2.0/24 is for examples (RFC 5737).
func TestLoopback(t *testing.T) {
	for addr, want := range map[string]bool{
		"127.0.0.1:80": true, "127.9.9.9:0": true, "[::1]:80": true, "localhost:80": true, "[::ffff:127.0.0.1]:80": true,
		"0.0.0.0:80": false, ":80": false, "[::]:80": false, "192.0.2.7:80": false, "[::ffff:192.0.2.7]:80": false,
		"localhost.millrace.example:80": false, "127.0.0.1": false, "": false,
	} {
		require.Equal(t, want, ingest.Loopback(addr), addr)
	}
}
