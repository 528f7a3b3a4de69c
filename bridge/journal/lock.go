package journal

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"syscall"
)

// ErrInUse means that another process writes the journal.
var ErrInUse = errors.New("journal: in use")

// lockSuffix is added to the path of a journal. The journal itself cannot carry the lock: closing any other file
// descriptor of it would drop the locks of SQLite (POSIX locks, fcntl(2)).
const lockSuffix = "-lock"

// Lock stops other daemons on this machine from writing the journal at path, until free is called or the process ends.
// Readers and [SaveTrust] do not need it. The error is [ErrInUse] if another daemon, or another call of Lock, has the
// lock. Any other error means that this user or this file system cannot lock. The journal need not exist.
func Lock(path string) (free func(), err error) {
	name := path + lockSuffix
	if err := create(name, lockMode); err != nil {
		return nil, err
	}
	f, err := os.OpenFile(name, os.O_RDWR|syscall.O_NOFOLLOW|syscall.O_NONBLOCK, 0)
	if err != nil {
		return nil, err
	}
	if err = syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB); err != nil {
		_ = f.Close()
		if errors.Is(err, syscall.EWOULDBLOCK) {
			err = fmt.Errorf("%w: another daemon writes %s", ErrInUse, path)
		}
		return nil, err
	}
	return func() { _ = f.Close() }, nil // this releases the lock
}

// lockMode is the mode of the lock. Whoever can open the file can take the lock, so only the daemon's user can.
const lockMode fs.FileMode = 0o600
