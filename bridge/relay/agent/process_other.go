//go:build !linux

package agent

import "errors"

// RealTime always returns false.
func RealTime() bool { return false }

// LockMemory always fails.
func LockMemory() error { return errors.New("agent: locking memory is supported on Linux only") }
