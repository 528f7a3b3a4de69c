//go:build !linux

package control

import (
	"os"
	"syscall"
)

// ownerOnly does nothing here, so the umask has to protect the socket. The service unit sets it to 0077.
func ownerOnly(_, _ string, _ syscall.RawConn) error { return nil }

// claimFolder only checks the folder.
func claimFolder(dir string) (free func(), err error) {
	f, err := os.Open(dir)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	return func() {}, checkFolder(f)
}
