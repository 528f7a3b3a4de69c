package config

import (
	"cmp"
	"fmt"
)

// This file describes what happens to a loop if something fails.

const (
	acceptedDies = " (accepted: accept_open_if_daemon_dies). "
	acceptedLate = " (accepted: accept_late_opening). "
)

func (k *Contact) whenDaemonDies() string {
	r, kind := k.driver(), k.Kind()
	late := ""
	if r.late != nil {
		late = r.late(k)
	}
	switch {
	case kind == "watchdog":
		return fmt.Sprintf("If the daemon or the link fails during an interruption, the board drops its outputs and closes the loop within %v. ",
			k.Watchdog.Timeout)
	case kind == "oneshot" || k.ownTimer() != nil:
		return k.whenTimed() + late
	}
	return r.underLevel(k, r.dies, r.diesOff) + acceptedDies + late
}

// underLevel returns the text for the contact's open_level: off with open_level off if it is not empty, else on.
func (r *driver) underLevel(k *Contact, on, off string) string {
	if k.OpenLevel == "on" || off == "" {
		return on
	}
	return off
}

// whenTimed says what happens to a contact that ends its openings by itself.
func (k *Contact) whenTimed() string {
	return fmt.Sprintf(cmp.Or(k.driver().timed, "If the daemon or the link to the contact fails during an interruption, the device itself closes the loop when the interval ends (at most %v). "),
		k.ownTimer().limit)
}

func (k *Contact) whenPowerFails() string {
	switch {
	case !k.HasLevel():
		return "If the relay loses power, the loop closes only if it is wired so that an energised relay opens the loop: make sure of that. "
	case k.OpenLevel == "off":
		return fmt.Sprintf("If the %s loses power, the loop opens and stays open (accepted: accept_open_if_power_fails). ",
			k.driver().powered)
	}
	return fmt.Sprintf("If the %s loses power, the loop closes. ", k.driver().powered)
}

// Unbounded returns a sentence for each line whose loop may open late, or may stay open without a bound if something
// fails. The user has accepted this, and should be reminded of it.
func Unbounded(c *Config) (w []string) {
	for i := range c.Lines {
		if c.Lines[i].Contact.Driver != DriverNone {
			w = append(w, c.Lines[i].unbounded()...)
		}
	}
	return w
}

func (l *Line) unbounded() (w []string) {
	k := &l.Contact
	if k.needsConsent() {
		w = append(w, fmt.Sprintf("line %s: its loop may stay open indefinitely if %s during an interruption (accepted)",
			l.Name, k.driver().underLevel(k, k.driver().fails, k.driver().failsOff)))
	}
	if k.plain() {
		w = append(w, fmt.Sprintf("line %s: its loop may open late, during whatever call is then in progress, if a broker, the network or the device was stopped; there is no limit to how late (accepted)",
			l.Name))
	}
	return w
}
