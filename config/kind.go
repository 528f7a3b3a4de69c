package config

import (
	"slices"
	"strings"
	"time"
)

// kinds lists the kinds of contacts in ascending order. Each also does what the previous ones do.
var kinds = []string{"none", "watchdog", "oneshot"}

// Kind returns what ends an opening if the daemon does not: "oneshot", "watchdog" or "none". For a line without a
// contact it returns "oneshot", because no failure can leave its loop open.
func (k *Contact) Kind() string {
	switch {
	case k.Driver == DriverNone:
		return "oneshot"
	case k.ownTimer() != nil && !k.plain():
		return "oneshot"
	case k.flat() && k.Watchdog != nil:
		return "watchdog"
	}
	return "none"
}

// Less reports whether kind a is lower than kind b, in the order none, watchdog, oneshot. An unknown kind is lower than
// all others.
func Less(a, b string) bool { return slices.Index(kinds, a) < slices.Index(kinds, b) }

// flat reports whether the contact uses the Modbus keys, which are not in a mapping of their own.
func (k *Contact) flat() bool { return k.Driver == DriverModbus || k.Driver == DriverModbusRTU }

// plain reports whether the contact is a device behind a broker that does not check tokens. Even if the device
// times its openings, a broker may deliver an opening late.
func (k *Contact) plain() bool { return k.Driver == DriverMQTT && k.MQTT != nil && k.MQTT.Plain != nil }

// hasLevel reports whether open_level applies. For other drivers, open and close are words or messages.
func (k *Contact) hasLevel() bool {
	return slices.Contains([]string{DriverModbus, DriverModbusRTU, DriverGPIO, DriverSerial}, k.Driver)
}

// needsConsent reports whether the loop can stay open if the daemon dies.
func (k *Contact) needsConsent() bool { return k.Kind() == "none" && k.ownTimer() == nil }

// timer is the controller's own timer for openings.
type timer struct {
	at          string // path of its keys below the contact
	unit, limit time.Duration
}

// ownTimer returns the controller's own timer, or nil if it has none.
func (k *Contact) ownTimer() *timer {
	switch {
	case k.flat() && k.Timed != nil:
		return &timer{"timed", k.Timed.Unit, k.Timed.Limit}
	case k.Driver == DriverMQTT && k.MQTT != nil && k.MQTT.Plain == nil:
		return &timer{"mqtt", time.Millisecond, k.MQTT.Limit}
	case k.plain() && k.MQTT.Plain.Timed != nil:
		t := k.MQTT.Plain.Timed
		return &timer{"mqtt.plain.timed", templateUnit(t.Unit, t.Topic, t.Payload), t.Limit}
	case k.Driver == DriverHTTP && k.HTTP != nil && k.HTTP.contract():
		t := &timer{"http", time.Millisecond, defaultDeviceLimit}
		if o := k.HTTP.Timed; o != nil {
			t.at, t.unit = "http.timed", max(o.Unit, time.Millisecond)
			if o.Limit > 0 {
				t.limit = o.Limit
			}
		}
		return t
	case k.Driver == DriverHTTP && k.HTTP != nil && k.HTTP.Timed != nil:
		t := k.HTTP.Timed
		return &timer{"http.timed", templateUnit(t.Unit, t.templates()...), t.Limit}
	case k.Driver == DriverCommand && k.Command != nil && k.Command.Timed != nil:
		return &timer{"command.timed", max(k.Command.Timed.Unit, time.Millisecond), k.Command.Timed.Limit}
	}
	return nil
}

// templateUnit returns the unit that lengths are rounded up to: the configured unit, or else 1 ms if a template
// contains {ms}, or else 1 s. The drivers do the same.
func templateUnit(unit time.Duration, templates ...string) time.Duration {
	switch {
	case unit > 0:
		return unit
	case contains("{ms}", templates...):
		return time.Millisecond
	}
	return time.Second
}

func contains(word string, templates ...string) bool {
	return slices.ContainsFunc(templates, func(t string) bool { return strings.Contains(t, word) })
}

// templates returns the parts of a request that may contain words in braces.
func (r *Request) templates() []string {
	all := []string{r.Path, r.Body}
	for i := range r.Headers {
		all = append(all, r.Headers[i].Value, r.Headers[i].Secret.Reveal())
	}
	return all
}

// contract reports whether a web device uses our own contract.
func (r *Requests) contract() bool {
	return r.Open == nil && r.Close == nil && r.Read == nil && (r.Timed == nil || r.Timed.Path == "")
}

// hasSense reports whether the contact has a loop-current input.
func (k *Contact) hasSense() bool {
	switch k.Driver {
	case DriverModbus, DriverModbusRTU:
		return k.Sense != nil
	case DriverGPIO:
		return k.GPIO != nil && k.GPIO.Sense != nil
	case DriverSerial:
		return k.Serial != nil && k.Serial.Sense != nil
	case DriverMQTT:
		return k.MQTT != nil && (k.MQTT.Sense || k.MQTT.Plain != nil && k.MQTT.Plain.Sense != nil)
	case DriverHTTP:
		return k.HTTP != nil && k.HTTP.Sense != nil
	case DriverCommand:
		return k.Command != nil && k.Command.Sense
	}
	return false
}
