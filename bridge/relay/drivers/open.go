package drivers

import (
	"context"
	"fmt"

	"clearback/bridge/relay"
	"clearback/bridge/relay/command"
	"clearback/bridge/relay/controller"
	"clearback/bridge/relay/httprelay"
	"clearback/bridge/relay/modbus"
	"clearback/bridge/relay/mqtt"
	"clearback/config"
)

// board is the common part of all drivers' boards, buses, chips, brokers and programs.
type board interface {
	Start()
	Ready(context.Context) error
	Shutdown(context.Context) []controller.NotClosed
}

// openController is a controller of the configuration, with a function that adds a line's contact to it.
type openController struct {
	board
	name    string
	driver  string
	contact func(config.Line) (relay.Contact, error)
}

// open makes the controller of an entry. It does not start it.
func open(c *config.Controller, o Options) (openController, error) {
	make := map[string]func(*config.Controller, Options) (board, func(config.Line) (relay.Contact, error), error){
		config.DriverModbus: openModbus, config.DriverModbusRTU: openRTU, config.DriverGPIO: openGPIO,
		config.DriverSerial: openSerial,
		config.DriverMQTT:   openMQTT, config.DriverHTTP: openHTTP, config.DriverCommand: openCommand,
	}[c.Driver]
	if make == nil {
		return openController{}, fmt.Errorf("%w: controller %s: driver %q is not known", ErrConfig, c.Name, c.Driver)
	}
	b, contact, err := make(c, o)
	if err != nil {
		return openController{}, fmt.Errorf("controller %s: %w", c.Name, err)
	}
	return openController{b, c.Name, c.Driver, contact}, nil
}

// missing returns the error for a missing block. Package config normally reports it first.
func missing(where, block string) error {
	return fmt.Errorf("%w: %s: %s is missing", ErrConfig, where, block)
}

// plain returns a nil interface, rather than an interface that holds a nil pointer, with an error.
func plain[C relay.Contact](c C, err error) (relay.Contact, error) {
	if err != nil {
		return nil, err
	}
	return c, nil
}

// isOn parses a level of the configuration.
func isOn(line, key, level string) (bool, error) {
	switch level {
	case "on":
		return true, nil
	case "off":
		return false, nil
	}
	return false, fmt.Errorf("%w: line %s: %s %q; allowed are on and off", ErrConfig, line, key, level)
}

func openModbus(c *config.Controller, o Options) (board, func(config.Line) (relay.Contact, error), error) {
	b, err := modbus.NewBoard(modbus.Options{Name: c.Name, Address: c.Modbus.Address, Timeout: c.Modbus.Timeout,
		Notify: o.Notify, NoLock: o.NoLock})
	if err != nil {
		return nil, nil, err
	}
	return b, modbusContacts(b.Contact), nil
}

var parities = map[string]modbus.Parity{"": modbus.ParityEven, "even": modbus.ParityEven, "odd": modbus.ParityOdd,
	"none": modbus.ParityNone}

func openRTU(c *config.Controller, o Options) (board, func(config.Line) (relay.Contact, error), error) {
	k := c.RTU
	if k == nil {
		return nil, nil, missing("controller "+c.Name, "rtu")
	}
	parity, known := parities[k.Parity]
	if !known {
		return nil, nil, fmt.Errorf("%w: parity %q", ErrConfig, k.Parity)
	}
	bo := modbus.BusOptions{Name: c.Name, Device: k.Device, Baud: k.Baud, Parity: parity, StopBits: k.StopBits,
		Timeout: k.Timeout, Notify: o.Notify, NoLock: o.NoLock}
	if r := k.RS485; r != nil {
		bo.RS485 = &modbus.RS485{SendLow: r.Send == "low", DelayBefore: r.DelayBefore, DelayAfter: r.DelayAfter}
	}
	b, err := modbus.NewBus(bo)
	if err != nil {
		return nil, nil, err
	}
	return b, modbusContacts(b.Contact), nil
}

// modbusContacts returns the function that adds a line's contact to a board or a bus.
func modbusContacts(add func(modbus.ContactOptions) (*modbus.Contact, error)) func(config.Line) (relay.Contact, error) {
	return func(l config.Line) (relay.Contact, error) {
		c := l.Contact
		openOn, err := isOn(l.Name, "open_level", c.OpenLevel)
		if err != nil {
			return nil, err
		}
		o := modbus.ContactOptions{Name: l.Name, Unit: c.Unit, Coil: c.Coil, OpenOn: openOn}
		if t := c.Timed; t != nil {
			o.Timed = &modbus.Timed{Register: t.Register, Sequence: t.Sequence, Unit: t.Unit, Limit: t.Limit}
		}
		if w := c.Watchdog; w != nil {
			o.Watchdog = &modbus.Watchdog{Register: w.Register, Unit: w.Unit, Timeout: w.Timeout}
		}
		if s := c.Sense; s != nil {
			o.Sense = &modbus.Sense{Input: s.Input, CurrentOn: s.CurrentWhen == "on"}
		}
		return plain(add(o))
	}
}

func openMQTT(c *config.Controller, o Options) (board, func(config.Line) (relay.Contact, error), error) {
	k := c.MQTT
	if k == nil {
		return nil, nil, missing("controller "+c.Name, "mqtt")
	}
	b, err := mqtt.NewBoard(mqtt.Options{Name: c.Name, Address: k.Address, User: k.User, Password: k.Password.Reveal(),
		CA: k.CA, Certificate: k.Certificate, Key: k.Key,
		ServerName: k.ServerName, ClientID: k.ClientID, Timeout: k.Timeout, KeepAlive: k.KeepAlive, Notify: o.Notify,
		NoLock: o.NoLock})
	if err != nil {
		return nil, nil, err
	}
	return b, func(l config.Line) (relay.Contact, error) {
		t := l.Contact.MQTT
		if t == nil {
			return nil, missing("line "+l.Name, "contact.mqtt")
		}
		return plain(b.Contact(mqtt.ContactOptions{Name: l.Name, Prefix: t.Prefix, Limit: t.Limit, Sense: t.Sense,
			Plain: plainDevice(t.Plain)}))
	}, nil
}

func plainDevice(p *config.PlainDevice) *mqtt.Plain {
	if p == nil {
		return nil
	}
	message := func(m *config.Message) *mqtt.Message {
		if m == nil {
			return nil
		}
		return &mqtt.Message{Topic: m.Topic, Payload: m.Payload}
	}
	value := func(v *config.TopicValue) *mqtt.Value {
		if v == nil {
			return nil
		}
		return &mqtt.Value{Topic: v.Topic, Pointer: v.Pointer, Open: v.Open, Closed: v.Closed}
	}
	o := &mqtt.Plain{AcceptLateOpening: p.AcceptLateOpening, Open: message(p.Open), Close: message(p.Close),
		State: value(p.State), Sense: value(p.Sense)}
	if t := p.Timed; t != nil {
		o.Timed = &mqtt.Timed{Message: *message(&t.Message), Unit: t.Unit, Limit: t.Limit}
	}
	if a := p.Available; a != nil {
		o.Available = &mqtt.Availability{Topic: a.Topic, Pointer: a.Pointer, Online: a.Online, Offline: a.Offline}
	}
	return o
}

func openHTTP(c *config.Controller, o Options) (board, func(config.Line) (relay.Contact, error), error) {
	k := c.HTTP
	if k == nil {
		return nil, nil, missing("controller "+c.Name, "http")
	}
	b, err := httprelay.NewBoard(httprelay.Options{Name: c.Name, URL: k.URL, User: k.User,
		Password: k.Password.Reveal(), Headers: headers(k.Headers), CA: k.CA,
		Certificate: k.Certificate, Key: k.Key, ServerName: k.ServerName, Timeout: k.Timeout, Notify: o.Notify,
		NoLock: o.NoLock})
	if err != nil {
		return nil, nil, err
	}
	return b, func(l config.Line) (relay.Contact, error) { return plain(b.Contact(requests(l))) }, nil
}

func headers(all []config.Header) []httprelay.Header {
	var h []httprelay.Header
	for _, f := range all {
		v := f.Value
		if v == "" {
			v = f.Secret.Reveal()
		}
		h = append(h, httprelay.Header{Name: f.Name, Value: v})
	}
	return h
}

func requests(l config.Line) httprelay.ContactOptions {
	o := httprelay.ContactOptions{Name: l.Name}
	r := l.Contact.HTTP
	if r == nil {
		return o // this project's own contract
	}
	one := func(q *config.Request) *httprelay.Request {
		if q == nil {
			return nil
		}
		n := &httprelay.Request{Method: q.Method, Path: q.Path, Body: q.Body, ContentType: q.ContentType,
			Headers: headers(q.Headers), Success: q.Success, Refused: q.Refused}
		if e := q.Expect; e != nil {
			n.Expect = &httprelay.Expect{Pointer: e.Pointer, Values: e.Values}
		}
		return n
	}
	question := func(q *config.Question) *httprelay.Read {
		if q == nil {
			return nil
		}
		return &httprelay.Read{Request: *one(&q.Request), Pointer: q.Pointer, Open: q.Open, Closed: q.Closed}
	}
	o.Contact, o.Open, o.Close, o.Read, o.Sense = r.Contact, one(r.Open), one(r.Close), question(r.Read),
		question(r.Sense)
	if t := r.Timed; t != nil {
		o.Timed = &httprelay.Timed{Request: *one(&t.Request), Unit: t.Unit, Limit: t.Limit}
	}
	return o
}

func openCommand(c *config.Controller, o Options) (board, func(config.Line) (relay.Contact, error), error) {
	k := c.Command
	if k == nil {
		return nil, nil, missing("controller "+c.Name, "command")
	}
	b, err := command.NewBoard(command.Options{Name: c.Name, Program: k.Path, Timeout: k.Timeout, Notify: o.Notify,
		NoLock: o.NoLock})
	if err != nil {
		return nil, nil, err
	}
	return b, func(l config.Line) (relay.Contact, error) {
		co := command.ContactOptions{Name: l.Name}
		if r := l.Contact.Command; r != nil {
			co.Arguments, co.Read, co.Sense = r.Arguments, r.Read, r.Sense
			if t := r.Timed; t != nil {
				co.Timed = &command.Timed{Quantum: t.Unit, Limit: t.Limit}
			}
		}
		return plain(b.Contact(co))
	}, nil
}
