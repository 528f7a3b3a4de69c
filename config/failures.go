package config

import (
	"fmt"
	"strings"
)

// This file describes what happens to a loop if something fails.

// place returns a description of where the contact is.
func (k *Contact) place() string {
	level := fmt.Sprintf(", open when the output is %s", k.OpenLevel)
	switch {
	case k.flat():
		return fmt.Sprintf("coil %d of unit %d at %s, open when the coil is %s", k.Coil, k.Unit, k.Controller,
			k.OpenLevel)
	case k.Driver == DriverGPIO && k.GPIO != nil:
		return fmt.Sprintf("line %s of chip %s%s", k.GPIO.Line, k.Controller, level)
	case k.Driver == DriverSerial && k.Serial != nil:
		return fmt.Sprintf("%s of port %s%s", strings.ToUpper(k.Serial.Line), k.Controller, level)
	case k.plain():
		return "a plain device at broker " + k.Controller
	case k.Driver == DriverMQTT && k.MQTT != nil:
		return fmt.Sprintf("device %s at broker %s", k.MQTT.Prefix, k.Controller)
	case k.Driver == DriverHTTP:
		return "web device " + k.Controller
	}
	return "program " + k.Controller
}

const (
	acceptedDies = " (accepted: accept_open_if_daemon_dies). "
	acceptedLate = " (accepted: accept_late_opening). "
)

func (k *Contact) whenDaemonDies() string {
	switch k.Kind() {
	case "oneshot":
		return k.whenTimed() + k.whenLate()
	case "watchdog":
		return fmt.Sprintf("If the daemon or the link fails during an interruption, the board drops its outputs and closes the loop within %v. ",
			k.Watchdog.Timeout)
	}
	const late = "An opening that a broker, the network or the device delays may happen late, during whatever call is then in progress" +
		acceptedLate
	switch {
	case k.Driver == DriverGPIO:
		return "If the daemon dies during an interruption, the kernel frees the line, and it depends on the chip whether the loop closes; if it does not, or the daemon or this machine hangs, the loop stays open until somebody closes it" +
			acceptedDies
	case k.Driver == DriverSerial && k.OpenLevel == "on":
		return "If the daemon dies during an interruption, the kernel turns the line off and the loop closes; if the daemon or this machine hangs, the loop stays open until somebody closes it" +
			acceptedDies
	case k.plain() && k.MQTT.Plain.Timed != nil:
		return k.whenTimed() + late
	case k.plain():
		return "If the daemon or its link fails during an interruption, the broker tells the device to close; if the broker, its network or the device fails, the loop stays open until somebody closes it" +
			acceptedDies + late
	case k.Driver == DriverHTTP || k.Driver == DriverCommand:
		return "If the daemon or the link to the contact fails during an interruption, the loop stays open until somebody closes it" +
			acceptedDies + k.whenLate()
	}
	return "If the daemon or the link fails during an interruption, the loop stays open until somebody closes it" +
		acceptedDies
}

// whenLate says what happens to an opening that was delayed on the way, if that depends on the device.
func (k *Contact) whenLate() string {
	switch {
	case k.Driver != DriverHTTP:
		return ""
	case k.HTTP == nil || k.HTTP.contract():
		return "If the network or the device delays an opening, a device that reports a token in its state refuses it; a device that reports none may open late, during whatever call is then in progress (SAFETY.md 77). "
	}
	return "An opening that the network or the device delays may happen late, during whatever call is then in progress (SAFETY.md 77). "
}

// whenTimed says what happens to a contact that ends its openings by itself.
func (k *Contact) whenTimed() string {
	limit := k.ownTimer().limit
	switch {
	case k.flat():
		return fmt.Sprintf("If the daemon or the link fails during an interruption, the board itself closes the loop when the interval ends (at most %v). ",
			limit)
	case k.Driver == DriverCommand:
		return fmt.Sprintf("If the daemon dies during an interruption, the loop closes when the interval ends (at most %v), if the program does what timed promises: to test that, kill the daemon once during an opening. ",
			limit)
	}
	return fmt.Sprintf("If the daemon or the link to the contact fails during an interruption, the device itself closes the loop when the interval ends (at most %v). ",
		limit)
}

func (k *Contact) whenPowerFails() string {
	switch {
	case !k.hasLevel():
		return "If the relay loses power, the loop closes only if it is wired so that an energised relay opens the loop: make sure of that. "
	case k.OpenLevel == "off":
		return fmt.Sprintf("If the %s loses power, the loop opens and stays open (accepted: accept_open_if_power_fails). ",
			k.poweredPart())
	}
	return fmt.Sprintf("If the %s loses power, the loop closes. ", k.poweredPart())
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
			l.Name, k.whatDies()))
	}
	if k.plain() {
		w = append(w, fmt.Sprintf("line %s: its loop may open late, during whatever call is then in progress, if a broker, the network or the device was stopped; there is no limit to how late (accepted)",
			l.Name))
	}
	return w
}

// whatDies names the failures that can leave the loop open.
func (k *Contact) whatDies() string {
	switch k.Driver {
	case DriverGPIO:
		return "the daemon or this machine hangs, or dies and the chip leaves the line as it is,"
	case DriverSerial:
		if k.OpenLevel == "on" {
			return "the daemon or this machine hangs"
		}
		return "the daemon or this machine hangs or dies"
	case DriverMQTT:
		return "the broker, its network or the device fails"
	case DriverHTTP:
		return "the daemon, this machine or the network to the device fails"
	case DriverCommand:
		return "the daemon, this machine or the program fails"
	}
	return "the daemon, this machine or the link to the board fails"
}
