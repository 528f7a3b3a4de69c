package config

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"clearback/bridge/relay"
	"clearback/bridge/relay/modbus"
	"clearback/supervision"
)

// Modbus says how to reach a Modbus TCP board.
type Modbus struct {
	Address string        // address: host:port
	Timeout time.Duration // timeout: of one request
}

// SerialBus is a serial line with Modbus RTU boards.
type SerialBus struct {
	Device   string        // device: path of the serial port
	Baud     int           // baud: bits per second, default 19200
	Parity   string        // parity: even, odd or none
	StopBits int           // stop_bits: 1 or 2; 0 means what the standard requires for the parity
	RS485    *RS485        // rs485: the kernel switches the direction by RTS
	Timeout  time.Duration // timeout: of one request
}

// RS485 says how the kernel switches the direction of an RS-485 transceiver.
type RS485 struct {
	Send        string        // send: the level of RTS while sending, high or low
	DelayBefore time.Duration // delay_before: whole milliseconds
	DelayAfter  time.Duration // delay_after: whole milliseconds
}

// TimedOutput is a timed output of a board: writing a length to a register opens the contact for that time, and the
// board ends the opening.
type TimedOutput struct {
	Register uint16 // register: holding register address, from 0
	// sequence: the register takes a sequence number and the next register the length, both written in one request
	Sequence bool
	Unit     time.Duration // unit: the time of one count, e.g. 100ms
	Limit    time.Duration // limit: the longest opening
}

// SenseInput is a discrete input of the board that reports whether loop current flows.
type SenseInput struct {
	Input       uint16 // input: discrete input address, from 0
	CurrentWhen string // current_when: on or off
}

// WatchdogRegister is the timeout register of a board: the board drops its outputs if its master is silent for the time
// written there.
type WatchdogRegister struct {
	Register uint16        // register: holding register address, from 0
	Unit     time.Duration // unit: the time of one count
	Timeout  time.Duration // timeout: the value to write
}

var modbusTCP = driver{
	name: DriverModbus, controller: "modbus",
	needs: "coil", needed: ": the coil's address, counted from 0", powered: "board",
	controllerKey: func(c *Controller) key {
		return nested("modbus", []key{
			required(value("address", &c.Modbus.Address, "host:port", hostPort)),
			timeout(&c.Modbus.Timeout),
		})
	},
	contactKeys: func(c *Contact) []key {
		return []key{
			unit("unit", &c.Unit),
			number("coil", &c.Coil, 0, 65535),
			choice("open_level", &c.OpenLevel, "on", "off"), // gpio and serial use it too
			optional("timed", &c.Timed, fresh[TimedOutput], timedKeys),
			optional("watchdog", &c.Watchdog, fresh[WatchdogRegister], watchdogKeys),
			optional("sense", &c.Sense, func() SenseInput { return SenseInput{CurrentWhen: "on"} }, senseKeys),
		}
	},
	claim: func(c *Controller) claim {
		return claim{"address", "address ", strings.ToLower(c.Modbus.Address), "has the address " + c.Modbus.Address + " too",
			"one board is one controller: name that one in the lines"}
	},
	check:        func(c *Controller) []relay.Fault { return c.ModbusTCP().Check() },
	checkContact: func(_ *decoder, l *Line, _ *Controller) []relay.Fault { return l.Modbus().Check() },
	share:        shareCoil,
	timer: func(k *Contact) *timer {
		if k.Timed == nil {
			return nil
		}
		return &timer{"timed", k.Timed.Unit, k.Timed.Limit}
	},
	senses: func(k *Contact) bool { return k.Sense != nil },
	place: func(k *Contact) string {
		return fmt.Sprintf("coil %d of unit %d at %s, open when the coil is %s", k.Coil, k.Unit, k.Controller,
			k.OpenLevel)
	},
	raise: func(k *Contact) string {
		if k.Require == "watchdog" {
			return "add timed or watchdog if the board has it"
		}
		return "add timed if the board can end an opening by itself"
	},
	consent: "without timed or watchdog the loop stays open if the daemon or the link to the board fails during an interruption; add timed or watchdog",
	fails:   "the daemon, this machine or the link to the board fails",
	dies:    "If the daemon or the link fails during an interruption, the loop stays open until somebody closes it",
	timed:   "If the daemon or the link fails during an interruption, the board itself closes the loop when the interval ends (at most %v). ",
}

// modbusRTU differs from modbusTCP only in its controller and in the check of the unit.
var modbusRTU = func() driver {
	d := modbusTCP
	d.name, d.controller, d.contactKeys = DriverModbusRTU, "rtu", nil
	d.controllerKey = func(c *Controller) key {
		return optional("rtu", &c.RTU, func() SerialBus {
			return SerialBus{Baud: defaultBaud, Parity: "even", Timeout: defaultBusTimeout}
		}, busKeys)
	}
	d.claim = func(c *Controller) claim {
		if c.RTU == nil {
			return claim{}
		}
		return claim{"device", "port ", c.RTU.Device, "has the port " + c.RTU.Device + " too",
			"one bus is one controller: name that one in the lines"}
	}
	d.check = func(c *Controller) []relay.Fault { return c.ModbusBus().Check() }
	d.checkContact = func(_ *decoder, l *Line, _ *Controller) []relay.Fault { return l.Modbus().CheckOnBus() }
	return d
}()

func busKeys(b *SerialBus) []key {
	return []key{
		required(value("device", &b.Device, "a path", device)),
		number("baud", &b.Baud, 300, 4_000_000),
		choice("parity", &b.Parity, "even", "odd", "none"),
		number("stop_bits", &b.StopBits, 1, 2),
		optional("rs485", &b.RS485, func() RS485 { return RS485{Send: "high"} }, func(r *RS485) []key {
			return []key{
				choice("send", &r.Send, "high", "low"),
				value("delay_before", &r.DelayBefore, "a time like 1ms", wholeMilliseconds(0, mostRTSDelay)),
				value("delay_after", &r.DelayAfter, "a time like 1ms", wholeMilliseconds(0, mostRTSDelay)),
			}
		}),
		timeout(&b.Timeout),
	}
}

// A register counts to 65,535. No opening is longer than IntervalCeiling, so no unit needs to be longer.
func timedKeys(t *TimedOutput) []key {
	return []key{
		required(number("register", &t.Register, 0, 65535)),
		yesNo("sequence", &t.Sequence),
		required(duration("unit", &t.Unit, time.Millisecond, supervision.IntervalCeiling)),
		required(duration("limit", &t.Limit, time.Millisecond, time.Hour)),
	}
}

func senseKeys(s *SenseInput) []key {
	return []key{
		required(number("input", &s.Input, 0, 65535)),
		choice("current_when", &s.CurrentWhen, "on", "off"),
	}
}

func watchdogKeys(w *WatchdogRegister) []key {
	return []key{
		required(number("register", &w.Register, 0, 65535)),
		required(duration("unit", &w.Unit, time.Millisecond, supervision.IntervalCeiling)),
		required(duration("timeout", &w.Timeout, 30*time.Millisecond, time.Hour)),
	}
}

// ModbusTCP returns the options of the driver.
func (c *Controller) ModbusTCP() modbus.Options {
	return modbus.Options{Name: c.Name, Address: c.Modbus.Address, Timeout: c.Modbus.Timeout}
}

// ModbusBus returns the options of the driver.
func (c *Controller) ModbusBus() modbus.BusOptions {
	k := c.RTU
	if k == nil {
		return modbus.BusOptions{Name: c.Name}
	}
	o := modbus.BusOptions{Name: c.Name, Device: k.Device, Baud: k.Baud,
		Parity:   modbus.Parity(slices.Index([]string{"even", "odd", "none"}, k.Parity)), // -1: unknown, refused
		StopBits: k.StopBits, Timeout: k.Timeout}
	if r := k.RS485; r != nil {
		o.RS485 = &modbus.RS485{SendLow: r.Send == "low", DelayBefore: r.DelayBefore, DelayAfter: r.DelayAfter}
	}
	return o
}

// Modbus returns the options of the driver for the line's contact.
func (l *Line) Modbus() modbus.ContactOptions {
	c := &l.Contact
	o := modbus.ContactOptions{Name: l.Name, Unit: c.Unit, Coil: c.Coil, OpenOn: c.OpenLevel == "on"}
	if t := c.Timed; t != nil {
		o.Timed = &modbus.Timed{Register: t.Register, Sequence: t.Sequence, Unit: t.Unit, Limit: t.Limit}
	}
	if w := c.Watchdog; w != nil {
		o.Watchdog = &modbus.Watchdog{Register: w.Register, Unit: w.Unit, Timeout: w.Timeout}
	}
	if s := c.Sense; s != nil {
		o.Sense = &modbus.Sense{Input: s.Input, CurrentOn: s.CurrentWhen == "on"}
	}
	return o
}

func shareCoil(d *decoder, l *Line, at string, unique uniqueCheck) {
	k := &l.Contact
	if !d.has(at + ".coil") {
		return
	}
	board := fmt.Sprintf("%s, unit %d", k.Controller, k.Unit)
	unique(at+".coil", fmt.Sprintf("coil %s %d", board, k.Coil), fmt.Sprintf("coil %d of %s", k.Coil, board), oneContactPerLine)
	if k.Timed != nil && d.has(at+".timed.register") {
		unique(at+".timed.register", fmt.Sprintf("register %s %d", board, k.Timed.Register),
			fmt.Sprintf("register %d of %s", k.Timed.Register, board),
			"each coil has its own register of the board's timed output")
	}
}

// checkWatchdogRegisters reports a timeout register that is also used for something else. The daemon writes the
// register at every connection. If it were a timed output, that would open a loop.
func (d *decoder) checkWatchdogRegisters(c *Config) {
	type place struct {
		controller string
		unit       uint8
		register   uint16
	}
	timed, counts := map[place]int{}, map[place]int{}
	for i := range c.Lines {
		if k := &c.Lines[i].Contact; k.flat() && k.Timed != nil &&
			d.has(fmt.Sprintf("lines[%d].contact.timed.register", i)) {
			timed[place{k.Controller, k.Unit, k.Timed.Register}] = i
		}
	}
	for i := range c.Lines {
		k, at := &c.Lines[i].Contact, fmt.Sprintf("lines[%d].contact.watchdog", i)
		if !k.flat() || k.Watchdog == nil || k.Watchdog.Unit == 0 || !d.has(at+".register") {
			continue
		}
		p := place{k.Controller, k.Unit, k.Watchdog.Register}
		if j, taken := timed[p]; taken {
			d.add(d.at(at+".register"),
				"%s.register: register %d of %s, unit %d is the timed output of lines[%d]; every connection would open that loop: look up both in the board's manual",
				at, p.register, p.controller, p.unit, j)
		}
		n := int(wholeUnits(k.Watchdog.Timeout, k.Watchdog.Unit) / k.Watchdog.Unit)
		if first, twice := counts[p]; twice && first != n {
			d.add(d.at(at+".timeout"),
				"%s.timeout: register %d of %s, unit %d would have to hold %d for an earlier line and %d for this one; a unit has only one timeout: write the same",
				at, p.register, p.controller, p.unit, first, n)
		} else {
			counts[p] = n
		}
	}
}

// checkWatchdog compares the board's watchdog with the line's policy.
func (d *decoder) checkWatchdog(l *Line, at string) {
	w := l.Contact.Watchdog
	if l.Contact.OpenLevel == "off" {
		d.add(d.at(at+".watchdog"),
			"%s.watchdog: with open_level off a board that drops its outputs opens the loop; wire the normally-closed contact and write open_level: on, or remove watchdog",
			at)
	}
	if w.Unit == 0 || w.Timeout == 0 {
		return
	}
	if whole := wholeUnits(w.Timeout, w.Unit); whole > l.Policy.MaxInterval {
		d.add(d.at(at+".watchdog.timeout"),
			"%s.watchdog.timeout: %v, in whole units, is longer than max_interval, %v, so a dead daemon would leave the loop open for too long; shorten it",
			at, whole, l.Policy.MaxInterval)
	}
}
