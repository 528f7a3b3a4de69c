package daemon

import (
	"encoding/json"
	"fmt"
	"strconv"
	"strings"
	"time"

	"go.uber.org/zap"

	"clearback/bridge/runtimestate"
	"clearback/bridge/sipua"
	"clearback/bridge/sipua/registration"
	"clearback/supervision"
)

// What the next start needs at once is kept in a folder beside the control socket. The service manager creates it in
// memory (/run), so saving every refresh does not wear out a disk. It survives the death of the daemon and a restart,
// but not a reboot, after which most bindings would have expired.
//
// The calls are copied to a second folder, on the disk, for a power cut. Nothing waits for a copy. The first folder has
// a mark once it has all calls. The copies are read only if the mark is missing, so no clock matters; otherwise, copies
// of calls that the first folder does not have are removed.

// stateTimeout is how long the end of the daemon waits until the state is saved.
const stateTimeout = time.Second

// startName is the name of the mark.
const startName = "start"

// savedStart is the mark. Boot identifies the start of the machine; it is "" where that cannot be read.
type savedStart struct{ Boot string }

// openState opens the state of the daemon with that control socket and journal. If the first folder cannot be read, for
// example because another daemon uses it, the copies are left alone.
func (d *Daemon) openState(socket, journal string) {
	d.state = runtimestate.Open(runtimestate.Folder(socket), callPrefix, d.log)
	folder := runtimestate.CopyFolder(socket, journal)
	if folder == "" || !d.state.WasRead() {
		return
	}
	open := runtimestate.Open
	if _, marked := d.lastStart(); marked {
		open = runtimestate.OpenEmpty
	}
	d.copies = open(folder, callPrefix, d.log)
}

func (d *Daemon) lastStart() (last savedStart, ok bool) {
	ok, err := d.state.Get(startName, &last)
	return last, ok && err == nil
}

func (d *Daemon) saveStart() {
	if err := d.state.Put(startName, savedStart{registration.BootID()}, nil); err != nil {
		d.log.Error("cannot save the start of the machine", zap.Error(err))
	}
}

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

// savedCalls returns the calls that an earlier process saved, and which of them were saved before the machine's present
// start. It saves each where it is missing.
func (d *Daemon) savedCalls() (calls map[supervision.CallID][]byte, rebooted map[supervision.CallID]bool) {
	calls, rebooted = d.callsIn(d.state), map[supervision.CallID]bool{}
	last, _ := d.lastStart()
	for call, state := range calls {
		rebooted[call] = last.Boot != "" && last.Boot != registration.BootID()
		if d.copies != nil {
			d.putCall(d.copies, call, state, nil)
		}
	}
	var missing []supervision.CallID
	if d.copies != nil {
		for call, state := range d.callsIn(d.copies) {
			if calls[call] == nil {
				calls[call], rebooted[call] = state, true
				if sipua.Answered(state) { // others are ended at once
					missing = append(missing, call)
				}
			}
		}
	}
	left := len(missing)
	if left == 0 {
		d.saveStart()
	}
	for _, call := range missing {
		d.putCall(d.state, call, calls[call], func(err error) { // in the goroutine of the store
			if err != nil {
				return // without the mark, the copies are read again
			}
			if left--; left == 0 {
				d.saveStart()
			}
		})
	}
	return calls, rebooted
}

// callsIn returns the calls in a folder. What is not in the form of a call is removed.
func (d *Daemon) callsIn(s *runtimestate.Store) map[supervision.CallID][]byte {
	calls := map[supervision.CallID][]byte{}
	for _, name := range s.Names(callPrefix) {
		var state json.RawMessage
		id, err := strconv.ParseUint(strings.TrimPrefix(name, callPrefix), 10, 64)
		if call := supervision.CallID(id); err == nil && callName(call) == name {
			if _, err = s.Get(name, &state); err == nil {
				calls[call] = state
				continue
			}
		}
		d.log.Warn("a saved call cannot be read; if its line is still held, hang up there", zap.String("file", name),
			zap.Error(err))
		if err := s.Remove(name); err != nil {
			d.log.Error("cannot remove a saved call", zap.Error(err))
		}
	}
	return calls
}

// saveCall saves the state of a call, or removes it if state is nil. done is called once the state is in the first
// folder.
func (d *Daemon) saveCall(call supervision.CallID, state []byte, done func(error)) {
	d.putCall(d.state, call, state, done)
	if d.copies != nil {
		d.putCall(d.copies, call, state, nil)
	}
}

func (d *Daemon) putCall(s *runtimestate.Store, call supervision.CallID, state []byte, done func(error)) {
	var err error
	if state == nil {
		err = s.Remove(callName(call))
	} else {
		err = s.Put(callName(call), json.RawMessage(state), done)
	}
	if err != nil {
		d.log.Error("cannot save a call", zap.Uint64("call", uint64(call)), zap.Error(err))
	}
}
