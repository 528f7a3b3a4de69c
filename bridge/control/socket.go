package control

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"net"
	"os"
	"os/user"
	"path/filepath"
	"strconv"
	"syscall"
	"time"
)

// The modes of the socket. At the end the owner and the group may use it.
const (
	socketMode fs.FileMode = 0o660
	// ownerMode is the mode of the socket until its group is set.
	ownerMode uint32 = 0o600
)

// dialTimeout limits the check whether another daemon answers. On one machine an answer takes microseconds.
const dialTimeout = time.Second

// listen creates the socket. Until its group is set, only the owner may use the socket, whatever the umask is.
func listen(path, group string) (net.Listener, fs.FileInfo, error) {
	gid, err := groupID(group)
	if err != nil {
		return nil, nil, err
	}
	free, err := claimFolder(filepath.Dir(path))
	if err != nil {
		return nil, nil, fmt.Errorf("control socket %s: %w", path, err)
	}
	defer free()
	if err := removeStale(path); err != nil {
		return nil, nil, err
	}
	c := net.ListenConfig{Control: ownerOnly}
	l, err := c.Listen(context.Background(), "unix", path)
	if err != nil {
		return nil, nil, fmt.Errorf("control socket: %w", err)
	}
	l.(*net.UnixListener).SetUnlinkOnClose(false) // unlink does this, if the socket is still ours
	own, err := grantGroup(path, gid)
	if err != nil {
		_ = l.Close()
		_ = os.Remove(path)
		return nil, nil, fmt.Errorf("control socket %s: %w", path, err)
	}
	return l, own, nil
}

// groupID returns the number of a group, given by name or number. It returns -1 for no group.
func groupID(group string) (int, error) {
	if group == "" {
		return -1, nil
	}
	g, err := user.LookupGroup(group)
	if err != nil {
		if id, err := strconv.ParseUint(group, 10, 31); err == nil {
			return int(id), nil
		}
		return 0, fmt.Errorf("group of the control socket (control.group): %w; create it with groupadd, or set another group",
			err)
	}
	id, err := strconv.Atoi(g.Gid)
	if err != nil {
		return 0, fmt.Errorf("group %s of the control socket has the number %q: %w", group, g.Gid, err)
	}
	return id, nil
}

// removeStale removes a socket that a dead daemon left behind. If anything else is at the path, removeStale leaves it
// there and returns an error.
func removeStale(path string) error {
	info, err := os.Lstat(path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil
	case err != nil:
		return fmt.Errorf("control socket: %w", err)
	case info.Mode()&fs.ModeSymlink != 0:
		return fmt.Errorf("%w: %s is a symbolic link, which is not followed; remove it, or set control.socket to another path",
			ErrSocketInUse, path)
	case info.Mode()&fs.ModeSocket == 0:
		return fmt.Errorf("%w: %s exists and is not a socket; move it away, or set control.socket to another path",
			ErrSocketInUse, path)
	}
	conn, err := net.DialTimeout("unix", path, dialTimeout)
	switch {
	case err == nil:
		_ = conn.Close()
		return fmt.Errorf("%w: another daemon answers at %s; stop that one, or set control.socket to another path",
			ErrSocketInUse, path)
	case errors.Is(err, fs.ErrNotExist):
		return nil // the other daemon has just ended
	case !errors.Is(err, syscall.ECONNREFUSED):
		return fmt.Errorf("%w: cannot determine whether a daemon answers at %s (%w); check which program has the socket (ss -xlp), then remove it",
			ErrSocketInUse, path, err)
	}
	if err := os.Remove(path); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("control socket: removing what a dead daemon left behind: %w", err)
	}
	return nil
}

// grantGroup sets the group of the socket, and only then gives the group access.
func grantGroup(path string, gid int) (fs.FileInfo, error) {
	if gid >= 0 {
		if err := os.Lchown(path, -1, gid); err != nil {
			return nil, fmt.Errorf("setting its group: %w; the daemon's user must be in that group (SupplementaryGroups= of its unit)",
				err)
		}
	}
	if err := os.Chmod(path, socketMode); err != nil {
		return nil, err
	}
	own, err := os.Lstat(path)
	if err == nil && own.Mode()&fs.ModeSocket == 0 {
		err = fmt.Errorf("%w: another user replaced it", ErrSocketInUse)
	}
	return own, err
}

// unlink removes the socket, if it is still the one that listen created.
func unlink(path string, own fs.FileInfo) error {
	now, err := os.Lstat(path)
	if err != nil || !os.SameFile(now, own) {
		return nil // gone, or another daemon's
	}
	return os.Remove(path)
}

// checkFolder rejects a folder in which any user could replace the socket.
func checkFolder(f *os.File) error {
	info, err := f.Stat()
	if err != nil {
		return err
	}
	if m := info.Mode(); m&0o002 != 0 && m&fs.ModeSticky == 0 {
		return fmt.Errorf("%w: every user may write to its folder %s; chmod o-w %s", ErrSocketInUse, f.Name(),
			f.Name())
	}
	return nil
}
