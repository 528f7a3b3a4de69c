package drivers

import (
	"fmt"

	"clearback/bridge/relay"
	"clearback/bridge/relay/gpio"
	"clearback/bridge/relay/serial"
	"clearback/config"
)

func openGPIO(c *config.Controller, o Options) (board, func(config.Line) (relay.Contact, error), error) {
	k := c.GPIO
	if k == nil {
		return nil, nil, missing("controller "+c.Name, "gpio")
	}
	b, err := gpio.NewBoard(gpio.Options{Name: c.Name, Chip: k.Chip, Notify: o.Notify, NoLock: o.NoLock})
	if err != nil {
		return nil, nil, err
	}
	return b, func(l config.Line) (relay.Contact, error) {
		co, err := gpioLine(l)
		if err != nil {
			return nil, err
		}
		return plain(b.Contact(co))
	}, nil
}

// gpioLine translates the levels of the configuration. In the driver the loop is open, or loop current flows, while the
// GPIO line is active.
func gpioLine(l config.Line) (gpio.ContactOptions, error) {
	g := l.Contact.GPIO
	if g == nil {
		return gpio.ContactOptions{}, missing("line "+l.Name, "contact.gpio")
	}
	openOn, err := isOn(l.Name, "open_level", l.Contact.OpenLevel)
	if err != nil {
		return gpio.ContactOptions{}, err
	}
	o := gpio.ContactOptions{Name: l.Name, Line: g.Line, ActiveLow: g.ActiveLow == openOn, Drive: gpio.Drive(g.Drive),
		Bias: gpio.Bias(g.Bias)}
	if s := g.Sense; s != nil {
		currentOn, err := isOn(l.Name, "gpio.sense.current_when", s.CurrentWhen)
		if err != nil {
			return o, err
		}
		o.Sense = &gpio.Sense{Line: s.Line, ActiveLow: s.ActiveLow == currentOn, Bias: gpio.Bias(s.Bias),
			Debounce: s.Debounce}
	}
	return o, nil
}

func openSerial(c *config.Controller, o Options) (board, func(config.Line) (relay.Contact, error), error) {
	k := c.Serial
	if k == nil {
		return nil, nil, missing("controller "+c.Name, "serial")
	}
	b, err := serial.NewBoard(serial.Options{Name: c.Name, Device: k.Device, Notify: o.Notify, NoLock: o.NoLock})
	if err != nil {
		return nil, nil, err
	}
	return b, func(l config.Line) (relay.Contact, error) {
		co, err := controlLine(l)
		if err != nil {
			return nil, err
		}
		return plain(b.Contact(co))
	}, nil
}

// controlLine translates the names of the configuration.
func controlLine(l config.Line) (serial.ContactOptions, error) {
	k := l.Contact.Serial
	if k == nil {
		return serial.ContactOptions{}, missing("line "+l.Name, "contact.serial")
	}
	openOn, err := isOn(l.Name, "open_level", l.Contact.OpenLevel)
	if err != nil {
		return serial.ContactOptions{}, err
	}
	o := serial.ContactOptions{Name: l.Name, OpenOn: openOn}
	switch k.Line {
	case "rts":
		o.Line = serial.RTS
	case "dtr":
		o.Line = serial.DTR
	default:
		return o, fmt.Errorf("%w: line %s: contact.serial.line %q; allowed are rts and dtr", ErrConfig, l.Name, k.Line)
	}
	if s := k.Sense; s != nil {
		currentOn, err := isOn(l.Name, "serial.sense.current_when", s.CurrentWhen)
		if err != nil {
			return o, err
		}
		input, ok := map[string]serial.Input{"cts": serial.CTS, "dsr": serial.DSR, "dcd": serial.DCD,
			"ri": serial.RI}[s.Line]
		if !ok {
			return o, fmt.Errorf("%w: line %s: contact.serial.sense.line %q; allowed are cts, dsr, dcd and ri",
				ErrConfig, l.Name, s.Line)
		}
		o.Sense = &serial.Sense{Input: input, CurrentOn: currentOn}
	}
	return o, nil
}
