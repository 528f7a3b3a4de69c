package agent

import (
	"fmt"
	"os"
	"strings"

	"golang.org/x/sys/unix"
)

// RealTime reports whether the calling thread is in a real-time class of the scheduler, SCHED_FIFO or SCHED_RR
// (sched(7)).
func RealTime() bool {
	a, err := unix.SchedGetAttr(0, 0)
	return err == nil && (a.Policy == unix.SCHED_FIFO || a.Policy == unix.SCHED_RR)
}

// LockMemory keeps in memory every page that the process touches from now on. Otherwise a page of the program might
// have to be read from a slow card while a loop is open. Before that, LockMemory releases the pages that only the start
// needed. It needs CAP_IPC_LOCK or LimitMEMLOCK=.
func LockMemory() error {
	if err := giveBackProgram(); err != nil {
		return fmt.Errorf("agent: releasing the pages that only the start needed: %w", err)
	}
	const onFault = 4 // MCL_ONFAULT, mlockall(2): without it the runtime's whole reserve would be allocated at once
	if err := unix.Mlockall(unix.MCL_CURRENT | unix.MCL_FUTURE | onFault); err != nil {
		return fmt.Errorf("agent: locking memory: %w", err)
	}
	return nil
}

// giveBackProgram releases the program's own code and constants. The kernel reloads the pages in use from the file's
// cache. Writable mappings are not touched.
func giveBackProgram() error {
	maps, err := os.ReadFile("/proc/self/maps")
	if err != nil {
		return err
	}
	program, err := os.Readlink("/proc/self/exe")
	if err != nil {
		return err
	}
	for line := range strings.Lines(string(maps)) {
		from, to, rights, file, err := readMapping(line)
		if err != nil {
			return err
		}
		if file != program || strings.Contains(rights, "w") {
			continue
		}
		if _, _, errno := unix.Syscall(unix.SYS_MADVISE, from, to-from, unix.MADV_DONTNEED); errno != 0 {
			return errno
		}
	}
	return nil
}

// readMapping reads a line of /proc/PID/maps (proc(5)): FROM-TO RIGHTS OFFSET DEVICE INODE [FILE].
func readMapping(line string) (from, to uintptr, rights, file string, err error) {
	if _, err = fmt.Sscanf(line, "%x-%x %s", &from, &to, &rights); err != nil {
		return 0, 0, "", "", fmt.Errorf("/proc/self/maps: %q: %w", line, err)
	}
	if i := strings.IndexByte(line, '/'); i >= 0 {
		file = strings.TrimSuffix(line[i:], "\n")
	}
	return from, to, rights, file, nil
}
