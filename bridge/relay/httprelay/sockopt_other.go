//go:build !linux

package httprelay

import (
	"syscall"
	"time"
)

// limitUnacknowledged has no portable form; the time-out of a request resets the connection all the same.
func limitUnacknowledged(time.Duration) func(network, address string, c syscall.RawConn) error {
	return nil
}
