//go:build !linux

package control

import (
	"os"
	"syscall"
)

// ownerOnly: elsewhere the umask has to do it; the unit sets 0077.
func ownerOnly(_, _ string, _ syscall.RawConn) error { return nil }

// claimFolder only checks it.
func claimFolder(dir string) (free func(), err error) {
	f, err := os.Open(dir)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	return func() {}, checkFolder(f)
}
