package cli

import (
	"net"
	"os"
)

// notify reports a state to the service manager, as sd_notify(3) describes: a datagram to the socket that NOTIFY_SOCKET
// names. Without a service manager, or if it does not listen, nothing happens: the telephone service matters more.
func notify(state string) {
	name := os.Getenv("NOTIFY_SOCKET")
	if name == "" {
		return
	}
	// A leading @ means an abstract socket, both in NOTIFY_SOCKET and in package net.
	c, err := net.DialUnix("unixgram", nil, &net.UnixAddr{Name: name, Net: "unixgram"})
	if err != nil {
		return
	}
	defer c.Close()
	_, _ = c.Write([]byte(state)) // a failure cannot be reported
}
