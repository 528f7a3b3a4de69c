//go:build !linux

package agent

import "errors"

// RealTime is false: only Linux is asked.
func RealTime() bool { return false }

// LockMemory always fails.
func LockMemory() error { return errors.New("agent: locking memory: only on Linux") }
