package config

import (
	"fmt"
	"slices"
	"strings"

	"clearback/bridge/relay"
	"clearback/bridge/relay/serial"
)

// SerialPort is a serial port whose control line drives a contact.
type SerialPort struct {
	Device string // device:
}

// ControlLine is an output of a serial port.
type ControlLine struct {
	Line  string       // line: rts or dtr
	Sense *StatusInput // sense:
}

// StatusInput is an input of a serial port.
type StatusInput struct {
	Line        string // line: cts, dsr, dcd or ri
	CurrentWhen string // current_when: on or off
}

var serialLines = driver{
	name: DriverSerial, controller: "serial", contact: "serial", needs: "serial", powered: "relay",
	controllerKey: func(c *Controller) key {
		return optional("serial", &c.Serial, fresh[SerialPort], func(s *SerialPort) []key {
			return []key{required(value("device", &s.Device, "a path", device))}
		})
	},
	contactKeys: func(c *Contact) []key {
		return []key{optional("serial", &c.Serial, fresh[ControlLine], controlLineKeys)}
	},
	claim: func(c *Controller) claim {
		if c.Serial == nil {
			return claim{}
		}
		return claim{"device", "port ", c.Serial.Device, "has the port " + c.Serial.Device + " too",
			"a port is either a bus or a contact on a control line: use another port"}
	},
	check:        func(c *Controller) []relay.Fault { return c.SerialPort().Check() },
	checkContact: func(_ *decoder, l *Line, _ *Controller) []relay.Fault { return l.Serial().Check() },
	share: func(_ *decoder, l *Line, at string, unique uniqueCheck) {
		if c := l.Contact.Controller; c != "" {
			unique(at+".controller", "serial "+c, "the port "+c,
				"a port drives one contact, since opening it moves both its lines: give each its own")
		}
	},
	senses: func(k *Contact) bool { return k.Serial != nil && k.Serial.Sense != nil },
	place: func(k *Contact) string {
		return fmt.Sprintf("%s of port %s, open when the output is %s", strings.ToUpper(k.Serial.Line), k.Controller,
			k.OpenLevel)
	},
	consent:  localConsent,
	fails:    "the daemon or this machine hangs",
	failsOff: "the daemon or this machine hangs or dies",
	dies:     "If the daemon dies during an interruption, the kernel turns the line off and the loop closes; if the daemon or this machine hangs, the loop stays open until somebody closes it",
	diesOff:  "If the daemon or the link fails during an interruption, the loop stays open until somebody closes it",
}

func controlLineKeys(l *ControlLine) []key {
	return []key{
		required(choice("line", &l.Line, "rts", "dtr")),
		optional("sense", &l.Sense, func() StatusInput { return StatusInput{CurrentWhen: "on"} },
			func(s *StatusInput) []key {
				return []key{required(choice("line", &s.Line, "cts", "dsr", "dcd", "ri")),
					choice("current_when", &s.CurrentWhen, "on", "off")}
			}),
	}
}

// SerialPort returns the options of the driver.
func (c *Controller) SerialPort() serial.Options {
	o := serial.Options{Name: c.Name}
	if c.Serial != nil {
		o.Device = c.Serial.Device
	}
	return o
}

// Serial returns the options of the driver for the line's contact. An unknown word becomes a value that the driver
// refuses.
func (l *Line) Serial() serial.ContactOptions {
	o := serial.ContactOptions{Name: l.Name, OpenOn: l.Contact.OpenLevel == "on", Line: serial.DTR + 1}
	k := l.Contact.Serial
	if k == nil {
		return o
	}
	o.Line = serial.Line(slices.Index([]string{"rts", "dtr"}, k.Line))
	if s := k.Sense; s != nil {
		o.Sense = &serial.Sense{Input: serial.Input(slices.Index([]string{"cts", "dsr", "dcd", "ri"}, s.Line)),
			CurrentOn: s.CurrentWhen == "on"}
	}
	return o
}
