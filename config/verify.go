package config

import (
	"path/filepath"
	"slices"
	"time"
)

// checkVerify checks how the daemon finds out whether a hold has cleared.
func (d *decoder) checkVerify(c *Config, l *Line, at string) {
	if l.Verify.By == "sense" && !l.Contact.hasSense() {
		d.add(d.at(at+".verify.by"),
			"%s.verify.by: sense needs a loop-current input; add contact.sense (for drivers other than modbus, below the key of the driver), or write options or none",
			at)
	}
	number := l.Verify.OffHookNumber
	if number == "" {
		return
	}
	path := at + ".verify.offhook_number"
	if n, err := c.numbers(); err == nil {
		if _, behindDigit := n.UnlistedDialString(number); behindDigit || n.Emergency(number) {
			d.add(d.at(path), "%s: %s is an emergency number; let the adapter call another number when it is left off hook, such as an extension that does not exist",
				path, number)
		}
	}
	if i := slices.IndexFunc(c.Lines, func(o Line) bool { return o.Service.User == number }); i >= 0 {
		d.add(d.at(path), "%s: %s is the number of lines[%d], so a call to that line would never arrive; let the adapter call another number when it is left off hook, such as an extension that does not exist",
			path, number, i)
	}
}

// checkEquipment checks the flash window, whose two ends are in different mappings.
func (d *decoder) checkEquipment(l *Line, at string) {
	low, high := l.Equipment.FlashMin, l.Policy.FlashMax
	path := at + ".equipment.flash_min"
	switch {
	case low > 0 && high == 0:
		d.add(d.at(path), "%s: %v begins a flash window that has no end; add policy.flash_max, or remove flash_min if the adapter's flash detection is off",
			path, low)
	case low > high && high > 0:
		d.add(d.at(path), "%s: %v is longer than policy.flash_max, %v; write the shortest break that the adapter takes for a hook flash",
			path, low, high)
	}
}

// socketPathLimit is the longest path of a Unix socket, in bytes (unix(7): 108 with the terminating zero).
const socketPathLimit = 107

func (d *decoder) checkControl(c *Config) {
	s := c.Control.Socket
	switch {
	case s == "" && c.Control.Group != "":
		d.add(d.at("control.group"),
			"control.group: there is no socket that the group may use; set control.socket to a path, or remove group")
	case s == "":
	case !filepath.IsAbs(s) || filepath.Clean(s) != s:
		d.add(d.at("control.socket"),
			"control.socket: %q is not an absolute path; write one such as /run/clearback/control, or none", s)
	case len(s) > socketPathLimit:
		d.add(d.at("control.socket"),
			"control.socket: the path has %d bytes, and a Unix socket's has at most %d; choose a shorter one, such as /run/clearback/control",
			len(s), socketPathLimit)
	}
}

// openingLengths returns the intervals of a line as they are opened: in whole units if the board has its own timer.
func (l *Line) openingLengths() []time.Duration {
	all := append([]time.Duration{l.Policy.Interval}, l.Policy.Steps...)
	if t := l.Contact.ownTimer(); t != nil && t.unit > 0 {
		for i, v := range all {
			all[i] = wholeUnits(v, t.unit)
		}
	}
	return all
}
