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
		return fmt.Sprintf("is in a folder that this user may not enter; run this as root, or allow it: chmod o+x %s",
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
	return fmt.Sprintf("is for the group %s; join that group (usermod -aG %s USER, then log in again), or run this as root",
		name, name)
}
