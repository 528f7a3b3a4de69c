//go:build !linux

package transport

import (
	"syscall"
	"time"
)

// LimitUnacknowledged has no portable form; the time-out of a request resets the connection all the same.
func LimitUnacknowledged(time.Duration) func(network, address string, c syscall.RawConn) error {
	return nil
}
