package drivers

import (
	"fmt"

	"clearback/bridge/relay"
	"clearback/bridge/relay/gpio"
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

// gpioLine turns levels into the driver's: there the loop is open, or loop current flows, while the line is active.
func gpioLine(l config.Line) (gpio.ContactOptions, error) {
	g := l.Contact.GPIO
	if g == nil {
		return gpio.ContactOptions{}, missing("line "+l.Name, "contact.gpio")
	}
	openOn, err := isOn(l.Name, "open_level", l.Contact.OpenLevel)
	if err != nil {
		return gpio.ContactOptions{}, err
	}
	o := gpio.ContactOptions{Name: l.Name, Line: g.Line, ActiveLow: g.ActiveLow == openOn, Drive: gpio.Drive(g.Drive), Bias: gpio.Bias(g.Bias)}
	if s := g.Sense; s != nil {
		currentOn, err := isOn(l.Name, "gpio.sense.current_when", s.CurrentWhen)
		if err != nil {
			return o, err
		}
		o.Sense = &gpio.Sense{Line: s.Line, ActiveLow: s.ActiveLow == currentOn, Bias: gpio.Bias(s.Bias), Debounce: s.Debounce}
	}
	return o, nil
}

func openSerial(c *config.Controller, _ Options) (board, func(config.Line) (relay.Contact, error), error) {
	return nil, nil, fmt.Errorf("%w: driver %s is not there yet", ErrConfig, c.Driver)
}
