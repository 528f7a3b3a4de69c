package controller

import (
	"slices"
	"strings"
	"time"

	"clearback/bridge/relay"
)

// LongestLimit is the largest value of the key limit, the longest opening that a device may be asked for. It only
// catches mistakes: the policy's bound is far lower.
const LongestLimit = time.Hour

// Contains reports whether one of the templates contains a word.
func Contains(word string, templates ...string) bool {
	return slices.ContainsFunc(templates, func(t string) bool { return strings.Contains(t, word) })
}

// TemplateUnit returns the unit to which the lengths in templates are rounded up. It is unit if that is not 0, else 1
// ms if a template contains {ms}, else 1 s.
func TemplateUnit(unit time.Duration, templates ...string) time.Duration {
	switch {
	case unit != 0:
		return unit
	case Contains("{ms}", templates...):
		return time.Millisecond
	default:
		return time.Second
	}
}

// CheckLength adds the faults of the keys unit and limit below key.
func CheckLength(f *relay.Faults, key string, unit, limit time.Duration) {
	switch {
	case unit < time.Millisecond || unit%time.Millisecond != 0:
		f.Add(key+".unit", "%v is out of range; allowed: whole milliseconds, 1ms or more", unit)
	case limit < time.Millisecond || limit > LongestLimit:
		f.Add(key+".limit", "%v is out of range; allowed: %v to %v", limit, unit, LongestLimit)
	case limit < unit:
		f.Add(key+".limit",
			"%v is shorter than the unit, %v, so no opening would be possible; raise it, or set unit", limit, unit)
	}
}

// CheckStates adds the faults of two lists of values below key. The values of each list mean one state.
func CheckStates(f *relay.Faults, key, one string, ones []string, other string, others []string) {
	if len(ones) == 0 {
		*f = append(*f, relay.Missing(key+"."+one, "it is required: add it here"))
	}
	if len(others) == 0 {
		*f = append(*f, relay.Missing(key+"."+other, "it is required: add it here"))
	}
	for _, v := range ones {
		if slices.Contains(others, v) {
			f.Add(key+"."+one, "%q cannot mean both states; look up the values in the device's manual", v)
		}
	}
}
