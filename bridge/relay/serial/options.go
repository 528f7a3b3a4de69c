package serial

import (
	"cmp"
	"errors"
	"path/filepath"
	"time"

	"clearback/bridge/relay"
	"clearback/bridge/relay/controller"
)

// Options are the options of a [Board].
type Options struct {
	// Name is the controller's name, for notices.
	Name string
	// Device is the path of the serial port, such as "/dev/ttyS1". For a USB adapter use its name in /dev/serial/by-id,
	// which does not change.
	Device string
	// Timeout is the time-out of one kernel call: 20 ms to 10 s; 0 means 500 ms, since a USB adapter may be slow.
	Timeout time.Duration
	// Poll is the interval at which the idle line is read back, at least 10 ms; 0 means 1 s.
	Poll time.Duration
	// Notify receives the notices, one at a time. It must not block and must not call the board. Nil discards them.
	Notify func(relay.Notice)
	// NoLock leaves the port unclaimed. It is only for a process that closes contacts and does nothing else.
	NoLock bool
	// Now is the clock that NotAfter is compared with; nil means the real one.
	Now func() time.Time
}

// ContactOptions say how the contact is connected to the port.
type ContactOptions struct {
	// Name is the line's name, for notices.
	Name string
	// Line is the control line that drives the contact.
	Line Line
	// OpenOn means that the loop is open while the line is on. If false, the loop is open while the line is off. Then
	// the loop is open without a daemon or without power, and each open of the port opens it, so avoid that.
	OpenOn bool
	// Sense, if not nil, is the status line that reports whether loop current flows.
	Sense *Sense
}

// Line is an output of a serial port.
type Line uint8

// The outputs.
const (
	RTS Line = iota
	DTR
)

// String returns the output as written in the configuration.
func (l Line) String() string {
	if l == DTR {
		return "dtr"
	}
	return "rts"
}

// Sense is an input of a serial port.
type Sense struct {
	Input Input
	// CurrentOn means that loop current flows while the input is on. If false, current flows while the input is off.
	CurrentOn bool
}

// Input is a status line.
type Input uint8

// The inputs.
const (
	CTS Input = iota
	DSR
	DCD
	RI
)

// ErrOptions means that a setting is out of range.
var ErrOptions = errors.New("serial: setting out of range")

const (
	defaultTimeout = 500 * time.Millisecond
)

func (o Options) withDefaults() (Options, error) {
	faults := o.Check()
	o.Timeout, o.Poll = cmp.Or(o.Timeout, defaultTimeout), cmp.Or(o.Poll, controller.DefaultPoll)
	return o, relay.FaultError(ErrOptions, "controller "+o.Name, faults)
}

// Check returns what is wrong with the options.
func (o Options) Check() []relay.Fault {
	f := relay.CheckTimes(o.Timeout, o.Poll)
	if !filepath.IsAbs(o.Device) {
		f.Add("device", "%q is not the path of a serial port; write one such as /dev/ttyS1", o.Device)
	}
	return f
}

// Check returns what is wrong with the options of a contact.
func (o ContactOptions) Check() []relay.Fault {
	var f relay.Faults
	if o.Line > DTR {
		f.Add("line", "%d is not known; allowed: rts, dtr", o.Line)
	}
	if o.Sense != nil && o.Sense.Input > RI {
		f.Add("sense.line", "%d is not known; allowed: cts, dsr, dcd, ri", o.Sense.Input)
	}
	return f
}
