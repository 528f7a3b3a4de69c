//go:build !linux

package transport

import (
	"net"
	"syscall"
	"time"
)

// LimitUnacknowledged has no portable form; the time-out of a request resets the connection all the same.
func LimitUnacknowledged(time.Duration) func(network, address string, c syscall.RawConn) error {
	return nil
}

// AcknowledgeAtOnce does nothing where there is no such setting: answers may come 40 ms later.
func AcknowledgeAtOnce(net.Conn) {}
