package window

import "time"

const ms = time.Millisecond

// Margins for the adapter's measurement of a break: the distance between a length that means something else to the
// adapter and one that does not.
const (
	// flashStep: adapters measure breaks in steps of 10 to 50 ms (common practice).
	flashStep = 50 * ms
	// pulseStep: an adapter that counts 10 pulses a second, with 40 ms of make between them, measures in steps of 10 ms
	// or less.
	pulseStep = 10 * ms
)

// dialWindow is the 2 s of invariant 11, about as long as a person takes to hang up, lift and dial.
const dialWindow = 2 * time.Second

// exchangeInterval is the normal setting of the disconnect clear time of UK digital local exchanges, which ranges from
// 0 to 1,000 ms in steps of 100 ms (British Telecom's note of 1987). It is longer than the known recognition times of
// key systems (50 and 350 to 450 ms, up to 750 ms in other equipment; common practice).
const exchangeInterval = 800 * ms

// Defaults returns what is assumed for an unknown line.
func Defaults() Line {
	return Line{
		// Key systems' abandoned-hold release is set to 50 ms or to 350 to 450 ms (common practice). Every terminal is
		// expected to act on 600 ms (common practice, from memory).
		Release: Band{50 * ms, 600 * ms},
		// Flash detection off is the setting that the documentation asks for.
		FlashMin: 0, FlashMax: 0,
		// Longer than the widest flash window (1,550 ms, RFC 5098). On lines with flash features, 1.5 s on hook is a
		// disconnect (common practice).
		OnHookRecognition: 1600 * ms,
		// Small relays (from memory).
		Operate: Band{3 * ms, 10 * ms}, ReleaseTime: Band{3 * ms, 10 * ms}, Bounce: Band{1 * ms, 5 * ms},
		// 99 of 100 openings that this daemon times keep within these limits with all processors busy. A board's own
		// timer is better.
		Timing: Band{-25 * ms, 25 * ms},
		// RFC 5098 has 45 to 75 ms for a break by default and lets it be set from 20 to 200 ms
		// (pktcSigEndPntConfigPulseDialMaxBreakTime). The setting is unknown, so the widest is assumed.
		PulseDialling: true, PulseMax: 200 * ms,
		// The policy's own bounds.
		Floor: 250 * ms, Ceiling: 2800 * ms, // max_interval, 3 s, less 200 ms
		// Our own figure: the line is dead for no longer than hanging up, lifting and dialling takes.
		LongestOpen: dialWindow,
		// T1 of RFC 3261 and 100 ms.
		Lead: 600 * ms,
	}
}
