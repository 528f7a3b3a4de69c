package control

import (
	"os"
	"syscall"
	"time"
)

// ownerOnly sets the mode of the socket before bind. bind creates the file with the mode of the socket, less the umask
// (unix(7)).
func ownerOnly(_, _ string, c syscall.RawConn) error {
	var err error
	if e := c.Control(func(fd uintptr) { err = syscall.Fchmod(int(fd), ownerMode) }); e != nil {
		return e
	}
	return err
}

// claimFolder locks the folder, so that two daemons that start at the same time do not remove each other's socket. If
// the lock is held for more than a second, its holder is not a clearback daemon, and claimFolder continues without the
// lock.
func claimFolder(dir string) (free func(), err error) {
	f, err := os.Open(dir)
	if err != nil {
		return nil, err
	}
	if err := checkFolder(f); err != nil {
		_ = f.Close()
		return nil, err
	}
	for end := time.Now().Add(time.Second); time.Now().Before(end); {
		if syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB) == nil {
			break
		}
		<-time.After(10 * time.Millisecond)
	}
	return func() { _ = f.Close() }, nil // this releases the lock
}
