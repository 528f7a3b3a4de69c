package cli

import (
	"net"
	"os"
	"strconv"
	"time"
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

// watchdogPeriod returns how often to feed the service manager's watchdog: every quarter of the time that it allows. 0
// means that it has none. See sd_watchdog_enabled(3).
func watchdogPeriod() time.Duration {
	if pid := os.Getenv("WATCHDOG_PID"); pid != "" && pid != strconv.Itoa(os.Getpid()) {
		return 0
	}
	us, err := strconv.ParseInt(os.Getenv("WATCHDOG_USEC"), 10, 64)
	if err != nil || us < 1000 {
		return 0
	}
	return time.Duration(us) * time.Microsecond / 4
}
