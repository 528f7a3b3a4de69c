package config

import (
	"time"

	"clearback/bridge/relay"
)

// The drivers, as the file names them.
const (
	DriverNone      = "none"
	DriverModbus    = "modbus"
	DriverModbusRTU = "modbus-rtu"
	DriverGPIO      = "gpio"
	DriverSerial    = "serial"
	DriverMQTT      = "mqtt"
	DriverHTTP      = "http"
	DriverCommand   = "command"
)

// drivers has one row for each driver, with what this package knows about that driver.
var drivers = []driver{modbusTCP, modbusRTU, gpioLines, serialLines, mqttDevices, httpDevices, programs}

// Controller is an entry of `controllers:`: one relay board, bus, chip, port, broker, device or program. Only the
// settings of its driver are allowed.
type Controller struct {
	Name    string      // name:
	Driver  string      // driver:
	Modbus  Modbus      // modbus:
	RTU     *SerialBus  // rtu: of driver modbus-rtu
	GPIO    *GPIOChip   // gpio:
	Serial  *SerialPort // serial:
	MQTT    *Broker     // mqtt:
	HTTP    *HTTPDevice // http:
	Command *Program    // command:
}

// Contact is the relay contact of a line. The keys unit, coil, timed, watchdog and sense belong to modbus and
// modbus-rtu. open_level belongs to these and to gpio and serial.
type Contact struct {
	Driver     string // driver: none, or that of the controller
	Controller string // controller: name of an entry of controllers
	// Require is the lowest kind that the line accepts: none, watchdog or oneshot.
	Require string // require: default none
	Unit    uint8  // unit: 1-247, 255
	Coil    uint16 // coil: address, from 0
	// OpenLevel says which level of the output opens the loop: "on" (normally-closed contact) or "off".
	OpenLevel string // open_level:
	// Timed, if not nil, is the board's own timed output.
	Timed *TimedOutput // timed:
	// Watchdog, if not nil, is the board's timeout for a silent master.
	Watchdog *WatchdogRegister // watchdog:
	// Sense, if not nil, is the board's loop-current input.
	Sense   *SenseInput  // sense:
	GPIO    *GPIOLine    // gpio:
	Serial  *ControlLine // serial:
	MQTT    *Topics      // mqtt:
	HTTP    *Requests    // http:
	Command *Runs        // command:
	// AcceptOpenIfDaemonDies is the consent that a contact of kind none needs.
	AcceptOpenIfDaemonDies bool // accept_open_if_daemon_dies:
	// AcceptOpenIfPowerFails is the consent that a contact needs if it opens the loop when it has no power.
	AcceptOpenIfPowerFails bool // accept_open_if_power_fails:
}

// driver is what this package knows about a driver. The driver itself checks its options.
type driver struct {
	name string
	// controller and contact are the mappings with the settings of a controller and of a contact. contact is "" if the
	// settings are keys of the contact itself.
	controller, contact string
	// needs is the key that every contact must have, or "". needed is the end of the fault text if that key is missing.
	needs, needed string
	// powered names the part that opens the loop with open_level off when it loses power. "" means that there is no
	// open_level, because open and close are commands of their own.
	powered string

	controllerKey func(*Controller) key
	contactKeys   func(*Contact) []key
	// complete, if not nil, sets the defaults of a contact without settings.
	complete func(*Contact)
	// claim, if not nil, returns what no two controllers may share.
	claim func(*Controller) claim
	// files, if not nil, returns the settings with the paths of a controller's certificates, or nil if there are none.
	files func(*Controller) *Peer
	// check and checkContact return the faults that the driver finds. In checkContact the controller is nil if the line
	// names none that exists.
	check        func(*Controller) []relay.Fault
	checkContact func(*decoder, *Line, *Controller) []relay.Fault
	// share reports what no two lines may share.
	share func(d *decoder, l *Line, at string, unique uniqueCheck)
	// timer, if not nil, returns the controller's own timer for openings, or nil if the contact has none.
	timer  func(*Contact) *timer
	senses func(*Contact) bool

	// The fields below describe a contact to people. place says where it is.
	place func(*Contact) string
	// raise, if not nil, says how to make it a contact of a higher kind.
	raise func(*Contact) string
	// consent says why a contact that only the daemon closes needs the user's consent.
	consent string
	// fails names the failures that can leave the loop open. dies says what happens then. failsOff and diesOff, if not
	// "", replace them with open_level off.
	fails, failsOff, dies, diesOff string
	// timed, if not "", replaces the common sentence about a contact with its own timer. It has one formatting verb,
	// for the limit.
	timed string
	// late, if not nil, says what happens to an opening that is delayed on its way.
	late func(*Contact) string
}

// claim names what only one controller may use, and has the texts of the fault if a second one uses it too.
type claim struct{ key, kind, thing, words, remedy string }

// uniqueCheck reports a fault if an earlier line already uses the same thing. words describes the thing.
type uniqueCheck func(path, thing, words, remedy string)

const oneContactPerLine = "one contact serves one line: give each its own"

// driverOf returns the row of a driver, or an empty row for [DriverNone] and for an unknown name.
func driverOf(name string) *driver {
	for i := range drivers {
		if drivers[i].name == name {
			return &drivers[i]
		}
	}
	return &driver{}
}

func (k *Contact) driver() *driver { return driverOf(k.Driver) }

// Place says where the contact is, for people; "" with [DriverNone].
func (k *Contact) Place() string {
	if place := k.driver().place; place != nil {
		return place(k)
	}
	return ""
}

func driverNames() []string {
	all := make([]string, len(drivers))
	for i := range drivers {
		all[i] = drivers[i].name
	}
	return all
}

// HasLevel reports whether open_level applies. For other drivers, open and close are words or messages.
func (k *Contact) HasLevel() bool { return k.driver().powered != "" }

const (
	defaultBusTimeout  = 300 * time.Millisecond // the drivers have the same defaults
	defaultSlowTimeout = time.Second
	defaultBaud        = 19_200
	defaultKeepAlive   = 5 * time.Second
	leastTimeout       = 20 * time.Millisecond
	mostTimeout        = 10 * time.Second
	mostRTSDelay       = 100 * time.Millisecond
)

func newController() Controller { return Controller{Modbus: Modbus{Timeout: defaultTimeout}} }

func controllerKeys(c *Controller) []key {
	all := []key{
		required(value("name", &c.Name, "a name", name)),
		required(choice("driver", &c.Driver, driverNames()...)),
	}
	for i := range drivers {
		all = append(all, drivers[i].controllerKey(c))
	}
	return all
}

func newContact() Contact { return Contact{Unit: defaultUnit, OpenLevel: "on"} }

func contactKeys(c *Contact) []key {
	all := []key{
		required(choice("driver", &c.Driver, append([]string{DriverNone}, driverNames()...)...)),
		value("controller", &c.Controller, "the name of a controller", name),
		choice("require", &c.Require, kinds...),
	}
	for i := range drivers {
		if keys := drivers[i].contactKeys; keys != nil {
			all = append(all, keys(c)...)
		}
	}
	return append(all, yesNo("accept_open_if_daemon_dies", &c.AcceptOpenIfDaemonDies),
		yesNo("accept_open_if_power_fails", &c.AcceptOpenIfPowerFails))
}
