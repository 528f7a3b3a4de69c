package daemon

import (
	"time"

	"go.uber.org/zap"

	"clearback/bridge/sipua/registration"
)

// What the next start needs at once is kept in a folder beside the control socket. The service manager creates it in
// memory (/run), so saving every refresh does not wear out a disk. It survives the death of the daemon and a restart,
// but not a reboot, after which most bindings would have expired.

// stateTimeout is how long the end of the daemon waits until the state is saved.
const stateTimeout = time.Second

func bindingName(line string) string { return "adapter-" + line }

// savedBinding returns the binding of a line that an earlier process saved.
func (d *Daemon) savedBinding(line string) (b registration.SavedBinding, ok bool) {
	ok, err := d.state.Get(bindingName(line), &b)
	if err != nil {
		d.log.Warn("cannot read the adapter's saved registration; the line does not ring until the adapter registers again",
			zap.String("line", line), zap.Error(err))
	}
	return b, ok
}

func (d *Daemon) saveBinding(line string, b *registration.SavedBinding) {
	var err error
	if b == nil {
		err = d.state.Remove(bindingName(line))
	} else {
		err = d.state.Put(bindingName(line), b)
	}
	if err != nil {
		d.log.Error("cannot save the adapter's registration", zap.String("line", line), zap.Error(err))
	}
}
