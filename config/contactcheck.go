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
	var controller *Controller
	if i >= 0 {
		controller = &c.Controllers[i]
	}
	d.checkBlocks(k, at)
	d.checkOptions(l, controller, at)
	d.checkKind(k, at)
	if k.HasLevel() && k.OpenLevel == "off" && !k.AcceptOpenIfPowerFails {
		d.add(d.at(at+".open_level"),
			"%s.open_level: with off the loop opens whenever the %s loses power; wire the normally-closed contact and write on, or accept it with accept_open_if_power_fails: true",
			at, k.driver().powered)
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
	unknown := k.driver().timer != nil && d.lacksSettings(k, at) // the missing settings might include a timer
	if k.needsConsent() && !k.AcceptOpenIfDaemonDies && !unknown {
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
	if raise := k.driver().raise; raise != nil {
		remedy = raise(k)
	}
	return remedy + ", or require less"
}

// neededConsent returns the reason why a contact needs the user's consent.
func (k *Contact) neededConsent() string {
	return k.driver().consent + ", or accept it with accept_open_if_daemon_dies: true"
}

// checkBlocks reports settings that belong to other drivers, and missing settings of this driver.
func (d *decoder) checkBlocks(k *Contact, at string) {
	own := k.driver()
	for i := range drivers {
		r := &drivers[i]
		if path := at + "." + r.contact; r.contact != "" && r != own && d.has(path) {
			d.add(d.at(path), "%s: driver is %s, so this is not used; remove it, or write driver: %s", path, k.Driver,
				r.name)
		}
	}
	if path := at + "." + own.needs; own.needs != "" && !d.has(path) {
		d.add(d.at(at), "%s is missing; driver %s needs it%s", path, k.Driver, own.needed)
	}
	for _, key := range []string{"unit", "coil", "timed", "watchdog", "sense"} {
		if path := at + "." + key; !k.flat() && d.has(path) {
			d.add(d.at(path), "%s: this key belongs to driver modbus or modbus-rtu, but driver is %s; remove it, or use the keys below %s",
				path, k.Driver, k.Driver)
		}
	}
	if path := at + ".open_level"; !k.HasLevel() && d.has(path) {
		d.add(d.at(path), "%s: driver %s has its own commands for open and close, so this is not used; remove it", path,
			k.Driver)
	}
}

// lacksSettings reports whether the mapping with the driver's settings is required and missing.
func (d *decoder) lacksSettings(k *Contact, at string) bool {
	r := k.driver()
	return r.contact != "" && r.needs == r.contact && !d.has(at+"."+r.contact)
}

// checkOptions reports the faults that the driver finds in a contact. c is nil if the line names no existing
// controller.
func (d *decoder) checkOptions(l *Line, c *Controller, at string) {
	r := l.Contact.driver()
	if r.checkContact == nil || d.lacksSettings(&l.Contact, at) {
		return
	}
	if r.contact != "" {
		at += "." + r.contact
	}
	d.addAll(at, r.checkContact(d, l, c))
}
