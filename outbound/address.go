package outbound

import (
	"net"
	"net/netip"
	"strings"
)

// onLoopback tells whether a host, by name or number, is this machine.
func onLoopback(host string) bool {
	ip, err := netip.ParseAddr(host)
	return err == nil && ip.Unmap().IsLoopback() || strings.EqualFold(host, "localhost")
}

// inTheClear says that results would leave this machine without TLS, and
// nobody said that they may.
func inTheClear(host string, t *TLS, plain bool) bool {
	return t == nil && !plain && !onLoopback(host)
}

// hostOf is the host of host:port, "" if it is none.
func hostOf(address string) string {
	host, port, err := net.SplitHostPort(address)
	if err != nil || port == "" {
		return ""
	}
	return host
}
