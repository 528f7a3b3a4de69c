package control

import (
	"os"
	"syscall"
	"time"
)

// ownerOnly gives the socket its first permissions before it gets its name: bind makes the file with those of the
// socket, less the umask (unix(7)).
func ownerOnly(_, _ string, c syscall.RawConn) error {
	var err error
	if e := c.Control(func(fd uintptr) { err = syscall.Fchmod(int(fd), ownerMode) }); e != nil {
		return e
	}
	return err
}

// claimFolder keeps two daemons that start at the same time from removing each other's socket. Who cannot be had out of
// the way within a second is nobody of ours, and is not waited for.
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
	return func() { _ = f.Close() }, nil // which frees it
}
