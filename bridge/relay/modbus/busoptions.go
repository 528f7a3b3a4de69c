package modbus

import (
	"cmp"
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
	faults := o.Check()
	if o.StopBits == 0 {
		if o.StopBits = 1; o.Parity == ParityNone {
			o.StopBits = 2 // so that every character has 11 bits: MODBUS over Serial Line V1.02, section 2.5.1
		}
	}
	o.Baud = cmp.Or(o.Baud, defaultBaud)
	o.Timeout, o.Poll = cmp.Or(o.Timeout, defaultBusTimeout), cmp.Or(o.Poll, controller.DefaultPoll)
	if o.Notify == nil {
		o.Notify = func(relay.Notice) {}
	}
	return o, relay.FaultError(ErrOptions, "bus "+o.Name, faults)
}

// Check returns what is wrong with the options.
func (o BusOptions) Check() []relay.Fault {
	f := relay.CheckTimes(o.Timeout, o.Poll)
	if o.Device == "" {
		f.Add("device", "it is empty; name the serial port, for example /dev/ttyS1")
	}
	if o.Baud != 0 && (o.Baud < 300 || o.Baud > 4_000_000) {
		f.Add("baud", "%d is out of range; allowed: 300 to 4000000", o.Baud)
	}
	if o.Parity > ParityNone {
		f.Add("parity", "%d is not known; allowed: even, odd, none", o.Parity)
	}
	if o.StopBits < 0 || o.StopBits > 2 {
		f.Add("stop_bits", "%d is out of range; allowed: 1 to 2", o.StopBits)
	}
	if r := o.RS485; r != nil {
		for i, d := range []time.Duration{r.DelayBefore, r.DelayAfter} {
			if d < 0 || d > maxRTSDelay || d%time.Millisecond != 0 {
				f.Add([]string{"rs485.delay_before", "rs485.delay_after"}[i], "%v is out of range; allowed: 0s to %v in whole milliseconds", d, maxRTSDelay)
			}
		}
	}
	return f
}
