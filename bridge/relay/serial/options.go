package serial

import (
	"errors"
	"fmt"
	"path/filepath"
	"time"

	"clearback/bridge/relay"
)

// Options of a [Board].
type Options struct {
	// Name is the controller's name, for notices.
	Name string
	// Device is the path of the serial port: "/dev/ttyS1", or for an adapter on USB one of the names below
	// /dev/serial/by-id, which stay.
	Device string
	// Timeout is how long one kernel call may take. 20 ms to 10 s; 0 means 500 ms, since an adapter on USB may be slow.
	Timeout time.Duration
	// Poll is the pace at which the line is read back when nothing else happens. At least 10 ms; 0 means 1 s.
	Poll time.Duration
	// Notify receives notices, never two at a time. It must not block and must not call the board. Nil: none.
	Notify func(relay.Notice)
	// NoLock leaves the port unclaimed. Only for a process that closes contacts and does nothing else.
	NoLock bool
	// Now replaces the clock that NotAfter is compared with; nil means the real one.
	Now func() time.Time
}

// ContactOptions say how the contact hangs on the port.
type ContactOptions struct {
	// Name is the line's name, for notices.
	Name string
	// Line is the control line that drives.
	Line Line
	// OpenOn: the loop is open when the line is on. False: when it is off, so that a port without a daemon, and one
	// without power, holds the loop open, and each opening of the port opens it: better not.
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

// String is the word of the configuration.
func (l Line) String() string {
	if l == DTR {
		return "dtr"
	}
	return "rts"
}

// Sense is an input of a serial port.
type Sense struct {
	Input Input
	// CurrentOn: loop current flows when the input is on. False: when it is off.
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

// ErrOptions: a setting is out of its range.
var ErrOptions = errors.New("serial: setting out of range")

const (
	defaultTimeout = 500 * time.Millisecond
	defaultPoll    = time.Second
)

func (o Options) withDefaults() (Options, error) {
	if o.Timeout == 0 {
		o.Timeout = defaultTimeout
	}
	if o.Poll == 0 {
		o.Poll = defaultPoll
	}
	switch {
	case !filepath.IsAbs(o.Device):
		return o, fmt.Errorf("%w: controller %s: device %q; write the path of a serial port, for example /dev/ttyS1",
			ErrOptions, o.Name, o.Device)
	case o.Timeout < 20*time.Millisecond || o.Timeout > 10*time.Second:
		return o, fmt.Errorf("%w: controller %s: timeout %v; allowed are 20ms to 10s", ErrOptions, o.Name, o.Timeout)
	case o.Poll < 10*time.Millisecond:
		return o, fmt.Errorf("%w: controller %s: poll %v; allowed is 10ms or more", ErrOptions, o.Name, o.Poll)
	}
	return o, nil
}

func (o ContactOptions) check() error {
	if o.Line > DTR {
		return fmt.Errorf("%w: line %s: output %d; allowed are RTS and DTR", ErrOptions, o.Name, o.Line)
	}
	if o.Sense != nil && o.Sense.Input > RI {
		return fmt.Errorf("%w: line %s: input %d; allowed are CTS, DSR, DCD and RI", ErrOptions, o.Name, o.Sense.Input)
	}
	return nil
}
