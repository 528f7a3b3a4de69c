//go:build !linux

package transport

import (
	"net"
	"syscall"
	"time"
)

// LimitUnacknowledged does nothing on this system. The time-out of a request still resets the connection.
func LimitUnacknowledged(time.Duration) func(network, address string, c syscall.RawConn) error {
	return nil
}

// AcknowledgeAtOnce does nothing on this system. Answers may arrive 40 ms later.
func AcknowledgeAtOnce(net.Conn) {}
