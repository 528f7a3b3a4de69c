//go:build !linux

package endpoint

import (
	"syscall"
	"time"
)

// limitUnacknowledged does nothing: the option is not portable, so the kernel's own timeout applies.
func limitUnacknowledged(syscall.RawConn, time.Duration) error { return nil }
