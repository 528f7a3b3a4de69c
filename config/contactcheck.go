package config

import (
	"slices"
	"strings"
)

func (d *decoder) checkContact(c *Config, l *Line, at string) {
	k := &l.Contact
	if k.Driver == DriverNone || k.Driver == "" {
		return
	}
	i := slices.IndexFunc(c.Controllers, func(b Controller) bool { return b.Name == k.Controller })
	switch {
	case !d.has(at + ".controller"):
		d.add(d.at(at), "%s.controller is missing; driver %s needs one of controllers: %s", at, k.Driver, c.controllerNames())
	case i < 0 && k.Controller != "":
		d.add(d.at(at+".controller"), "%s.controller: %q is not one of controllers: %s", at, k.Controller, c.controllerNames())
	case i >= 0 && c.Controllers[i].Driver != "" && c.Controllers[i].Driver != k.Driver:
		d.add(d.at(at+".driver"), "%s.driver: %s, but controller %s is driven by %s; write that, or name another controller", at, k.Driver, k.Controller, c.Controllers[i].Driver)
	}
	d.checkBlocks(k, at)
	if k.kind() == "none" && !k.AcceptOpenIfDaemonDies {
		d.add(d.at(at), "%s: %s", at, k.unbounded())
	}
	if slices.Index(kinds, k.kind()) < slices.Index(kinds, k.Require) {
		d.add(d.at(at+".require"), "%s.require: %s is asked for, and this contact is of kind %s: %s", at, k.Require, k.kind(), kindHelp[k.Require])
	}
	if k.hasLevel() && k.OpenLevel == "off" && !k.AcceptOpenIfPowerFails {
		d.add(d.at(at+".open_level"), "%s.open_level: with off the loop opens whenever the %s loses power; wire the normally-closed contact and write on, or accept it with accept_open_if_power_fails: true", at, k.thing())
	}
	if k.Watchdog != nil && k.flat() {
		d.checkWatchdog(l, at)
	}
	if k.ownTimer() != nil {
		d.checkTimed(l, at)
	}
}

var kindHelp = map[string]string{
	"oneshot":  "let the controller itself end the opening (timed, or a contract of ours), or ask for less",
	"watchdog": "add timed or watchdog, or ask for less",
}

// unbounded words what a contact of kind none needs the user's consent for.
func (k *Contact) unbounded() string {
	switch k.Driver {
	case DriverModbus, DriverModbusRTU:
		return "without timed or watchdog the loop stays open if the daemon or the link to the board dies in an interruption; add timed or watchdog, or accept it with accept_open_if_daemon_dies: true"
	case DriverGPIO, DriverSerial:
		return "the loop may stay open if the daemon dies in an interruption, since nothing else times it; let clearback relay drive the contact and name that as a modbus controller, or accept it with accept_open_if_daemon_dies: true"
	case DriverMQTT:
		return "a device without our contract may keep the loop open if the daemon, the broker or the network dies in an interruption, or open it late; take one with the contract, or accept it with accept_open_if_daemon_dies: true"
	}
	return "without timed the loop stays open if the daemon or the way to the contact dies in an interruption; add timed, or accept it with accept_open_if_daemon_dies: true"
}

// flat tells whether the contact's own keys are those of Modbus.
func (k *Contact) flat() bool { return k.Driver == DriverModbus || k.Driver == DriverModbusRTU }

// thing is what loses power.
func (k *Contact) thing() string {
	if k.flat() {
		return "board"
	}
	return "machine"
}

// checkBlocks finds settings of other drivers, and misses those of this one.
func (d *decoder) checkBlocks(k *Contact, at string) {
	for _, b := range blocks {
		path := at + "." + b.contact
		switch {
		case b.contact == "":
		case b.driver == k.Driver && !d.has(path) && b.driver != DriverHTTP && b.driver != DriverCommand:
			d.add(d.at(at), "%s is missing; driver %s needs it", path, k.Driver)
		case b.driver != k.Driver && d.has(path):
			d.add(d.at(path), "%s: driver is %s, so this is not used; remove it, or write driver: %s", path, k.Driver, b.driver)
		}
	}
	for _, key := range []string{"unit", "coil", "timed", "watchdog", "sense"} {
		if path := at + "." + key; !k.flat() && d.has(path) {
			d.add(d.at(path), "%s: this belongs to driver modbus or modbus-rtu, and driver is %s; remove it, or look below %s", path, k.Driver, k.Driver)
		}
	}
	if path := at + ".open_level"; !k.hasLevel() && d.has(path) {
		d.add(d.at(path), "%s: driver %s says open and close in words of its own; remove it", path, k.Driver)
	}
	switch {
	case k.flat() && !d.has(at+".coil"):
		d.add(d.at(at), "%s.coil is missing; driver %s needs it: the coil's address, counted from 0", at, k.Driver)
	case k.Driver == DriverModbusRTU && k.Unit == 255:
		d.add(d.at(at+".unit"), "%s.unit: 255 is for boards on Modbus TCP; allowed on a serial line: 1 to 247", at)
	case k.Driver == DriverMQTT && k.MQTT != nil:
		d.checkTopics(k.MQTT, at+".mqtt")
	case k.Driver == DriverHTTP && k.HTTP != nil:
		d.checkRequests(k.HTTP, at+".http")
	case k.Driver == DriverCommand && k.Command != nil:
		d.checkArguments(k.Command, at+".command")
	}
}

func (d *decoder) checkTopics(t *Topics, at string) {
	if p := t.Plain; p != nil {
		if !p.AcceptLateOpening {
			d.add(d.at(at+".plain"), "%s.plain: a broker, a network or a device that stood still may deliver an opening late, and then the loop opens under whatever call there is by then; take a device with our contract (prefix), or accept it with accept_late_opening: true", at)
		}
		if (p.Timed == nil) == (p.Open == nil) {
			d.add(d.at(at+".plain"), "%s.plain: write exactly one of timed and open: timed if the device can end the opening by itself", at)
		}
	}
	if (t.Prefix == "") == (t.Plain == nil) && (t.Plain != nil || !d.has(at+".prefix")) {
		d.add(d.at(at), "%s: write exactly one of prefix and plain", at)
	}
}

func (d *decoder) checkRequests(r *Requests, at string) {
	for _, q := range []*Request{r.Open, r.Close} {
		if q != nil {
			d.checkHeaders(q.Headers, at)
		}
	}
	switch {
	case r.contract():
	case r.Close == nil:
		d.add(d.at(at), "%s.close is missing; how else would an opening be ended early?", at)
	case r.Timed != nil && r.Open != nil:
		d.add(d.at(at+".open"), "%s.open: the device times openings (timed), so it is never told to open without an end; remove it", at)
	case r.Timed == nil && r.Open == nil:
		d.add(d.at(at), "%s: add timed if the device can end an opening by itself, else open", at)
	}
}

func (d *decoder) checkArguments(r *Runs, at string) {
	if r.Arguments == nil {
		return
	}
	has := func(w string) bool {
		return slices.ContainsFunc(r.Arguments, func(a string) bool { return strings.Contains(a, w) })
	}
	if !has("{action}") {
		d.add(d.at(at+".arguments"), "%s.arguments: none has the word {action}, so open and close would be the same", at)
	}
	if r.Timed != nil && !has("{ms}") {
		d.add(d.at(at+".arguments"), "%s.arguments: none has the word {ms}, and with timed the program needs the length", at)
	}
}
