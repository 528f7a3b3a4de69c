package daemon

import (
	"encoding/json"
	"fmt"
	"strconv"
	"strings"
	"time"

	"go.uber.org/zap"

	"clearback/bridge/sipua"
	"clearback/bridge/sipua/registration"
	"clearback/supervision"
)

// What the next start needs at once is kept in a folder beside the control socket. The service manager creates it in
// memory (/run), so saving every refresh does not wear out a disk. It survives the death of the daemon and a restart,
// but not a reboot, after which most bindings would have expired. If the control socket is elsewhere, it survives a
// reboot too, and calls that were up at a power cut are taken up.

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
		err = d.state.Put(bindingName(line), b, nil)
	}
	if err != nil {
		d.log.Error("cannot save the adapter's registration", zap.String("line", line), zap.Error(err))
	}
}

func registrationName(line string, second bool) string {
	if second {
		return "second-registration-" + line
	}
	return "registration-" + line
}

// savedRegistration returns what an earlier process knew of a line's registration at a service.
func (d *Daemon) savedRegistration(line string, second bool) (r sipua.SavedRegistration, ok bool) {
	ok, err := d.state.Get(registrationName(line, second), &r)
	if err != nil {
		d.log.Warn("cannot read the saved registration at the service; calls do not arrive until the line has registered again",
			zap.String("line", line), zap.Error(err))
		return r, false
	}
	return r, ok
}

func (d *Daemon) saveRegistration(line string, second bool, r *sipua.SavedRegistration) {
	var err error
	if name := registrationName(line, second); r == nil {
		err = d.state.Remove(name)
	} else {
		err = d.state.Put(name, r, nil)
	}
	if err != nil {
		d.log.Error("cannot save the registration at the service", zap.String("line", line), zap.Error(err))
	}
}

// callPrefix begins the names of the saved calls. The number of the call follows.
const callPrefix = "call-"

func callName(call supervision.CallID) string { return fmt.Sprint(callPrefix, uint64(call)) }

// savedCalls returns the calls that an earlier process saved. What is not in the form of a call is removed.
func (d *Daemon) savedCalls() map[supervision.CallID][]byte {
	calls := map[supervision.CallID][]byte{}
	for _, name := range d.state.Names(callPrefix) {
		var state json.RawMessage
		id, err := strconv.ParseUint(strings.TrimPrefix(name, callPrefix), 10, 64)
		if call := supervision.CallID(id); err == nil && callName(call) == name {
			if _, err = d.state.Get(name, &state); err == nil {
				calls[call] = state
				continue
			}
		}
		d.log.Warn("a saved call cannot be read; if its line is still held, hang up there", zap.String("file", name),
			zap.Error(err))
		if err := d.state.Remove(name); err != nil {
			d.log.Error("cannot remove a saved call", zap.Error(err))
		}
	}
	return calls
}

// saveCall saves the state of a call, or removes it if state is nil.
func (d *Daemon) saveCall(call supervision.CallID, state []byte, done func(error)) {
	var err error
	if state == nil {
		err = d.state.Remove(callName(call))
	} else {
		err = d.state.Put(callName(call), json.RawMessage(state), done)
	}
	if err != nil {
		d.log.Error("cannot save a call", zap.Uint64("call", uint64(call)), zap.Error(err))
	}
}
