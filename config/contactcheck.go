package config

import "slices"

func (d *decoder) checkContact(c *Config, l *Line, at string) {
	k := &l.Contact
	if k.Driver == DriverNone || k.Driver == "" {
		return
	}
	i := slices.IndexFunc(c.Controllers, func(b Controller) bool { return b.Name == k.Controller })
	switch {
	case !d.has(at + ".controller"):
		d.add(d.at(at), "%s.controller is missing; driver %s needs one of controllers: %s", at, k.Driver,
			c.controllerNames())
	case i < 0 && k.Controller != "":
		d.add(d.at(at+".controller"), "%s.controller: %q is not one of controllers: %s", at, k.Controller,
			c.controllerNames())
	case i >= 0 && c.Controllers[i].Driver != "" && c.Controllers[i].Driver != k.Driver:
		d.add(d.at(at+".driver"),
			"%s.driver: this is %s, but controller %s has driver %s; write that, or name another controller", at,
			k.Driver,
			k.Controller, c.Controllers[i].Driver)
	}
	var device *HTTPDevice
	if i >= 0 {
		device = c.Controllers[i].HTTP
	}
	d.checkBlocks(k, device, at)
	d.checkKind(k, at)
	if k.hasLevel() && k.OpenLevel == "off" && !k.AcceptOpenIfPowerFails {
		d.add(d.at(at+".open_level"),
			"%s.open_level: with off the loop opens whenever the %s loses power; wire the normally-closed contact and write on, or accept it with accept_open_if_power_fails: true",
			at, k.poweredPart())
	}
	if k.Watchdog != nil && k.flat() {
		d.checkWatchdog(l, at)
	}
	if k.ownTimer() != nil {
		d.checkTimed(l, at)
	}
}

// checkKind compares the kind of the contact with what the line requires and what the user has accepted.
func (d *decoder) checkKind(k *Contact, at string) {
	if k.needsConsent() && !k.AcceptOpenIfDaemonDies && (k.Driver != DriverMQTT || k.MQTT != nil) {
		d.add(d.at(at), "%s: %s", at, k.neededConsent())
	}
	if !Less(k.Kind(), k.Require) {
		return
	}
	path := at + ".require"
	if !d.has(path) {
		path = "require"
	}
	d.add(d.at(path), "%s: %s is required, but %s is of kind %s; %s", path, k.Require, at, k.Kind(), k.kindAdvice())
}

// kindAdvice returns advice on how to get a contact of a higher kind.
func (k *Contact) kindAdvice() string {
	remedy := "drive it with clearback relay, which times openings itself, and write that as a modbus controller"
	switch k.Driver {
	case DriverModbus, DriverModbusRTU:
		remedy = "add timed if the board can end an opening by itself"
		if k.Require == "watchdog" {
			remedy = "add timed or watchdog if the board has it"
		}
	case DriverMQTT:
		remedy = "use a device with our own contract (prefix)"
	case DriverHTTP, DriverCommand:
		remedy = "add timed if it can end an opening by itself"
	}
	return remedy + ", or require less"
}

// neededConsent returns the reason why a contact needs the user's consent.
func (k *Contact) neededConsent() string {
	const accept = ", or accept it with accept_open_if_daemon_dies: true"
	switch k.Driver {
	case DriverModbus, DriverModbusRTU:
		return "without timed or watchdog the loop stays open if the daemon or the link to the board fails during an interruption; add timed or watchdog" +
			accept
	case DriverGPIO, DriverSerial:
		return "the loop may stay open if the daemon or this machine hangs or dies during an interruption, because nothing else ends the opening; drive the contact with clearback relay, and write that as a modbus controller" +
			accept
	case DriverMQTT:
		return "without timed the loop may stay open if the daemon, the broker or the network fails during an interruption; add timed, or use a device with our own contract (prefix)" +
			accept
	}
	return "without timed the loop stays open if the daemon or the link to the contact fails during an interruption; add timed" +
		accept
}

// poweredPart returns the name of the part that can lose power.
func (k *Contact) poweredPart() string {
	if k.flat() {
		return "board"
	}
	return "relay"
}

// checkBlocks reports settings that belong to other drivers, and missing settings of this driver.
func (d *decoder) checkBlocks(k *Contact, device *HTTPDevice, at string) {
	for _, b := range blocks {
		path := at + "." + b.contact
		switch {
		case b.contact == "":
		case b.driver == k.Driver && !d.has(path) && b.driver != DriverHTTP && b.driver != DriverCommand:
			d.add(d.at(at), "%s is missing; driver %s needs it", path, k.Driver)
		case b.driver != k.Driver && d.has(path):
			d.add(d.at(path), "%s: driver is %s, so this is not used; remove it, or write driver: %s", path, k.Driver,
				b.driver)
		}
	}
	for _, key := range []string{"unit", "coil", "timed", "watchdog", "sense"} {
		if path := at + "." + key; !k.flat() && d.has(path) {
			d.add(d.at(path), "%s: this key belongs to driver modbus or modbus-rtu, but driver is %s; remove it, or use the keys below %s",
				path, k.Driver, k.Driver)
		}
	}
	if path := at + ".open_level"; !k.hasLevel() && d.has(path) {
		d.add(d.at(path), "%s: driver %s has its own commands for open and close, so this is not used; remove it", path,
			k.Driver)
	}
	switch {
	case k.flat() && !d.has(at+".coil"):
		d.add(d.at(at), "%s.coil is missing; driver %s needs it: the coil's address, counted from 0", at, k.Driver)
	case k.Driver == DriverModbusRTU && k.Unit == 255:
		d.add(d.at(at+".unit"), "%s.unit: 255 is for boards on Modbus TCP; allowed on a serial line: 1 to 247", at)
	case k.Driver == DriverGPIO && k.GPIO != nil:
		if s := k.GPIO.Sense; s != nil && s.Line != "" && s.Line == k.GPIO.Line {
			d.add(d.at(at+".gpio.sense.line"),
				"%s.gpio.sense.line: %s is the line of the contact; the input needs one of its own", at, s.Line)
		}
	case k.Driver == DriverMQTT && k.MQTT != nil:
		d.checkTopics(k.MQTT, at+".mqtt")
	case k.Driver == DriverHTTP && k.HTTP != nil:
		d.checkRequests(k.HTTP, device, at+".http")
	case k.Driver == DriverCommand && k.Command != nil:
		d.checkArguments(k.Command, at+".command")
	}
	if t := k.Timed; k.flat() && t != nil && t.Sequence && t.Register == register16 {
		d.add(d.at(at+".timed.register"),
			"%s.timed.register: after %d there is no register for the length, which sequence needs; allowed: 0 to %d",
			at,
			t.Register, register16-1)
	}
}

// checkLength checks that one of the templates contains the length of an opening, and that the limit is not too short.
func (d *decoder) checkLength(at string, t *timer, templates ...string) {
	if !contains("{ms}", templates...) && !contains("{s}", templates...) {
		d.add(d.at(at), "%s: it contains neither {ms} nor {s}; it has to contain the length of the opening", at)
	}
	d.checkLimit(at, t)
}

func (d *decoder) checkLimit(at string, t *timer) {
	if t.limit > 0 && t.limit < t.unit {
		d.add(d.at(at+".limit"),
			"%s.limit: %v is shorter than the unit, %v, so no opening would be possible; raise it, or set unit", at,
			t.limit, t.unit)
	}
}

func (d *decoder) checkTopics(t *Topics, at string) {
	p := t.Plain
	if (t.Prefix == "") == (p == nil) && (p != nil || !d.has(at+".prefix")) {
		d.add(d.at(at), "%s: write exactly one of prefix and plain", at)
	}
	if p == nil {
		return
	}
	for _, key := range []string{"limit", "sense"} {
		if d.has(at + "." + key) {
			d.add(d.at(at+"."+key),
				"%s.%s: this key is for a device with our own contract (prefix); for a plain device, use the keys below plain",
				at,
				key)
		}
	}
	at += ".plain"
	if !p.AcceptLateOpening {
		d.add(d.at(at), "%s: a broker, network or device that was stopped may deliver an opening late, and the loop then opens during whatever call is in progress; use a device with our own contract (prefix), or accept it with accept_late_opening: true",
			at)
	}
	if (p.Timed == nil) == (p.Open == nil) {
		d.add(d.at(at), "%s: write exactly one of timed and open: timed if the device can end the opening by itself",
			at)
	}
	if m := p.Timed; m != nil && d.has(at+".timed.payload") {
		d.checkLength(at+".timed", &timer{unit: templateUnit(m.Unit, m.Topic, m.Payload), limit: m.Limit}, m.Topic,
			m.Payload)
	}
	if p.Open != nil && p.Close != nil && *p.Open == *p.Close && p.Open.Topic != "" {
		d.add(d.at(at+".open"), "%s.open: this is the same message as close; look up both in the device's manual", at)
	}
	for key, v := range map[string]*TopicValue{"state": p.State, "sense": p.Sense} {
		if v != nil {
			d.checkDisjoint(at+"."+key, "open", v.Open, v.Closed)
		}
	}
	if v := p.Available; v != nil {
		d.checkDisjoint(at+".available", "online", v.Online, v.Offline)
	}
}

// checkDisjoint reports a value that is in both lists.
func (d *decoder) checkDisjoint(at, key string, one, other []string) {
	for _, v := range one {
		if slices.Contains(other, v) {
			d.add(d.at(at+"."+key), "%s.%s: %q cannot mean both states; look up the values in the device's manual", at,
				key, v)
		}
	}
}

func (d *decoder) checkArguments(r *Runs, at string) {
	if t := r.Timed; t != nil {
		d.checkLimit(at+".timed", &timer{unit: t.Unit, limit: t.Limit})
	}
	if r.Arguments == nil {
		return
	}
	if !contains("{action}", r.Arguments...) {
		d.add(d.at(at+".arguments"),
			"%s.arguments: none contains {action}, so open and close would be the same command; add {action}",
			at)
	}
	if r.Timed != nil && !contains("{ms}", r.Arguments...) {
		d.add(d.at(at+".arguments"),
			"%s.arguments: none contains {ms}, but with timed the program needs the length; add {ms}", at)
	}
}
