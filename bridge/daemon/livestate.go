package daemon

import (
	"time"

	"go.uber.org/zap"

	"clearback/bridge/sipua/registration"
)

// What the next start needs at once is kept in livestate.Folder. The service manager has that folder in memory (/run),
// so that the refresh of each binding every minute wears no disk. It survives the death of the daemon and a restart,
// but not a reboot, after which most bindings would have expired.

// liveTimeout is how long the end of the daemon waits until everything is kept.
const liveTimeout = time.Second

func bindingName(line string) string { return "adapter-" + line }

// savedBinding returns the binding of a line that an earlier process saved.
func (d *Daemon) savedBinding(line string) (b registration.SavedBinding, ok bool) {
	ok, err := d.live.Get(bindingName(line), &b)
	if err != nil {
		d.log.Warn("the registration of an adapter could not be kept over the restart; the line rings again when the adapter has registered anew",
			zap.String("line", line), zap.Error(err))
	}
	return b, ok
}

func (d *Daemon) saveBinding(line string, b *registration.SavedBinding) {
	var err error
	if b == nil {
		err = d.live.Remove(bindingName(line))
	} else {
		err = d.live.Put(bindingName(line), b)
	}
	if err != nil {
		d.log.Error("the registration of an adapter cannot be kept for a restart", zap.String("line", line),
			zap.Error(err))
	}
}
