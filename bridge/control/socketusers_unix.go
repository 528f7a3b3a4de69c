//go:build unix

package control

import (
	"fmt"
	"os"
	"os/user"
	"path/filepath"
	"strconv"
	"syscall"
)

// socketUsers says who may use the socket, if this user may see that.
func socketUsers(path string) string {
	info, err := os.Lstat(path)
	if err != nil {
		return fmt.Sprintf("lies in a folder that this user may not enter; be root, or have that mended: chmod o+x %s",
			filepath.Dir(path))
	}
	s, ok := info.Sys().(*syscall.Stat_t)
	if !ok {
		return "is for its owner and its group"
	}
	name := strconv.FormatUint(uint64(s.Gid), 10)
	if g, err := user.LookupGroupId(name); err == nil {
		name = g.Name
	}
	return fmt.Sprintf("is for the group %s; be in that group (usermod -aG %s USER, then log in anew), or be root",
		name, name)
}
