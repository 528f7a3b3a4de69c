package relay

import (
	"time"

	"golang.org/x/sys/unix"
)

// fineSleep uses the kernel's own timer, which is 0.1 ms late where a runtime timer is 0.6 ms late. A signal may end
// the sleep early.
func fineSleep(d time.Duration) {
	ts := unix.NsecToTimespec(int64(d))
	_ = unix.Nanosleep(&ts, nil) // on EINTR the caller checks the clock again
}
