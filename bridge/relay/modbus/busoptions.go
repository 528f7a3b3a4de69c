package modbus

import (
	"fmt"
	"time"

	"clearback/bridge/relay"
	"clearback/bridge/relay/controller"
)

// BusOptions are the options of a [Bus].
type BusOptions struct {
	// Name is the controller's name, for notices.
	Name string
	// Device is the serial port, such as "/dev/ttyS1". For a USB adapter use its name in /dev/serial/by-id, which does
	// not change.
	Device string
	// Baud is the speed of the boards in bits per second: 300 to 4,000,000. 0 means 19,200, the default of the Modbus
	// standard.
	Baud int
	// Parity is the parity of the boards; 0 means even, the default of the Modbus standard.
	Parity Parity
	// StopBits is 1 or 2; 0 means 1 with parity and 2 without, as the Modbus standard says.
	StopBits int
	// RS485, if not nil, makes the kernel switch the direction of an RS-485 driver with RTS. Most USB adapters switch
	// it themselves.
	RS485 *RS485
	// Timeout is the longest time from the end of a request to the end of its answer: 20 ms to 10 s; 0 means 300 ms.
	// While a board is silent for that long, no other board on the bus can be asked.
	Timeout time.Duration
	// Poll is defined in [Options]; 0 means 1 s.
	Poll time.Duration
	// Notify is defined in [Options]. A notice about the link to a unit is given once for each line of that unit.
	Notify func(relay.Notice)
	// NoLock leaves the port and the contacts unclaimed. It is only for a process that closes contacts and does nothing
	// else. A port that another process holds stays closed to this one, since two masters on one bus would garble each
	// other's frames.
	NoLock bool
	// Now is the clock that NotAfter is compared with; nil means the real one.
	Now func() time.Time
}

// Parity is the parity of a serial line.
type Parity uint8

// The parities.
const (
	ParityEven Parity = iota
	ParityOdd
	ParityNone
)

// RS485 says how the kernel switches the direction with RTS (ioctl TIOCSRS485).
type RS485 struct {
	// SendLow means that RTS is off while sending and on otherwise. If false, RTS is on while sending.
	SendLow bool
	// DelayBefore and DelayAfter are how long RTS is at the sending level before the first bit and after the last one:
	// whole milliseconds, at most 100.
	DelayBefore, DelayAfter time.Duration
}

const (
	defaultBusTimeout = 300 * time.Millisecond
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
		o.Poll = controller.DefaultPoll
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
