//go:build !linux

package relay

import "time"

func fineSleep(d time.Duration) { time.Sleep(d) }
