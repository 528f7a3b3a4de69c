package window

import (
	"fmt"
	"time"
)

// Reason is why a span ends.
type Reason uint8

// The reasons. The first four bound a span from below, the others from above.
const (
	NoReason    Reason = iota
	CardRelease        // the line card
	DialPulse          // the adapter's pulse dialling
	FlashEnds          // the end of the adapter's flash window
	Floor              // the policy's shortest interruption
	FlashBegins        // the beginning of the adapter's flash window
	DialWindow         // the 2 s after the BYE, less the lead
	Recognition        // the adapter's on-hook recognition
	Ceiling            // max_interval, less 200 ms
	LongestOpen        // the longest opening that the user accepts
)

// reasons has, for each reason, its word, its sentence, its part of "empty, because ... at 1 s", and what to change.
var reasons = [...]struct{ word, text, at, change string }{
	NoReason: {"none", "nothing bounds it here", "nothing ends", "nothing"},
	CardRelease: {"card-release",
		"the line card must have released the hold before the loop closes again, even if relay and controller " +
			"shorten the opening",
		"the line card's release time, with the errors of relay and controller, ends",
		"card_release (`clearback tune` measures it)"},
	DialPulse: {"dial-pulse", "the adapter could count a shorter break as a dial pulse",
		"what the adapter may count as a dial pulse ends", "pulse_dialling (switch it off at the adapter)"},
	FlashEnds: {"flash-ends", "the adapter could take a break of that length for a hook flash",
		"what the adapter may take for a hook flash ends",
		"flash_max (switch flash detection off at the adapter, or shorten its window)"},
	Floor: {"floor", "no interruption is shorter on any line, since many adapters take shorter breaks for " +
		"something else",
		"the policy's shortest interruption ends", "the equipment (the shortest interruption itself is fixed)"},
	FlashBegins: {"flash-begins", "the adapter could take a longer break for a hook flash",
		"what the adapter may take for a hook flash begins",
		"flash_min (switch flash detection off at the adapter, or let its window begin later)"},
	DialWindow: {"dial-window",
		"lead and interval together last at most 2 s after the BYE to the adapter, since somebody may lift and dial by then",
		"the room that lead leaves of the 2 s after the BYE ends", "lead (shorten it)"},
	Recognition: {"onhook-recognition",
		"the adapter is assumed to recognise on hook onhook_recognition after the opening, and the loop must be " +
			"closed by then",
		"onhook_recognition ends", "onhook_recognition (raise it)"},
	Ceiling: {"max-interval", "every interval of this line is at least 200 ms shorter than max_interval",
		"max_interval, less 200 ms, ends", "max_interval (raise it)"},
	LongestOpen: {"longest-open",
		"the longest opening that is accepted on this line, even if relay and controller lengthen it",
		"longest_open, less the errors of relay and controller, ends", "longest_open (raise it)"},
}

func (r Reason) known() Reason {
	if int(r) < len(reasons) {
		return r
	}
	return NoReason
}

// String returns the reason's word, such as "card-release".
func (r Reason) String() string { return reasons[r.known()].word }

// Text returns the reason in one sentence, without a full stop.
func (r Reason) Text() string { return reasons[r.known()].text }

// Change returns the configuration key that moves the edge, and how to change it.
func (r Reason) Change() string { return reasons[r.known()].change }

// clock writes a length the way the configuration does: 800ms, 1.4s.
func clock(d time.Duration) string {
	if d >= time.Second && d%(10*time.Millisecond) == 0 {
		return d.String()
	}
	return fmt.Sprintf("%dms", d.Milliseconds())
}
