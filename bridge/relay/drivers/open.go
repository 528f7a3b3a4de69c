package drivers

import (
	"context"
	"fmt"

	"clearback/bridge/relay"
	"clearback/bridge/relay/command"
	"clearback/bridge/relay/controller"
	"clearback/bridge/relay/gpio"
	"clearback/bridge/relay/httprelay"
	"clearback/bridge/relay/modbus"
	"clearback/bridge/relay/mqtt"
	"clearback/bridge/relay/serial"
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
	contact func(*config.Line) (relay.Contact, error)
}

// open makes the controller of an entry. It does not start it.
func open(c *config.Controller, o Options) (openController, error) {
	b, contact, err := openDriver(c, o)
	if err != nil {
		return openController{}, fmt.Errorf("controller %s: %w", c.Name, err)
	}
	return openController{b, c.Name, c.Driver, contact}, nil
}

// openDriver has the one case of each driver.
func openDriver(c *config.Controller, o Options) (board, func(*config.Line) (relay.Contact, error), error) {
	switch c.Driver {
	case config.DriverModbus:
		opt := c.ModbusTCP()
		opt.Notify, opt.NoLock = o.Notify, o.NoLock
		b, err := modbus.NewBoard(opt)
		return b, func(l *config.Line) (relay.Contact, error) { return plain(b.Contact(l.Modbus())) }, err
	case config.DriverModbusRTU:
		opt := c.ModbusBus()
		opt.Notify, opt.NoLock = o.Notify, o.NoLock
		b, err := modbus.NewBus(opt)
		return b, func(l *config.Line) (relay.Contact, error) { return plain(b.Contact(l.Modbus())) }, err
	case config.DriverGPIO:
		opt := c.GPIOBoard()
		opt.Notify, opt.NoLock = o.Notify, o.NoLock
		b, err := gpio.NewBoard(opt)
		return b, func(l *config.Line) (relay.Contact, error) { return plain(b.Contact(l.GPIO())) }, err
	case config.DriverSerial:
		opt := c.SerialPort()
		opt.Notify, opt.NoLock = o.Notify, o.NoLock
		b, err := serial.NewBoard(opt)
		return b, func(l *config.Line) (relay.Contact, error) { return plain(b.Contact(l.Serial())) }, err
	case config.DriverMQTT:
		opt := c.MQTTBroker()
		opt.Notify, opt.NoLock = o.Notify, o.NoLock
		b, err := mqtt.NewBoard(opt)
		return b, func(l *config.Line) (relay.Contact, error) { return plain(b.Contact(l.MQTT())) }, err
	case config.DriverHTTP:
		opt := c.HTTPDevice()
		opt.Notify, opt.NoLock = o.Notify, o.NoLock
		b, err := httprelay.NewBoard(opt)
		return b, func(l *config.Line) (relay.Contact, error) { return plain(b.Contact(l.HTTP())) }, err
	case config.DriverCommand:
		opt := c.Program()
		opt.Notify, opt.NoLock = o.Notify, o.NoLock
		b, err := command.NewBoard(opt)
		return b, func(l *config.Line) (relay.Contact, error) { return plain(b.Contact(l.Command())) }, err
	}
	return nil, nil, fmt.Errorf("%w: driver %q is not known", ErrConfig, c.Driver)
}

// plain returns a nil interface, rather than an interface that holds a nil pointer, with an error.
func plain[C relay.Contact](c C, err error) (relay.Contact, error) {
	if err != nil {
		return nil, err
	}
	return c, nil
}
