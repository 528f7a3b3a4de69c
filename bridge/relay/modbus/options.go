package modbus

import (
	"context"
	"errors"
	"fmt"
	"net"
	"time"

	"clearback/bridge/relay"
	"clearback/bridge/relay/transport"
)

// Options of a [Board].
type Options struct {
	// Name is the controller's name, for notices.
	Name string
	// Address is "host:port" of the board; Modbus TCP's own port is 502.
	Address string
	// Timeout is how long one request may wait for its answer, and one connection for being made. 20 ms to 10 s; 0
	// means 500 ms.
	Timeout time.Duration
	// Poll is the pace at which the coils are read back when nothing else happens, so that a dead board or a contact
	// moved by somebody else is noticed. At least 10 ms; 0 means 1 s. A watchdog makes it faster: a third of its time.
	Poll time.Duration
	// Notify receives notices, never two at a time for one contact. It must not block and must not call the board. Nil:
	// none.
	Notify func(relay.Notice)
	// NoLock leaves the contacts unclaimed. Only for a process that closes contacts and does nothing else.
	NoLock bool
	// Dial replaces the network and Now the clock that NotAfter is compared with; nil means the real ones.
	Dial func(ctx context.Context, address string) (net.Conn, error)
	Now  func() time.Time
}

// ContactOptions say where a contact is on its board.
type ContactOptions struct {
	// Name is the line's name, for notices.
	Name string
	// Unit is the unit identifier, 1-247 or 255.
	Unit uint8
	// Coil is the coil's address, from 0.
	Coil uint16
	// OpenOn: the loop is open when the coil is on (a normally-closed contact). False: when it is off, so that a board
	// without power holds the loop open.
	OpenOn bool
	// Timed, if not nil, is the board's own timed output for this coil. The contact is then KindOneshot.
	Timed *Timed
	// Watchdog, if not nil, is written whenever a connection begins. The contact is then KindWatchdog, if it is not
	// timed.
	Watchdog *Watchdog
	// Sense, if not nil, is the input that reports whether loop current flows.
	Sense *Sense
}

// Sense is a discrete input.
type Sense struct {
	// Input is the input's address, from 0.
	Input uint16
	// CurrentOn: loop current flows when the input is on. False: when it is off.
	CurrentOn bool
}

// Timed is a holding register: writing n to it opens the contact for n units.
type Timed struct {
	// Register is the holding register's address, from 0.
	Register uint16
	// Sequence: the board wants a sequence number with each opening, so that one which reaches it twice has one effect.
	// The number goes to Register and n to the register behind it, both by one request of function 16; read, Register
	// is the last number that the board has seen. The driver goes on from that after its own start.
	Sequence bool
	// Unit is what one count is worth, 1 ms or more.
	Unit time.Duration
	// Limit is the longest opening that will be asked for, at most 65,535 units.
	Limit time.Duration
}

// Watchdog is a holding register: the board drops its outputs when its master is silent for n units. 0 mostly turns it
// off, so it is never written.
type Watchdog struct {
	// Register is the holding register's address, from 0.
	Register uint16
	// Unit is what one count is worth, 1 ms or more.
	Unit time.Duration
	// Timeout is rounded up to whole units, at most 65,535 of them; at least 30 ms.
	Timeout time.Duration
}

// ErrOptions: a setting is out of its range.
var ErrOptions = errors.New("modbus: setting out of range")

const (
	defaultTimeout = 500 * time.Millisecond
	defaultPoll    = time.Second
	// undelivered is how long the kernel may go on trying to deliver what was written, however long the board may take
	// to answer: an opening that a blocked link holds back must not arrive seconds later.
	undelivered = defaultTimeout
	maxCount    = 65_535 // a register has 16 bits
)

func (o Options) withDefaults() (Options, error) {
	if o.Timeout == 0 {
		o.Timeout = defaultTimeout
	}
	if o.Poll == 0 {
		o.Poll = defaultPoll
	}
	if o.Notify == nil {
		o.Notify = func(relay.Notice) {}
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Dial == nil {
		d := net.Dialer{Timeout: o.Timeout, Control: transport.LimitUnacknowledged(min(o.Timeout, undelivered))}
		o.Dial = func(ctx context.Context, address string) (net.Conn,
			error) {
			return d.DialContext(ctx, "tcp", address)
		}
	}
	switch _, port, err := net.SplitHostPort(o.Address); {
	case err != nil || port == "":
		return o, fmt.Errorf("%w: board %s: address %q; write it as host:port, mostly port 502", ErrOptions, o.Name,
			o.Address)
	case o.Timeout < 20*time.Millisecond || o.Timeout > 10*time.Second:
		return o, fmt.Errorf("%w: board %s: timeout %v; allowed are 20ms to 10s", ErrOptions, o.Name, o.Timeout)
	case o.Poll < 10*time.Millisecond:
		return o, fmt.Errorf("%w: board %s: poll %v; allowed is 10ms or more", ErrOptions, o.Name, o.Poll)
	}
	return o, nil
}

func (o ContactOptions) check() error {
	bad := func(format string, a ...any) error {
		return fmt.Errorf("%w: line %s: %s", ErrOptions, o.Name, fmt.Sprintf(format, a...))
	}
	if o.Unit == 0 || o.Unit > 247 && o.Unit != 255 {
		return bad("unit %d; allowed are 1 to 247 and 255", o.Unit)
	}
	if t := o.Timed; t != nil {
		if t.Sequence && t.Register == maxCount {
			return bad("timed output: register %d has no neighbour for the length; allowed are 0 to %d", t.Register,
				maxCount-1)
		}
		if t.Unit < time.Millisecond {
			return bad("timed output: unit %v; allowed is 1ms or more", t.Unit)
		}
		if t.Limit < t.Unit || t.Limit > maxCount*t.Unit {
			return bad("timed output: limit %v; allowed are %v to %v", t.Limit, t.Unit, maxCount*t.Unit)
		}
	}
	if w := o.Watchdog; w != nil {
		if w.Unit < time.Millisecond {
			return bad("watchdog: unit %v; allowed is 1ms or more", w.Unit)
		}
		if w.Timeout < 30*time.Millisecond || w.Timeout > maxCount*w.Unit {
			return bad("watchdog: timeout %v; allowed are 30ms to %v", w.Timeout, maxCount*w.Unit)
		}
	}
	return nil
}

// counts rounds d up to whole units.
func counts(d, unit time.Duration) time.Duration { return (d + unit - 1) / unit }
