package ingest

import (
	"net"
	"net/netip"
)

// Loopback tells whether an address, host:port, is reached from this machine
// alone. A name other than localhost may stand for any machine.
func Loopback(addr string) bool {
	host, _, err := net.SplitHostPort(addr)
	if err != nil {
		return false
	}
	if host == "localhost" {
		return true
	}
	ip, err := netip.ParseAddr(host)
	return err == nil && ip.Unmap().IsLoopback()
}
