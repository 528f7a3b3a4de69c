package daemon

import (
	"fmt"
	"syscall"

	"clearback/config"
)

// Descriptors that the daemon needs besides those for media: for journal, log, control socket and so on, and for each
// line its share of sockets, connections and contacts. Our own numbers, generous.
const (
	ownDescriptors  = 64
	lineDescriptors = 8
)

// descriptorLimit returns how many files and sockets this process may open, or false if the system does not say.
func descriptorLimit() (uint64, bool) {
	var l syscall.Rlimit
	err := syscall.Getrlimit(syscall.RLIMIT_NOFILE, &l)
	return uint64(l.Cur), err == nil
}

// descriptorWarning returns a warning if the lines may need more files and sockets than limit, or "".
func descriptorWarning(c *config.Config, limit uint64) string {
	need := uint64(ownDescriptors + lineDescriptors*len(c.Lines))
	if relays(c) {
		ports := uint64(c.Media.PortHigh) - uint64(c.Media.PortLow) + 1
		if c.Media.AdapterAddress != c.Media.ServiceAddress {
			ports *= 2 // each port is used on both sides
		}
		need += ports
	}
	if limit >= need {
		return ""
	}
	return fmt.Sprintf("this process may open only %d files and sockets, and the lines may need %d (media.ports among "+
		"them); beyond the limit calls are refused: raise it (LimitNOFILE= in the service's unit, or ulimit -n)",
		limit, need)
}
