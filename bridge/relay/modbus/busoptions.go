package modbus

import (
	"fmt"
	"time"

	"clearback/bridge/relay"
)

// BusOptions are the options of a [Bus].
type BusOptions struct {
	// Name is the controller's name, for notices.
	Name string
	// Device is the serial port: "/dev/ttyS1", or for an adapter on USB one of the names below /dev/serial/by-id, which
	// stay.
	Device string
	// Baud is the speed in bits per second, as the boards are set: 300 to 4,000,000; 0 means 19,200, the serial line's
	// standard.
	Baud int
	// Parity is as the boards are set; 0 means even, the serial line's standard.
	Parity Parity
	// StopBits is 1 or 2; 0 means the standard's: 1 with parity and 2 without.
	StopBits int
	// RS485, if not nil, has the kernel switch the direction of an RS-485 driver by RTS. Adapters on USB mostly do it
	// by themselves.
	RS485 *RS485
	// Timeout is how long a board may take from the end of a request to the end of its answer. 20 ms to 10 s; 0 means
	// 300 ms. A board that is silent takes that long from all others on the bus.
	Timeout time.Duration
	// Poll is as in [Options]; 0 means 2 s.
	Poll time.Duration
	// Notify is as in [Options]. Notices about the link to a unit come once for each line on it.
	Notify func(relay.Notice)
	// NoLock leaves the port and the contacts unclaimed. Only for a process that closes contacts and does nothing else.
	// Another process that holds the port keeps it all the same: two masters on one bus would garble each other.
	NoLock bool
	// Now replaces the clock that NotAfter is compared with; nil means the real one.
	Now func() time.Time
}

// Parity is what the parity bit of a serial line tells.
type Parity uint8

// The parities.
const (
	ParityEven Parity = iota
	ParityOdd
	ParityNone
)

// RS485 is how the kernel switches the direction by RTS (its TIOCSRS485).
type RS485 struct {
	// SendLow: RTS is off while sending and on otherwise. False: on while sending.
	SendLow bool
	// DelayBefore and DelayAfter are how long RTS is at the level of sending before the first bit and after the last
	// one: whole milliseconds, at most 100.
	DelayBefore, DelayAfter time.Duration
}

const (
	defaultBusTimeout = 300 * time.Millisecond
	defaultBusPoll    = 2 * time.Second
	defaultBaud       = 19_200 // MODBUS over Serial Line V1.02, section 3.2
	maxRTSDelay       = 100 * time.Millisecond
)

func (o BusOptions) withDefaults() (BusOptions, error) {
	if o.Baud == 0 {
		o.Baud = defaultBaud
	}
	if o.StopBits == 0 {
		if o.StopBits = 1; o.Parity == ParityNone {
			o.StopBits = 2 // so that every character has 11 bits: MODBUS over Serial Line V1.02, section 2.5.1
		}
	}
	if o.Timeout == 0 {
		o.Timeout = defaultBusTimeout
	}
	if o.Poll == 0 {
		o.Poll = defaultBusPoll
	}
	if o.Notify == nil {
		o.Notify = func(relay.Notice) {}
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	bad := func(format string, a ...any) error {
		return fmt.Errorf("%w: bus %s: %s", ErrOptions, o.Name, fmt.Sprintf(format, a...))
	}
	switch {
	case o.Device == "":
		return o, bad("no device; name the serial port, for example /dev/ttyS1")
	case o.Baud < 300 || o.Baud > 4_000_000:
		return o, bad("baud %d; allowed are 300 to 4000000", o.Baud)
	case o.Parity > ParityNone:
		return o, bad("parity %d; allowed are even, odd and none", o.Parity)
	case o.StopBits < 1 || o.StopBits > 2:
		return o, bad("stop bits %d; allowed are 1 and 2", o.StopBits)
	case o.Timeout < 20*time.Millisecond || o.Timeout > 10*time.Second:
		return o, bad("timeout %v; allowed are 20ms to 10s", o.Timeout)
	case o.Poll < 10*time.Millisecond:
		return o, bad("poll %v; allowed is 10ms or more", o.Poll)
	}
	if r := o.RS485; r != nil {
		for name, d := range map[string]time.Duration{"before": r.DelayBefore, "after": r.DelayAfter} {
			if d < 0 || d > maxRTSDelay || d%time.Millisecond != 0 {
				return o, bad("RS-485: delay %s sending %v; allowed are 0 to %v in whole milliseconds", name, d,
					maxRTSDelay)
			}
		}
	}
	return o, nil
}
