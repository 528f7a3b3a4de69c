//go:build !linux

package agent

import (
	"errors"
	"time"
)

// HardwareWatchdog is not available on this system.
type HardwareWatchdog struct{}

// OpenHardwareWatchdog always fails.
func OpenHardwareWatchdog(string, time.Duration) (*HardwareWatchdog, error) {
	return nil, errors.New("agent: a hardware watchdog is supported on Linux only; remove it from the file")
}

// Timeout is 0.
func (*HardwareWatchdog) Timeout() time.Duration { return 0 }

// Feed does nothing.
func (*HardwareWatchdog) Feed() error { return nil }

// Disarm does nothing.
func (*HardwareWatchdog) Disarm() error { return nil }
