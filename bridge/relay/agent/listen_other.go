//go:build !linux

package agent

import (
	"net"
	"net/netip"
)

// Listen listens for masters.
func Listen(at netip.AddrPort) (net.Listener, error) { return net.Listen("tcp", at.String()) }
