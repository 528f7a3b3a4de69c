//go:build !linux

package endpoint

import (
	"syscall"
	"time"
)

// limitUnacknowledged has no portable form; the kernel's own patience counts.
func limitUnacknowledged(syscall.RawConn, time.Duration) error { return nil }
