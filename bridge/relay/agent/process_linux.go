package agent

import (
	"fmt"

	"golang.org/x/sys/unix"
)

// RealTime tells whether the calling thread is in a real-time class of the scheduler, SCHED_FIFO or SCHED_RR (sched(7)).
func RealTime() bool {
	a, err := unix.SchedGetAttr(0, 0)
	return err == nil && (a.Policy == unix.SCHED_FIFO || a.Policy == unix.SCHED_RR)
}

// LockMemory keeps every page in memory that the process has touched, now and later: else a page of the program that went back to a slow
// card has to be read again while a loop is open. It needs CAP_IPC_LOCK or LimitMEMLOCK=.
func LockMemory() error {
	const onFault = 4 // MCL_ONFAULT, mlockall(2): without it, all that the runtime has set aside would be taken at once
	if err := unix.Mlockall(unix.MCL_CURRENT | unix.MCL_FUTURE | onFault); err != nil {
		return fmt.Errorf("agent: locking memory: %w", err)
	}
	return nil
}
