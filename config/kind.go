package config

import (
	"slices"
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
func (k *Contact) flat() bool { return k.driver().name != "" && k.driver().contact == "" }

// needsConsent reports whether the loop can stay open if the daemon dies.
func (k *Contact) needsConsent() bool { return k.Kind() == "none" && k.ownTimer() == nil }

// timer is the controller's own timer for openings.
type timer struct {
	at          string // path of its keys below the contact
	unit, limit time.Duration
}

// ownTimer returns the controller's own timer, or nil if it has none.
func (k *Contact) ownTimer() *timer {
	if own := k.driver().timer; own != nil {
		return own(k)
	}
	return nil
}

// hasSense reports whether the contact has a loop-current input.
func (k *Contact) hasSense() bool {
	senses := k.driver().senses
	return senses != nil && senses(k)
}
