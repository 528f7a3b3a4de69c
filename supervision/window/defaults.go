package window

import "time"

const ms = time.Millisecond

// What the adapter's clock may make of a break: how much of a margin lies between a length that means something else to
// it and one that does not.
const (
	// flashStep: adapters measure breaks in steps of 10 to 50 ms (common practice).
	flashStep = 50 * ms
	// pulseStep: who counts pulses of 10 a second, 40 ms of make between them, measures in steps of 10 ms or less.
	pulseStep = 10 * ms
)

// dialWindow is the 2 s of invariant 11: hanging up, lifting and dialling takes a person about that long.
const dialWindow = 2 * time.Second

// exchangeInterval is the normal setting of the disconnect clear time of UK digital local exchanges, 0 to 1,000 ms in
// steps of 100 ms (British Telecom's note of 1987). It is longer than the recognition times of key systems that are
// known (50 and 350 to 450 ms, up to 750 ms at other equipment; common practice).
const exchangeInterval = 800 * ms

// Defaults returns what is assumed where nothing is known.
func Defaults() Line {
	return Line{
		// Key systems' abandoned-hold release is set to 50 ms or to 350 to 450 ms (common practice); 600 ms is what
		// every terminal is expected to act on (common practice, from memory).
		Release: Band{50 * ms, 600 * ms},
		// Flash detection off is the setting we ask for.
		FlashMin: 0, FlashMax: 0,
		// Longer than the widest flash window there is (1,550 ms, RFC 5098); on lines with flash features 1.5 s on hook
		// is a disconnect (common practice).
		OnHookRecognition: 1600 * ms,
		// Small relays (from memory).
		Operate: Band{3 * ms, 10 * ms}, ReleaseTime: Band{3 * ms, 10 * ms}, Bounce: Band{1 * ms, 5 * ms},
		// What 99 of 100 openings that this daemon times keep to with all processors busy; a board's own timer is
		// better.
		Timing: Band{-25 * ms, 25 * ms},
		// RFC 5098 has 45 to 75 ms for a break by default and lets it be set from 20 to 200 ms
		// (pktcSigEndPntConfigPulseDialMaxBreakTime). Unknown, it is the widest.
		PulseDialling: true, PulseMax: 200 * ms,
		// The policy's own bounds.
		Floor: 250 * ms, Ceiling: 2800 * ms, // max_interval, 3 s, less 200 ms
		// Our own figure: a line is dead for no longer than hanging up, lifting and dialling takes.
		LongestOpen: dialWindow,
		// T1 of RFC 3261 and 100 ms.
		Lead: 600 * ms,
	}
}
