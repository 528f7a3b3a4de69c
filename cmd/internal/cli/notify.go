package cli

import (
	"net"
	"os"
)

// notify tells the service manager a state, as sd_notify(3) describes: a datagram to the socket that NOTIFY_SOCKET
// names. Without such a manager, or when it does not listen, nothing happens: the telephone service matters more.
func notify(state string) {
	name := os.Getenv("NOTIFY_SOCKET")
	if name == "" {
		return
	}
	c, err := net.DialUnix("unixgram", nil, &net.UnixAddr{Name: name, Net: "unixgram"}) // a leading @ is an abstract name, as there
	if err != nil {
		return
	}
	defer c.Close()
	_, _ = c.Write([]byte(state)) // nobody to tell
}
