package modbus

import (
	"cmp"
	"context"
	"errors"
	"net"
	"time"

	"clearback/bridge/relay"
	"clearback/bridge/relay/controller"
	"clearback/bridge/relay/transport"
)

// Options are the options of a [Board].
type Options struct {
	// Name is the controller's name, for notices.
	Name string
	// Address is "host:port" of the board. The standard port of Modbus TCP is 502.
	Address string
	// Timeout is how long a request may wait for its answer, and a connection for its setup: 20 ms to 10 s; 0 means 500
	// ms.
	Timeout time.Duration
	// Poll is the interval at which idle coils are read back, at least 10 ms; 0 means 1 s. The poll detects a dead
	// board, and a contact moved by something else. With a watchdog the interval is at most a third of the watchdog's
	// time.
	Poll time.Duration
	// Notify receives the notices, one at a time for each contact. It must not block and must not call the board. Nil
	// discards them.
	Notify func(relay.Notice)
	// NoLock leaves the contacts unclaimed. It is only for a process that closes contacts and does nothing else.
	NoLock bool
	// Dial replaces the network. Now replaces the clock that NotAfter is compared with. Nil means the real ones.
	Dial func(ctx context.Context, address string) (net.Conn, error)
	Now  func() time.Time
}

// ContactOptions describe a contact and its place on the board.
type ContactOptions struct {
	// Name is the line's name, for notices.
	Name string
	// Unit is the unit identifier, 1-247 or 255.
	Unit uint8
	// Coil is the coil's address, from 0.
	Coil uint16
	// OpenOn means that the loop is open while the coil is on (a normally closed contact). If false, the loop is open
	// while the coil is off, and therefore also while the board has no power.
	OpenOn bool
	// Timed, if not nil, is the board's own timed output for this coil. The contact is then KindOneshot.
	Timed *Timed
	// Watchdog, if not nil, is written at the beginning of every connection. The contact is then KindWatchdog, unless
	// it is timed.
	Watchdog *Watchdog
	// Sense, if not nil, is the input that reports whether loop current flows.
	Sense *Sense
}

// Sense is a discrete input.
type Sense struct {
	// Input is the input's address, from 0.
	Input uint16
	// CurrentOn means that loop current flows while the input is on. If false, current flows while the input is off.
	CurrentOn bool
}

// Timed is a holding register. Writing n to it opens the contact for n units.
type Timed struct {
	// Register is the holding register's address, from 0.
	Register uint16
	// Sequence means that the board expects a sequence number with each opening, so that an opening that arrives twice
	// has one effect. The number goes to Register and n to the next register, in one request of function 16. Reading
	// Register returns the last number that the board received. After its start the driver continues from that number.
	Sequence bool
	// Unit is the length of one count, at least 1 ms.
	Unit time.Duration
	// Limit is the longest opening that may be requested, at most 65,535 units.
	Limit time.Duration
}

// Watchdog is a holding register: the board drops its outputs if its master is silent for n units. On most boards 0
// turns the watchdog off, so 0 is never written.
type Watchdog struct {
	// Register is the holding register's address, from 0.
	Register uint16
	// Unit is the length of one count, at least 1 ms.
	Unit time.Duration
	// Timeout is at least 30 ms. It is rounded up to whole units, at most 65,535 of them.
	Timeout time.Duration
}

// ErrOptions means that a setting is out of range.
var ErrOptions = errors.New("modbus: setting out of range")

const (
	defaultTimeout = 500 * time.Millisecond
	maxCount       = 65_535                // a register has 16 bits
	leastWatchdog  = 30 * time.Millisecond // our own number: three of the shortest poll intervals
)

func (o Options) withDefaults() (Options, error) {
	faults := o.Check()
	o.Timeout, o.Poll = cmp.Or(o.Timeout, defaultTimeout), cmp.Or(o.Poll, controller.DefaultPoll)
	if o.Dial == nil {
		o.Dial = transport.Dial(o.Timeout)
	}
	return o, relay.FaultError(ErrOptions, "board "+o.Name, faults)
}

// Check returns what is wrong with the options.
func (o Options) Check() []relay.Fault {
	f := relay.CheckTimes(o.Timeout, o.Poll)
	if _, port, err := net.SplitHostPort(o.Address); err != nil || port == "" {
		f.Add("address", "%q is not host:port; write one such as relays.millrace.example:502", o.Address)
	}
	return f
}

// Check returns what is wrong with the options of a contact.
func (o ContactOptions) Check() []relay.Fault {
	var f relay.Faults
	if o.Unit == 0 || o.Unit > 247 && o.Unit != 255 {
		f.Add("unit", "%d is out of range; allowed: 1 to 247, and 255", o.Unit)
	}
	if t := o.Timed; t != nil {
		if t.Sequence && t.Register == maxCount {
			f.Add("timed.register",
				"after %d there is no register for the length, which sequence needs; allowed: 0 to %d", t.Register,
				maxCount-1)
		}
		switch {
		case t.Unit < time.Millisecond:
			f.Add("timed.unit", "%v is out of range; allowed: 1ms or more", t.Unit)
		case t.Limit < t.Unit || t.Limit > maxCount*t.Unit:
			f.Add("timed.limit", "%v is out of range; allowed: %v to %v (1 to %d units)", t.Limit, t.Unit,
				maxCount*t.Unit, maxCount)
		}
	}
	if w := o.Watchdog; w != nil {
		switch {
		case w.Unit < time.Millisecond:
			f.Add("watchdog.unit", "%v is out of range; allowed: 1ms or more", w.Unit)
		case w.Timeout < leastWatchdog:
			f.Add("watchdog.timeout", "%v is out of range; allowed: %v or more", w.Timeout, leastWatchdog)
		case w.Timeout > maxCount*w.Unit:
			f.Add("watchdog.timeout", "%v is out of range; allowed: up to %v (%d units)", w.Timeout, maxCount*w.Unit,
				maxCount)
		}
	}
	return f
}

// CheckOnBus returns what is wrong with the options of a contact on a serial line.
func (o ContactOptions) CheckOnBus() []relay.Fault {
	f := relay.Faults(o.Check())
	if o.Unit == 255 {
		f.Add("unit", "255 is for boards on Modbus TCP; allowed on a serial line: 1 to 247")
	}
	return f
}

// counts rounds d up to whole units.
func counts(d, unit time.Duration) time.Duration { return (d + unit - 1) / unit }
